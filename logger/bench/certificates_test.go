package bench_test

import (
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib/certificate"
	"tipoff/calib/unit"
	"tipoff/drivers/plant"
	"tipoff/logger/alarm"
	"tipoff/logger/bench"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/plan"
	"tipoff/logger/status"
)

var dayOne = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)

// glassOffset is a certificate by which the glass is some kelvins warmer than it
// is indicated.
func glassOffset(t *testing.T, date time.Time, kelvins float64) certificate.Certificate {
	t.Helper()
	c := certificate.Certificate{Channel: "glass", Role: "glass", Procedure: "ice", Date: date, Due: date.AddDate(1, 0, 0), Who: "Em",
		Room: math.NaN(), Change: math.NaN(), Drift: 1, Points: []certificate.Point{{Reference: 0, Indicated: -kelvins, U: 0.1, Note: "ice"}}}
	var err error
	if c.Fit, err = certificate.Solve(c.Points, certificate.Offset); err != nil {
		t.Fatal(err)
	}
	return c
}

func glassLag(t *testing.T, date time.Time, tau float64) certificate.Certificate {
	t.Helper()
	c := certificate.Certificate{Channel: "glass", Role: "glass", Procedure: "step", Date: date, Due: date.AddDate(1, 0, 0), Who: "Em",
		Room: math.NaN(), Change: math.NaN(), Fit: certificate.LagFit(), Trials: []certificate.Trial{{Tau: tau, U: 0.1}}}
	var err error
	if c.Lag, err = certificate.SolveLag(c.Trials); err != nil {
		t.Fatal(err)
	}
	return c
}

func keep(t *testing.T, dir string, c certificate.Certificate) {
	t.Helper()
	if _, err := certificate.Write(filepath.Join(dir, bench.CertificatesDir), c); err != nil {
		t.Fatal(err)
	}
}

func trouble(s *status.Snapshot, code, subject string) *struct{ Cause, Hint string } {
	for _, x := range s.Troubles {
		if x.Kind.Code == code && x.Subject == subject && !x.Hidden {
			return &struct{ Cause, Hint string }{x.Cause, x.Hint}
		}
	}
	return nil
}

