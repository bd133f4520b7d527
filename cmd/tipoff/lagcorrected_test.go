package main

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib/certificate"
	"tipoff/drivers/registry"
	"tipoff/logger/bench"
	"tipoff/logger/config"
)

// Lag is corrected by bench.toml or by a certificate of the glass channel's time
// constant; a damaged one is told of.
func TestLagCorrected(t *testing.T) {
	with, err := os.ReadFile(petrel + "bench.toml")
	if err != nil {
		t.Fatal(err)
	}
	without := []byte(strings.Replace(string(with), "lag = \"3 s\"", "", 1))
	if len(with) == len(without) {
		t.Fatal("bench.toml has no lag of 3 s to take out")
	}
	dir := t.TempDir()
	certificates := filepath.Join(dir, bench.CertificatesDir)
	expect := func(what string, text []byte, want bool) {
		t.Helper()
		cfg, err := config.Parse("bench.toml", text, registry.All())
		if err != nil {
			t.Fatal(err)
		}
		if got, err := lagCorrected(cfg, text, dir); err != nil || got != want {
			t.Errorf("%s: %v, %v, want %v", what, got, err, want)
		}
	}
	expect("bench.toml with lag", with, true)
	expect("bench.toml without", without, false)
	c := certificate.Certificate{Channel: "glass", Role: "glass", Procedure: "step", Date: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), Who: "Em",
		Room: math.NaN(), Change: math.NaN(), Fit: certificate.LagFit(), Trials: []certificate.Trial{{Tau: 2.5, U: 0.1}}}
	c.Due = c.Date.AddDate(1, 0, 0)
	if c.Lag, err = certificate.SolveLag(c.Trials); err != nil {
		t.Fatal(err)
	}
	name, err := certificate.Write(certificates, c)
	if err != nil {
		t.Fatal(err)
	}
	expect("bench.toml without, a certificate", without, true)

	file := filepath.Join(dir, "bench.toml")
	if err := os.WriteFile(file, without, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(certificates, filepath.Base(name)), []byte("damaged"), 0o644); err != nil {
		t.Fatal(err)
	}
	_, errs := tipoff(t, exitInput, "rehearse", petrel+"PP-01.toml", "--bench", file, "--store", dir, "--picture", filepath.Join(dir, "r.svg"))
	if !strings.Contains(errs, filepath.Base(name)) {
		t.Errorf("a damaged certificate is not named: %q", errs)
	}
}
