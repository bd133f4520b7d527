package main

import (
	"path/filepath"

	"tipoff/calib/certificate"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/frame"
	"tipoff/logger/plan"
)

// lagCorrected tells whether the glass readings of a bench are corrected for the
// sensor's lag now: text is its bench.toml, dir the store with its certificates.
func lagCorrected(cfg *config.Bench, text []byte, dir string) (bool, error) {
	if plan.LagIn(string(text)) {
		return true, nil
	}
	for _, ch := range cfg.Channels {
		if ch.Role != frame.Glass {
			continue
		}
		c, err := certificate.LatestLag(filepath.Join(dir, bench.CertificatesDir), ch.Name)
		if err != nil {
			return false, input(err)
		}
		if c != nil && c.Role == ch.Role.String() {
			return true, nil
		}
	}
	return false, nil
}