// A certificate that another process writes counts within 2 s where no run is
// recorded, without a restart; written in a run, it counts after the run. Each
// run.toml holds what the run was measured with.
func TestCertificateComesIntoForce(t *testing.T) {
	if testing.Short() {
		t.Skip("computes two whole runs; with the race detector TestRunRecordsItself computes one")
	}
	var r *rig
	type told struct {
		channel string
		c       *certificate.Certificate
	}
	var adoptions []told
	var step, glass int
	var since time.Duration
	expect := func(s *status.Snapshot, kelvins float64, when string) {
		f := s.Frame.Readings[glass]
		if s.Phase.String() != "idle" || !f.Value.Good() || !f.Indicated.Good() {
			return // at rest, the value is the indicated one and the correction
		}
		if d := f.Value.X - f.Indicated.X; math.Abs(d-kelvins) > 3 {
			t.Errorf("%s: corrected by %.2f K, want %.1f K", when, d, kelvins)
			step = 99
		}
	}
	r = newRig(t, 1, func(o *bench.Options) {
		glass = o.Layout.Index(frame.Glass)
		o.OnCalibrated = func(channel string, c *certificate.Certificate) { adoptions = append(adoptions, told{channel, c}) }
		o.OnFrame = func(at time.Duration) {
			s := r.bench.Snapshot()
			switch step {
			case 0:
				if at > 2*time.Second && !s.Run.Active {
					expect(s, 0, "without certificate")
					keep(t, r.dir, glassOffset(t, dayOne, 10))
					keep(t, r.dir, glassLag(t, dayOne, 3.4))
					step, since = 1, at
				}
			case 1:
				if at-since > 2*time.Second {
					expect(s, 10, "2 s after the first certificate")
					if got := s.Channels[glass].TimeConstant.Seconds(); math.Abs(got-3.4) > 1e-6 {
						t.Errorf("time constant %v s, want the certificate's 3.4 s", got)
					}
					step = 2
				}
			case 2:
				if s.Run.Active && at-s.Run.Started > 30*time.Second {
					keep(t, r.dir, glassOffset(t, dayOne.Add(time.Hour), -10))
					step, since = 3, at
				}
			case 3:
				if x := trouble(s, "calibration-waiting", "certificates"); at-since > 2*time.Second && s.Run.Active && (x == nil || !strings.Contains(x.Hint, "next run")) {
					t.Errorf("nobody is told that the calibration waits: %+v", x)
					step = 99
				}
				if s.Run.Active {
					since = at
					return
				}
				if at-since > 2*time.Second {
					if s.Phase.String() == "idle" {
						expect(s, -10, "2 s after the run")
					}
					if x := trouble(s, "calibration-waiting", "certificates"); x != nil {
						t.Errorf("still said to wait: %+v", x)
					}
					step = 4
				}
			}
		}
	})
	r.until(t, 25*time.Minute, func() bool {
		r.mu.Lock() // runs are closed by a goroutine of their own
		defer r.mu.Unlock()
		return step > 4 || step == 4 && len(r.closed) >= 2
	})
	if step != 4 || len(r.closed) < 2 {
		t.Fatalf("step %d, %d runs closed", step, len(r.closed))
	}
	if len(adoptions) != 2 || adoptions[0].channel != "glass" || adoptions[1].c.Points[0].Indicated != 10 {
		t.Errorf("told of %d adoptions: %+v", len(adoptions), adoptions)
	}
	for i, want := range []struct{ has, hasNot, note string }{
		{`indicated = "-10 °C"`, `indicated = "10 °C"`, "time constant 3.40 s by the certificate"},
		{`indicated = "10 °C"`, `indicated = "-10 °C"`, "certificate of 2026-11-25 09:00"},
	} {
		m, err := journal.LoadMeta(r.closed[i])
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(m.Calibration, want.has) || strings.Contains(m.Calibration, want.hasNot) || !strings.Contains(m.Calibration, `kind = "time-constant"`) {
			t.Errorf("run %d: run.toml's certificates:\n%s", i+1, m.Calibration)
		}
		for _, c := range m.Layout.Channels {
			want := 0.0
			if c.Role == "glass" {
				want = 3.4
			}
			if math.Abs(c.TimeConstantS-want) > 1e-6 {
				t.Errorf("run %d: run.toml's time constant of %s is %v s, want %v s", i+1, c.Name, c.TimeConstantS, want)
			}
		}
		if !plan.LagCorrected(&journal.Meta{Layout: m.Layout}) { // bench.toml has a lag, too
			t.Errorf("run %d: its glass is not known to be corrected for lag", i+1)
		}
		notes, most := readBack(t, r.closed[i])
		if !strings.Contains(notes, want.note) {
			t.Errorf("run %d: notes %q, want %q", i+1, notes, want.note)
		}
		// Both are in the record, and in the ramps at 3 °C/s and 3.4 s they differ by
		// some 10 °C beside the certificate's 10 K.
		if math.Abs(most-10) < 5 && i == 0 || math.Abs(most+10) < 5 && i == 1 {
			t.Errorf("run %d: recorded glass and indicated value differ by %.1f °C at most", i+1, most)
		}
	}
}

// readBack reads a run's notes, and by how much the recorded glass is above the
// recorded indicated value at most.
func readBack(t *testing.T, dir string) (notes string, most float64) {
	t.Helper()
	r, err := journal.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var all []string
	most = math.Inf(-1)
	var rec journal.Record
	for {
		err := r.Next(&rec)
		if errors.Is(err, io.EOF) {
			return strings.Join(all, "\n"), most
		}
		if err != nil {
			t.Fatal(err)
		}
		if v := &rec.Frame.Readings[r.Layout().Index(frame.Glass)]; rec.IsFrame && v.Value.Good() && v.Indicated.Good() {
			most = max(most, v.Value.X-v.Indicated.X)
		}
		if !rec.IsFrame && rec.Event.Kind == journal.Note {
			all = append(all, rec.Event.Text)
		}
	}
}

// ventedBench runs the bench with the wide gauge led to a pressure for a while.
func ventedBench(t *testing.T, prepare func(dir string), pa func(at time.Duration) float64, run time.Duration) *status.Snapshot {
	t.Helper()
	r := newRig(t, 1, nil)
	// As the demo's gauge: 5.625 V at 1 Torr, 1 V a decade (bench.toml).
	r.wired.Gauges.Input[0] = func(at time.Duration) float64 {
		return (5.625 + math.Log10(pa(at)/unit.Torr)) / plant.Divider
	}
	prepare(r.dir)
	r.until(t, run, nil)
	return r.bench.Snapshot()
}

