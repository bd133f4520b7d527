package main

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"

	"tipoff/logger/config"
	"tipoff/logger/forward"
)

// openForward makes the sender of runs to the store that bench.toml names.
func openForward(cfg *config.Forward, d *station) (*forward.Forwarder, error) {
	header := map[string]string{}
	if cfg.TokenFile != "" {
		token, err := os.ReadFile(cfg.TokenFile)
		if err != nil {
			return nil, fmt.Errorf("forward.token_file: %w", err)
		}
		header[http.CanonicalHeaderKey("authorization")] = "Token " + strings.TrimSpace(string(token))
	}
	reg, kinds := d.bench.Health()
	return forward.New(forward.Options{
		URL: cfg.URL, Header: header, Archive: d.bench.Archive(),
		State: filepath.Join(d.cfg.Store.Directory, "forward.state"), Clock: d.clock,
		OnTrouble: func(err error) {
			if err == nil {
				reg.Clear(kinds.ForwardFailing, cfg.URL, d.clock.Now())
				return
			}
			reg.Set(kinds.ForwardFailing, cfg.URL, "", err.Error(),
				"runs are kept here and sent later; check the store and the network", d.clock.Now())
		},
		OnRefused: func(run string, blocks int, err error) {
			d.log.Warn("the remote store refuses lines; they are kept here", "run", run, "blocks", blocks, "error", err)
		},
	})
}
