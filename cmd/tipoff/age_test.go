package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tipoff/logger/ageing"
	"tipoff/logger/bench"
)

// The verb writes what the daemon follows, refuses what the daemon would refuse, and
// ends it.
func TestAgeVerb(t *testing.T) {
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, bench.RunsDir), 0o755); err != nil {
		t.Fatal(err)
	}
	out, _ := tipoff(t, exitOK, "age", "--store", dir)
	if !strings.Contains(out, "no ageing run goes on") {
		t.Error(out)
	}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"nothing"}, `found "nothing"`},
		{[]string{petrel + "PP-03.toml", "--current", "50"}, "flag --current"},
		{[]string{petrel + "PP-03.toml", "--current", "9 A"}, `"1 mA" to "500 mA"`},
		{[]string{petrel + "PP-03.toml", "--every", "2h"}, "every"},
		{[]string{petrel + "PP-03.toml", "--hours", "1000"}, "hours"},
		{[]string{petrel + "PP-03.toml", "--end"}, "allowed: one of them"},
		{[]string{"--end"}, "no ageing run goes on"},
	} {
		_, errs := tipoff(t, exitInput, append([]string{"age", "--store", dir}, c.args...)...)
		if !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 {
			t.Errorf("%q: said %q, want one line with %q", c.args, errs, c.says)
		}
	}
	tipoff(t, exitOK, "age", petrel+"PP-03.toml", "--current", "50 mA", "--every", "10s", "--hours", "8", "--store", dir)
	r, err := ageing.Wanted(dir)
	if err != nil || r.Tube != "PP-03" || r.Current != 0.05 || r.Every.Seconds() != 10 || r.Hours != 8 {
		t.Errorf("%+v, %v", r, err)
	}
	if out, _ := tipoff(t, exitOK, "age", "--store", dir); !strings.Contains(out, "wanted: tube PP-03") || !strings.Contains(out, "is the daemon") {
		t.Error(out)
	}
	tipoff(t, exitInput, "age", petrel+"PP-02.toml", "--store", dir) // one goes on
	tipoff(t, exitOK, "age", "--end", "--store", dir)
	if _, err := os.Stat(filepath.Join(dir, ageing.RequestFile)); !os.IsNotExist(err) {
		t.Error("the request is still there")
	}
}
