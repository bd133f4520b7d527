package main

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/calib/certificate"
	"tipoff/logger/bench"
	procedures "tipoff/logger/calibrate"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

// The ways that TestCalibrateEmulated leaves out, each from the first question to
// the file: base pressure with the U-tube, and the time constant by steps.
func TestCalibrateBaseAndStep(t *testing.T) {
	dir := t.TempDir()
	out, err := guided(t, dir, "2 micron\n100 mm\n22 °C\nvacuum\n\n150 mm\n22 °C\nvacuum\nd\nyes\n", "fill", "--against", "base,utube",
		"--reference-instrument", "ion gauge", "--reference-serial", "12", "--reference-limit", "1 micron", "--room", "21 °C")
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	c, err := certificate.Latest(filepath.Join(dir, bench.CertificatesDir), "fill")
	if err != nil || c == nil {
		t.Fatalf("%v\n%s", err, out)
	}
	about(t, "zero", c.Fit.Zero(), rehearsedZero, 0.5)
	about(t, "span", c.Fit.Span(), 1/rehearsedSpan, 0.004)
	if c.Instrument.Serial != "12" || c.Room != 21 || c.Procedure != "base, utube" || len(c.Points) != 3 {
		t.Errorf("%+v", c)
	}
	for _, want := range []string{"10 Torr 130 mm", "the U-tube should show about 99 mm", "settled: steady", "residual"} {
		if !strings.Contains(out, want) {
			t.Errorf("the dialogue lacks %q:\n%s", want, out)
		}
	}

	out, err = guided(t, dir, "\n\nd\nyes\n", "glass", "--against", "step")
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	c, err = certificate.LatestLag(filepath.Join(dir, bench.CertificatesDir), "glass")
	if err != nil || c == nil {
		t.Fatalf("%v\n%s", err, out)
	}
	about(t, "time constant", c.Lag.Tau, rehearsedTau, 0.03*rehearsedTau)
	about(t, "time constant, within its uncertainty", c.Lag.Tau, rehearsedTau, 2*c.Lag.U)
	for i, x := range c.Trials {
		about(t, "trial "+string(rune('1'+i)), x.Tau, rehearsedTau, 0.03*rehearsedTau)
	}
	for _, want := range []string{"ready: at rest at", "make the step now", "the step is under way", "trial 3 taken", "goes before", "certificate: "} {
		if want == "goes before" {
			want = "go before the lag of 3.00 s in bench.toml"
		}
		if !strings.Contains(out, want) {
			t.Errorf("the dialogue lacks %q:\n%s", want, out)
		}
	}
}

// recordArc writes a run in which an arc heats glass at 4 °C/s, less and less, for
// 40 s, and a junction follows it with a time constant: the closed form, in steps
// of a hundredth of a second.
func recordArc(t *testing.T, dir string, tau float64) {
	t.Helper()
	l := frame.NewLayout(100*time.Millisecond, []frame.Channel{{Name: "glass", Role: frame.Glass}, {Name: "bombarder", Role: frame.Current}})
	w, err := journal.Create(dir, journal.Meta{ID: filepath.Base(dir), BenchName: "bench-1", BootID: "b",
		Started: journal.At(0, time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), true)}, l, journal.Options{Patient: true})
	if err != nil {
		t.Fatal(err)
	}
	wall, junction, since := 60.0, 60.0, 0.0
	var f frame.Frame
	for i := range 1100 {
		on := i >= 300 && i < 700
		if i == 300 || i == 700 {
			since = 0
		}
		for range 10 {
			rate := -(wall - 22) / 120
			if on {
				rate = 4 * (1 - since/60)
			}
			since += 0.01
			next := wall + 0.01*rate
			junction = next - rate*tau + (junction-wall+rate*tau)*math.Exp(-0.01/tau)
			wall = next
		}
		f.Seq++
		f.At += 100 * time.Millisecond
		amps := calib.Value{U: 0.001}
		if on {
			amps.X = 0.3
		}
		v := calib.Value{X: junction, U: 0.2}
		f.Readings[0] = frame.Reading{Value: v, Indicated: v, Raw: 1, Aux: math.NaN(), Samples: 1}
		f.Readings[1] = frame.Reading{Value: amps, Indicated: amps, Raw: 1, Aux: math.NaN(), Samples: 1}
		w.Append(&f, phase.Bombard)
	}
	if err := w.Seal(func(m *journal.Meta) { m.Outcome = journal.Completed }); err != nil {
		t.Fatal(err)
	}
}

