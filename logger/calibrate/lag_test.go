package calibrate

import (
	"bytes"
	"math"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/calib/certificate"
	"tipoff/logger/chart"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

const tau = 2.8 // s, of the junction in these tests

// hot is a junction at rest at 22 °C that is put on glass of the temperature to
// after 20 s: the closed form of one time constant, with noise of 0.1 °C.
func hot(to, tau float64) func(t float64) float64 {
	r := rand.New(rand.NewPCG(1, 2))
	return func(t float64) float64 {
		x := 22.0
		if t > 20 {
			x = to + (22-to)*math.Exp(-(t-20)/tau)
		}
		return x + 0.1*r.NormFloat64()
	}
}

// The guided step: at rest, then told to make the step, then settled with the
// time constant; the indicated value counts, not the corrected one.
func TestStepFindsTimeConstant(t *testing.T) {
	s := begin(t, Options{Room: 21}, "step")
	read := hot(90, tau)
	var at time.Duration
	ready, settled := -1.0, -1.0
	for x := 0.0; x < 60 && settled < 0; x += 0.1 {
		at += 100 * time.Millisecond
		now := read(x)
		s.Step(at, &frame.Reading{Value: calib.Value{X: 500}, Indicated: calib.Value{X: now}, Raw: 128 * now, Samples: 3}, at)
		st := s.State()
		if st.Ready && ready < 0 {
			ready = x
			if !strings.Contains(st.String(), "ready: at rest at 22.0 °C; make the step now") {
				t.Errorf("ready: %s", st)
			}
		}
		if x > 10 && x < 20 && s.Take(nil) == nil {
			t.Fatal("taken before the step")
		}
		if st.Settled {
			settled = x
		}
	}
	// 10 s of rest; the end moves by less than 1 % of 68 K in 6 s from 20 s + 2.8 s ×
	// ln(68·(e^(6/2.8)-1)/0.68)) on (closed form), 38 s; it must stay so for 4 s.
	if ready < 8.5 || ready > 12 || settled < 30 || settled > 48 {
		t.Errorf("ready after %.1f s, settled after %.1f s", ready, settled)
	}
	if err := s.Take(map[string]string{"note": "new tie"}); err != nil {
		t.Fatal(err)
	}
	c, err := s.Result(day)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(c.Lag.Tau-tau) > 2*c.Lag.U || c.Lag.U > 0.1 || !c.IsLag() || c.Procedure != "step" || !strings.Contains(c.Trials[0].Note, "new tie") {
		t.Errorf("%+v; want %v s", c, tau)
	}
	table := Table(&c)
	for _, want := range []string{"time constant: 2.", "step of +6", "first certificate", "one trial does not tell"} {
		if !strings.Contains(table, want) {
			t.Errorf("the table lacks %q:\n%s", want, table)
		}
	}
	before := c
	before.Date = day.AddDate(-1, 0, 0)
	s.opt.PreviousLag = &before
	var svg, png bytes.Buffer
	if err := s.Picture(&svg, chart.SVG, &c); err != nil || !strings.Contains(svg.String(), "junction, °C") || !strings.Contains(svg.String(), "before, 2025-11-25") {
		t.Errorf("picture: %v", err)
	}
	if err := Picture(&png, chart.PNG, &c, nil); err != nil || !strings.HasPrefix(png.String(), "\x89PNG") {
		t.Errorf("picture without the step: %v", err)
	}
	if err := s.Use("ice"); err == nil || !strings.Contains(err.Error(), "two certificates") {
		t.Errorf("points beside a trial: %v", err)
	}
	// The step in the picture keeps its own time constant beside a run's, and goes with
	// its own trial only.
	if err := s.Use("run"); err != nil {
		t.Fatal(err)
	}
	if err := s.AddTrial(certificate.Trial{Tau: 3.3, U: 0.1, Note: "run 7"}); err != nil {
		t.Fatal(err)
	}
	if c, err = s.Result(day); err != nil {
		t.Fatal(err)
	}
	svg.Reset()
	if err := s.Picture(&svg, chart.SVG, &c); err != nil || strings.Contains(svg.String(), "exponential, 3.30 s") || !strings.Contains(svg.String(), "exponential, 2.") {
		t.Errorf("picture of a step and a run: %v", err)
	}
	if !s.Undo() || s.curve == nil {
		t.Error("the step's curve went with the run's trial")
	}
	if !s.Undo() || s.Taken() != 0 || s.curve != nil || s.Undo() {
		t.Error("undo")
	}
	if _, err := s.Result(day); err == nil || !strings.Contains(err.Error(), "too few") {
		t.Errorf("no trials: %v", err)
	}
}

// What makes no time constant is refused with the reason and what to do.
func TestStepRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		read func(t float64) float64
		want string
	}{
		"small": {hot(28, tau), "the step was only"},
		"no wire": {func(t float64) float64 {
			return map[bool]float64{true: math.NaN(), false: hot(90, tau)(t)}[t > 21 && t < 22]
		}, "the reading was lost"},
		"cools":    {func(t float64) float64 { return hot(90, tau)(t) - max(0, t-24)*0.4 }, "did not come to rest"},
		"two taus": {func(t float64) float64 { return (hot(90, 1)(t) + hot(90, 12)(t)) / 2 }, "does not follow one time constant"},
	} {
		s := begin(t, Options{Room: 21}, "step")
		var at time.Duration
		found := ""
		for x := 0.0; x < 140; x += 0.1 {
			at += 100 * time.Millisecond
			v := calib.Value{X: c.read(x)}
			if math.IsNaN(v.X) {
				v.Q = calib.SensorFault
			}
			s.Step(at, &frame.Reading{Value: v, Indicated: v, Raw: 128 * v.X, Samples: 3}, at)
			if x > 10 && int(x*10)%10 == 0 {
				if st := s.State(); st.Settled {
					found = "settled: " + st.Why
					break
				} else if strings.Contains(st.Why, c.want) {
					found = st.Why
				}
			}
		}
		if !strings.Contains(found, c.want) || !strings.Contains(found, "let it rest") {
			t.Errorf("%s: %q; want %q and what to do", name, found, c.want)
		}
	}
}