func atmosphere(t *testing.T, date time.Time) certificate.Certificate {
	t.Helper()
	c := certificate.Certificate{Channel: "manifold", Role: "pressure", Procedure: "atmosphere", Date: date, Due: date.AddDate(1, 0, 0), Who: "Em",
		Barometer: 100000, Room: math.NaN(), Change: math.NaN(), Drift: 0.02, Points: []certificate.Point{{Reference: 100000, Indicated: 100000, U: 120}}}
	var err error
	if c.Fit, err = certificate.Solve(c.Points, certificate.Factor); err != nil {
		t.Fatal(err)
	}
	return c
}

func alarmed(s *status.Snapshot) *status.Alarm {
	for i := range s.Alarms {
		if s.Alarms[i].Definition.ID == alarm.CalibrationDue {
			return &s.Alarms[i]
		}
	}
	return nil
}

// On a vented manifold a calibrated gauge shows the atmosphere, within the
// weather (±30 hPa) and its own uncertainty; one that does not, drifts. An
// overdue calibration and a drifting one are alarms of low priority.
func TestDriftAndDueDate(t *testing.T) {
	recent, old := dayOne.AddDate(0, 0, -1), dayOne.AddDate(-2, 0, 0)
	same := func(x float64) func(time.Duration) float64 { return func(time.Duration) float64 { return x } }
	for name, c := range map[string]struct {
		date                  time.Time
		pa                    func(time.Duration) float64
		overdue, drift, alarm bool
	}{
		"in order":          {recent, same(101500), false, false, false},
		"drifted":           {recent, same(90000), false, true, true},
		"overdue":           {old, same(100000), true, false, true},
		"not vented":        {recent, same(50000), false, false, false},
		"still coming down": {recent, func(at time.Duration) float64 { return 98000 - 120*at.Seconds() }, false, false, false},
	} {
		t.Run(name, func(t *testing.T) {
			s := ventedBench(t, func(dir string) { keep(t, dir, atmosphere(t, c.date)) }, c.pa, 90*time.Second)
			i := 0
			for k, ch := range s.Layout.Channels {
				if ch.Name == "manifold" {
					i = k
				}
			}
			st := s.Channels[i]
			if st.Overdue != c.overdue || st.Drifting != c.drift || st.Due.IsZero() {
				t.Errorf("overdue %v, drifting %v, due %v", st.Overdue, st.Drifting, st.Due)
			}
			if got := trouble(s, "calibration-overdue", "manifold") != nil; got != c.overdue {
				t.Errorf("told overdue: %v", got)
			}
			if got := trouble(s, "calibration-drifting", "manifold") != nil; got != c.drift {
				t.Errorf("told drifting: %v", got)
			}
			a := alarmed(s)
			if (a != nil) != c.alarm || a != nil && a.Definition.Priority != alarm.Low {
				t.Errorf("alarm %+v, want %v of low priority", a, c.alarm)
			}
		})
	}
}

// A certificate that says itself that the channel had moved is drift as well,
// and one that cannot be read is told of while the older one stays in force.
func TestDriftByCertificate(t *testing.T) {
	c := atmosphere(t, dayOne.AddDate(0, 0, -1))
	c.Change, c.ChangeU, c.Drifting = 2000, 300, true
	s := ventedBench(t, func(dir string) {
		keep(t, dir, c)
		name := filepath.Join(dir, bench.CertificatesDir, "manifold-20991125T140500Z-001.toml")
		if err := os.WriteFile(name, []byte("channel ="), 0o644); err != nil {
			t.Fatal(err)
		}
	}, func(time.Duration) float64 { return 100000 }, 20*time.Second)
	if x := trouble(s, "certificate-unusable", "certificates"); x == nil || !strings.Contains(x.Cause, "manifold-2099") {
		t.Errorf("the damaged file: %+v", x)
	}
	found := false
	for i, ch := range s.Layout.Channels {
		if ch.Name == "manifold" {
			st := s.Channels[i]
			found = st.Drifting && st.Change == 2000 && st.ChangeU == 300
		}
	}
	if !found || trouble(s, "calibration-drifting", "manifold") == nil || alarmed(s) == nil {
		t.Errorf("drift by the certificate: %v, alarm %v", found, alarmed(s))
	}
}
