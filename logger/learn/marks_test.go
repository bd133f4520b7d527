package learn

import (
	"math"
	"strings"
	"testing"
	"time"

	"tipoff/logger/envelope"
	"tipoff/logger/model"
	"tipoff/logger/observation"
)

// Without any sensor on a shell, the moments at which somebody pressed the button because the
// shells began to glow teach how fast they warm up: better than the handbook, within the
// uncertainty of what the same bench teaches with a sensor on a shell, and the envelope
// goes by it. The plant's shells lose heat through their leads, which the model
// counts as heat to warm up.
func TestGlowTeachesTheWarmup(t *testing.T) {
	if testing.Short() {
		t.Skip("the way is the same as with a sensor")
	}
	s := openShop(9501)
	s.marks, s.until = true, "final-pump"
	seen := s.processAll(4, nil)
	c := Combine(taughtBy(seen), model.Bench{})
	s.marks, s.shells = false, true
	sensed := Combine(taughtBy(s.processAll(4, nil)), model.Bench{})
	v, w := &c.Values[model.ShellWarmup], &sensed.Values[model.ShellWarmup]
	t.Logf("warm-up by eye %s, by a sensor %s", v.Words(), w.Words())
	if v.Runs != 4 || !v.Beats || !(v.U > w.U) || math.Abs(math.Log(v.X/w.X)) > 2*math.Hypot(v.U, w.U) {
		t.Errorf("by eye %s (%s), by a sensor %s", v.Words(), v.Because(), w.Words())
	}
	b := c.For(envelope.Bench{})
	if in, _ := c.Use(model.ShellWarmup); in != InLimits || b.Warmup.X != v.X || b.Warmup.Runs != 4 {
		t.Errorf("used for %q: %+v", in, b.Warmup)
	}
	// Shells begin to glow once: who presses again half a minute later says nothing new.
	first := seen[0].record
	once := Of(&first)
	first.Marks.Glow = append(first.Marks.Glow, first.Marks.Glow[0]+30*time.Second)
	if twice := Of(&first); len(first.Marks.Glow) != 2 || twice.Fit == nil || twice.Fit.Theta != once.Fit.Theta || twice.Fit.Cov != once.Fit.Cov {
		t.Errorf("pressed twice the warm-up is %.3f, once %.3f", twice.Fit.Value(model.ShellWarmup), once.Fit.Value(model.ShellWarmup))
	}
	// A mark that is no shell's: with the arc off it says nothing.
	r := seen[0].record
	r.Marks = Marks{Glow: []time.Duration{r.Phases[0].From + time.Second}}
	if x := Of(&r); x.Fit == nil || math.Abs(x.Fit.Spread(model.ShellWarmup)-model.ShellWarmup.Info().Spread) > 1e-6 {
		t.Error("a mark in the dark teaches something")
	}
	// That a good run's shells were bright at the end says something, though little.
	r.Marks = Marks{Good: true}
	if x := Of(&r); x.Fit == nil || x.Fit.Theta[model.ShellWarmup] > 1e-6 || x.Fit.Spread(model.ShellWarmup) > model.ShellWarmup.Info().Spread+1e-9 {
		t.Errorf("a good run: warm-up %+v", x.Fit)
	}
}

// Marks are read from the run's folder, on the clock of its frames; what was taken back does
// not count; and what a run taught before it was marked is drawn from it anew.
func TestMarks(t *testing.T) {
	_, store, runs := openStore(t, 1)
	dir := store + "/runs/" + runs[0].record.Run
	if _, fresh, err := OfRun(dir, false); err != nil || !fresh {
		t.Fatalf("fresh %v, %v", fresh, err)
	}
	if _, fresh, err := OfRun(dir, false); err != nil || fresh {
		t.Fatalf("read again: %v, %v", fresh, err)
	}
	for _, o := range []observation.Observation{
		{Kind: observation.Glow, At: noon, Into: 320}, {Kind: observation.Glow, At: noon, Into: 400}, {Kind: observation.Good, At: noon},
	} {
		if err := observation.Add(dir, o); err != nil {
			t.Fatal(err)
		}
	}
	if err := observation.Withdraw(dir, 1, noon); err != nil {
		t.Fatal(err)
	}
	m, err := MarksIn(dir)
	if err != nil || !m.Good || len(m.Glow) != 1 || m.Glow[0] != 400*time.Second { // these runs' clock began with them
		t.Errorf("%+v, %v", m, err)
	}
	if x, fresh, err := OfRun(dir, false); err != nil || !fresh || x.Glows != 1 {
		t.Errorf("after the marks: fresh %v, %+v, %v", fresh, x, err)
	}
}

// By hand: 150 W/m at 0.3 A in a field of 11 V/cm × (12.8/13)^-0.2 (envelope/tables) is 0.453 of the
// column's 331 W/m; the field is known to 4 of 11, so that 5 % of the heating adds nothing.
func TestPerWatt(t *testing.T) {
	var c Constants
	c.Values[model.Heating] = Value{Constant: model.Heating, X: 150, U: 0.05, Runs: 3}
	x, u := c.PerWatt(nil)
	if math.Abs(x-0.453) > 0.001 || math.Abs(u/x-math.Hypot(4.0/11, 0.05)) > 1e-9 {
		t.Errorf("%.4f ± %.4f", x, u)
	}
	if text := c.PerWattWords(nil); !strings.Contains(text, "0.45 ± 0.2 W") || !strings.Contains(text, "150 W/m ± 5 %") || !strings.Contains(text, "11 ± 4 V/cm") {
		t.Error(text)
	}
	c.Values[model.Heating] = Value{Constant: model.Heating, X: math.NaN()}
	if text := c.PerWattWords(nil); text != "" {
		t.Error(text)
	}
}

// Why a run that was left out for a wrong mark does not count says what to do.
func TestWrongMarkIsNamed(t *testing.T) {
	fit := reference(true)
	j := &joint{}
	for i, c := range together {
		j.theta[i] = fit.Theta[c] / scale(i)
	}
	fit.Theta[model.ShellWarmup] = math.Log(0.5)
	v := &voice{run: &Taught{Run: "2026-11-25-004", Fit: &fit, Glows: 1}}
	if text := v.odd(j); !strings.Contains(text, "shell-warm-up: 0.5 against 1.") || !strings.Contains(text, "tipoff observe 2026-11-25-004 --withdraw N") {
		t.Error(text)
	}
	v.run.Glows = 0
	if text := v.odd(j); !strings.HasSuffix(text, "0.5 against 1") {
		t.Error(text)
	}
}
