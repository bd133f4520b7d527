package metrics

import (
	"math"
	"os"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"tipoff/logger/alarm"
	"tipoff/logger/learn"
	"tipoff/logger/model"
)

// The bench's own constants come with value and standard uncertainty in SI units, by the file
// that an earlier tipoff wrote; names pass Prometheus's lint; what no run tells of is not there.
func TestLearned(t *testing.T) {
	const file = "../learn/testdata/0004.toml"
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	known, err := learn.Parse(file, text)
	if err != nil {
		t.Fatal(err)
	}
	c := NewCollector(fake{s: snapshot()}, alarm.BenchAlarms(), func() *learn.Constants { return known })
	problems, err := testutil.CollectAndLint(c)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	want := `
# HELP tipoff_learned_version Version in force of what the bench has learned; absent if it has learned nothing.
# TYPE tipoff_learned_version gauge
tipoff_learned_version 4
# HELP tipoff_learned_runs Runs that version is learned from.
# TYPE tipoff_learned_runs gauge
tipoff_learned_runs 6
`
	if err := testutil.CollectAndCompare(c, strings.NewReader(want), "tipoff_learned_version", "tipoff_learned_runs"); err != nil {
		t.Error(err)
	}
	lag := &known.Values[model.Lag]
	if n := testutil.CollectAndCount(c, "tipoff_learned_lag_seconds", "tipoff_learned_lag_uncertainty_seconds"); n != 2 || math.Abs(lag.Doubt()-lag.U*lag.X) > 1e-12 {
		t.Errorf("%d metrics of the lag, uncertainty %g s", n, lag.Doubt())
	}
	if n := testutil.CollectAndCount(c, "tipoff_learned_shell_warmup_ratio"); n != 0 || known.Values[model.ShellWarmup].Runs != 0 {
		t.Errorf("%d metrics of a constant that no run tells of", n)
	}
	known = nil
	if n := testutil.CollectAndCount(c, "tipoff_learned_version", "tipoff_learned_lag_seconds"); n != 0 {
		t.Errorf("%d metrics where nothing was learned", n)
	}
}