// The time constant from a recorded run, asked for in the dialogue and by the
// flag; no run, and one that tells nothing, are refused.
func TestCalibrateFromRun(t *testing.T) {
	dir := t.TempDir()
	const tau = 2.8
	recordArc(t, filepath.Join(dir, bench.RunsDir, "2026-11-25-001"), tau)
	for name, args := range map[string][]string{"asked": {"glass", "--against", "run"}, "flag": {"glass", "--lag-from", "last"}} {
		answers := "yes\n"
		if name == "asked" {
			answers = "nowhere\nlast\nd\nyes\n"
		}
		out, err := guided(t, dir, answers, args...)
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
		c, err := certificate.LatestLag(filepath.Join(dir, bench.CertificatesDir), "glass")
		if err != nil || c == nil || c.Procedure != "run" {
			t.Fatalf("%s: %+v %v\n%s", name, c, err, out)
		}
		about(t, name, c.Lag.Tau, tau, 2*c.Lag.U)
		for _, want := range []string{"arc struck", "arc put out", "trial 1 taken"} {
			if !strings.Contains(out, want) {
				t.Errorf("%s: the dialogue lacks %q:\n%s", name, want, out)
			}
		}
		if name == "asked" && !strings.Contains(out, "not taken: ") {
			t.Errorf("a run that is not there was not refused:\n%s", out)
		}
	}
	if out, err := guided(t, dir, "", "glass", "--lag-from", "2020"); err == nil {
		t.Errorf("accepted:\n%s", out)
	}
	// A store that is not there is refused, and not made.
	typo := filepath.Join(dir, "typo")
	if out, err := guided(t, typo, "", "glass", "--lag-from", "last"); err == nil || !strings.Contains(err.Error(), "say where with --store") {
		t.Errorf("a store that is not there: %v\n%s", err, out)
	}
	if _, err := os.Stat(typo); !os.IsNotExist(err) {
		t.Errorf("the store that is not there was made: %v", err)
	}
}

// No certificate is ever overwritten: not one of the same second, not a file that
// somebody put there, not a picture.
func TestCertificatesAreNeverOverwritten(t *testing.T) {
	dir := filepath.Join(t.TempDir(), bench.CertificatesDir)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 11, 25, 14, 5, 0, 0, time.UTC)
	c := certificate.Certificate{Channel: "glass", Role: "glass", Procedure: "ice", Date: now, Due: now.AddDate(1, 0, 0), Who: "Em",
		Room: math.NaN(), Change: math.NaN(), Drift: 1, Points: []certificate.Point{{Reference: 0, Indicated: 0.5, U: 0.1, Note: "ice"}}}
	var err error
	if c.Fit, err = certificate.Solve(c.Points, certificate.Offset); err != nil {
		t.Fatal(err)
	}
	mine := map[string]string{"glass-20261125T140500Z-001.toml": "somebody's", "glass-20261125T140500Z-003.svg": "somebody's picture"}
	for name, text := range mine {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	first, err := procedures.Keep(dir, c, []byte("<svg/>"))
	if err != nil || filepath.Base(first) != "glass-20261125T140500Z-002.toml" {
		t.Fatalf("%s, %v", first, err)
	}
	before, err := os.ReadFile(first)
	if err != nil {
		t.Fatal(err)
	}
	second, err := procedures.Keep(dir, c, []byte("<svg/>"))
	if filepath.Base(second) != "glass-20261125T140500Z-003.toml" || err == nil || !strings.Contains(err.Error(), "but not its picture") {
		t.Errorf("beside somebody's picture: %s, %v", second, err)
	}
	for name, text := range mine {
		if got, err := os.ReadFile(filepath.Join(dir, name)); err != nil || string(got) != text {
			t.Errorf("%s was overwritten: %q, %v", name, got, err)
		}
	}
	if after, err := os.ReadFile(first); err != nil || string(after) != string(before) {
		t.Errorf("the first was overwritten: %v", err)
	}
	if st, err := os.Stat(first); err != nil || st.Mode().Perm()&0o222 != 0 {
		t.Errorf("the file can be written to: %v %v", st.Mode(), err)
	}
}
