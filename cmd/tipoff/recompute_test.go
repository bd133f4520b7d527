package main

import (
	"bytes"
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/logger/bench"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
	recomp "tipoff/logger/recompute"
)

const gaugeBench = `[bench]
name = "bench-1"
mains = "50 Hz"
manifold_volume = "0.5 L"
[store]
directory = "/var/lib/tipoff"
[[channel]]
name = "manifold"
role = "pressure"
driver = "ads1115"
bus = "/dev/i2c-1"
input = "ain0"
range = "4.096 V"
[channel.calibration]
kind = "log-linear"
volts_at = "5.625 V"
pressure_at = "1 Torr"
slope = "1 V/decade"
divider = "3:1"
accuracy = "15 %"
`

const gaugeFile = `[[channel]]
name = "manifold"
[channel.calibration]
kind = "log-linear"
volts_at = "5.625 V"
pressure_at = "1 Torr"
slope = "1 V/decade"
divider = "4:1"
accuracy = "15 %"
`

// recordGauge records a run of n frames at code 12000 of an ADS1115 at
// ±4.096 V: 1.5 V, or 4.5 V at the gauge by a divider of 3:1.
func recordGauge(t *testing.T, dir, text string, n int) {
	t.Helper()
	l := frame.NewLayout(100*time.Millisecond, []frame.Channel{{Name: "manifold", Role: frame.Pressure, Driver: "ads1115", Input: "ain0", Integer: true}})
	w, err := journal.Create(dir, journal.Meta{ID: filepath.Base(dir), BenchName: "bench-1", Bench: text,
		Started: journal.At(0, time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), true)}, l, journal.Options{Patient: true})
	if err != nil {
		t.Fatal(err)
	}
	// TPR 271 output, 5.625 V at 1 Torr and 1 V/decade (physics.md §4.2).
	p := 101325.0 / 760 * math.Pow(10, 4.5-5.625)
	v := calib.Value{X: p, U: 0.15 * p / math.Sqrt(3)}
	var f frame.Frame
	for range n {
		f.Seq++
		f.At += 100 * time.Millisecond
		f.Readings[0] = frame.Reading{Value: v, Indicated: v, Raw: 12000, Aux: math.NaN(), Samples: 1}
		w.Append(&f, phase.PumpOut)
	}
	if err := w.Seal(func(m *journal.Meta) { m.Outcome = journal.Completed }); err != nil {
		t.Fatal(err)
	}
}

func callRecompute(ctx context.Context, args ...string) (out, errOut string, err error) {
	var o, e bytes.Buffer
	err = recompute(ctx, &env{out: &o, err: &e, verb: &verb{name: "recompute", args: "RUN…"}}, args)
	return o.String(), e.String(), err
}

func TestRecomputeVerb(t *testing.T) {
	store := t.TempDir()
	runs := filepath.Join(store, bench.RunsDir)
	file := filepath.Join(t.TempDir(), "gauge.toml")
	write := func(text string) {
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, id := range []string{"2026-11-25-001", "2026-11-25-002", "2026-11-25-003"} {
		recordGauge(t, filepath.Join(runs, id), gaugeBench, 200)
	}
	recordGauge(t, filepath.Join(runs, "2026-11-25-004"), "", 200) // as of an imported trace
	args := func(more ...string) []string {
		return append([]string{"--store", store, "--calibration", file}, more...)
	}

	write(strings.Replace(gaugeFile, `"1 Torr"`, `"1 kg"`, 1))
	for _, more := range [][]string{{"last"}, {"2026-11-25-001"}, {"--all"}} {
		_, _, err := callRecompute(t.Context(), args(more...)...)
		var wrong inputError
		if more[0] == "last" {
			continue // it holds nothing to recompute, whatever the file says
		}
		if !errors.As(err, &wrong) || strings.Count(err.Error(), file+":6:") != 1 || !strings.Contains(err.Error(), "pressure_at") {
			t.Errorf("%v: error %v, want one input error with file and line 6", more, err)
		}
	}

	// At 4:1 the gauge gave 6 V, 10^0.375 Torr, which is 10^1.5 times what was
	// recorded: +3062 %.
	write(gaugeFile)
	out, _, err := callRecompute(t.Context(), args("2026-11-25-002")...)
	if err != nil || !strings.Contains(out, "mean +3.06e+03 %") || !strings.Contains(out, "verdict") {
		t.Errorf("%v\n%s", err, out)
	}
	out, _, err = callRecompute(t.Context(), args("2026-11-25-002")...)
	if err != nil || !strings.Contains(out, "before") {
		t.Errorf("done again: %v\n%s", err, out)
	}

	// Stopped before it begins, --all does nothing; then it does the rest, and
	// at last nothing.
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if out, _, err = callRecompute(ctx, args("--all")...); !errors.Is(err, errStopped) {
		t.Errorf("stopped: %v\n%s", err, out)
	}
	out, bar, err := callRecompute(t.Context(), args("--all")...)
	if err != nil || !strings.Contains(out, "2 runs recomputed, 2 of them changed; 1 had been before; 1 hold no raw numbers; 0 could not be") {
		t.Errorf("%v\n%s", err, out)
	}
	if !strings.Contains(bar, "4 of 4 runs") {
		t.Errorf("progress %q", bar)
	}
	out, _, err = callRecompute(t.Context(), args("--all")...)
	if err != nil || !strings.Contains(out, "0 runs recomputed, 0 of them changed; 3 had been before") {
		t.Errorf("%v\n%s", err, out)
	}
	for _, id := range []string{"2026-11-25-001", "2026-11-25-002", "2026-11-25-003", "2026-11-25-004"} {
		if err := journal.Verify(filepath.Join(runs, id)); err != nil {
			t.Error(err)
		}
	}

	for _, wrong := range [][]string{{}, {"--all", "2026-11-25-001"}, {"no-such-run"}} {
		_, _, err := callRecompute(t.Context(), append([]string{"--store", store}, wrong...)...)
		var e inputError
		if !errors.As(err, &e) {
			t.Errorf("%v: error %v, want an input error", wrong, err)
		}
	}
}

// What a recomputation tells names the constants that both verdicts rest on.
func TestResultNamesConstants(t *testing.T) {
	for want, r := range map[string]recomp.Result{
		"with version 3 of the bench's own constants": {Constants: 3},
		"Version 3 is not there":                      {ConstantsRemark: "Version 3 is not there"},
	} {
		var b bytes.Buffer
		tellResult(&b, &r)
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in\n%s", want, b.String())
		}
	}
	var b bytes.Buffer
	if tellResult(&b, &recomp.Result{}); strings.Contains(b.String(), "constants") {
		t.Errorf("none were used, but:\n%s", b.String())
	}
}