func TestStepWatchAllocatesNothing(t *testing.T) {
	s := begin(t, Options{Room: math.NaN()}, "step")
	at := time.Duration(0)
	r := &frame.Reading{Indicated: calib.Value{X: 22}, Raw: 22, Samples: 1}
	if n := testing.AllocsPerRun(3000, func() { at += 100 * time.Millisecond; s.Step(at, r, at) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// recorded writes a run with an arc of 40 s at 4 °C/s less and less, on glass
// that cools before and after it, followed by a junction of the given time
// constant: exact steps of its closed form.
func recorded(t *testing.T, dir string, tau float64, amps float64) {
	t.Helper()
	l := frame.NewLayout(100*time.Millisecond, []frame.Channel{{Name: "glass", Role: frame.Glass}, {Name: "bombarder", Role: frame.Current}})
	w, err := journal.Create(dir, journal.Meta{ID: filepath.Base(dir), BenchName: "bench-1", BootID: "b",
		Started: journal.At(0, day, true)}, l, journal.Options{Patient: true})
	if err != nil {
		t.Fatal(err)
	}
	wall, junction := 60.0, 60.0
	var f frame.Frame
	since := 0.0
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
			// The wall is straight over a hundredth of a second.
			e := math.Exp(-0.01 / tau)
			junction = next - rate*tau + (junction-wall+rate*tau)*e
			wall = next
		}
		f.Seq++
		f.At += 100 * time.Millisecond
		v := calib.Value{X: junction, U: 0.2}
		c := calib.Value{X: 0, U: 0.001}
		if on {
			c.X = amps
		}
		f.Readings[0] = frame.Reading{Value: calib.Value{X: wall, U: 1}, Indicated: v, Raw: 1, Aux: math.NaN(), Samples: 1}
		f.Readings[1] = frame.Reading{Value: c, Indicated: c, Raw: 1, Aux: math.NaN(), Samples: 1}
		w.Append(&f, phase.Bombard)
	}
	if err := w.Seal(func(m *journal.Meta) { m.Outcome = journal.Completed }); err != nil {
		t.Fatal(err)
	}
}

// The record of a run gives the time constant that it was made with; on the page
// the same as from the terminal.
func TestRunFindsTimeConstant(t *testing.T) {
	runs := t.TempDir()
	dir := filepath.Join(runs, "2026-11-25-001")
	recorded(t, dir, tau, 0.3)
	trial, each, err := TrialFromRun(dir, "glass")
	if err != nil || len(each) != 2 || math.Abs(trial.Tau-tau) > 2*trial.U || trial.U > 0.2 {
		t.Fatalf("%+v from %+v (%v); want %v s", trial, each, err, tau)
	}
	if _, _, err := TrialFromRun(dir, "shell"); err == nil || !strings.Contains(err.Error(), "allowed: glass") {
		t.Errorf("another channel: %v", err)
	}
	dark := filepath.Join(runs, "2026-11-25-002")
	recorded(t, dark, tau, 0)
	if _, _, err := TrialFromRun(dark, "glass"); err == nil || !strings.Contains(err.Error(), "never switched") {
		t.Errorf("a run without arc: %v", err)
	}

	b := newBrowser(t)
	b.desk.runs = func(name string) (string, error) {
		if name == "last" {
			return dir, nil
		}
		return "", os.ErrNotExist
	}
	if _, body := b.get("/calibrate/glass/"); !strings.Contains(body, "Time constant from a recorded run") {
		t.Errorf("not offered:\n%s", body)
	}
	if code, body := b.post("/calibrate/glass/start", url.Values{"procedure": {"run"}, "who": {"Em"}}); code != 303 {
		t.Fatalf("start: %d\n%s", code, body)
	}
	for form, want := range map[string]string{"": "found nothing", "nowhere": "not exist"} {
		if code, body := b.post("/calibrate/glass/take", url.Values{"run": {form}}); code != 422 || !strings.Contains(body, want) {
			t.Errorf("run %q: %d\n%s", form, code, body)
		}
	}
	if code, body := b.post("/calibrate/glass/take", url.Values{"run": {"last"}}); code != 303 {
		t.Fatalf("take: %d\n%s", code, body)
	}
	if code, body := b.post("/calibrate/glass/take", url.Values{"run": {"last"}}); code != 422 || !strings.Contains(body, "taken already") {
		t.Errorf("the same run again: %d\n%s", code, body)
	}
	if _, body := b.get("/calibrate/glass/"); !strings.Contains(body, "time constant: 2.") || strings.Contains(body, "<iframe") {
		t.Errorf("result:\n%s", body)
	}
	if code, body := b.get("/calibrate/glass/picture.svg"); code != 200 || !strings.Contains(body, "<svg") {
		t.Errorf("picture: %d", code)
	}
	if code, body := b.post("/calibrate/glass/keep", url.Values{"points": {"1"}}); code != 303 {
		t.Fatalf("keep: %d\n%s", code, body)
	}
	c, err := certificate.LatestLag(b.dir, "glass")
	if err != nil || c == nil || c.Procedure != "run" || c.Lag.Tau != trial.Tau {
		t.Errorf("kept %+v, %v", c, err)
	}
	if pictures, _ := filepath.Glob(filepath.Join(b.dir, "*.svg")); len(pictures) != 1 {
		t.Errorf("pictures beside the certificate: %v", pictures)
	}
	if _, body := b.get("/calibrate/"); !strings.Contains(body, "2.68 s") || !strings.Contains(body, "Time constant") {
		t.Errorf("list:\n%s", body)
	}
}

// The certificate in force changes under an open session: what was read by the
// one before does not mix with what is read by the new one.
func TestAppliedChanges(t *testing.T) {
	b := newBrowser(t)
	b.post("/calibrate/glass/start", url.Values{"procedure": {"ice"}, "who": {"Em"}})
	b.feed(0.6)
	c := certificate.Certificate{Points: []certificate.Point{{Reference: 0, Indicated: 0.5, U: 0.1}}}
	var err error
	if c.Fit, err = certificate.Solve(c.Points, certificate.Offset); err != nil {
		t.Fatal(err)
	}
	b.desk.Applied("glass", &c)
	if code, _ := b.post("/calibrate/glass/take", nil); code != 422 {
		t.Error("a point of readings from before")
	}
	b.feed(0.1) // 0.6 less the certificate's 0.5
	if code, body := b.post("/calibrate/glass/take", nil); code != 303 {
		t.Fatalf("take: %d\n%s", code, body)
	}
	_ = b.desk.with(0, func(s *Session) error {
		if got := s.Points()[0].Indicated; math.Abs(got-0.6) > 1e-9 {
			t.Errorf("indicated %v, want 0.6: the certificate undone", got)
		}
		return nil
	})
	b.desk.Applied("lamp", &c) // has no procedure, is no channel of the desk
}
