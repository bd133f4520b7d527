package plant

import (
	"math"
	"testing"
	"time"
)

// A bench without effects is the bench it was: the sensor sits on the mean
// glass, and seating is what the bench says.
func TestNoEffectsChangeNothing(t *testing.T) {
	p, _ := run(t, Tubes()["PP-01"], Careful, 4, 12*time.Minute, nil)
	s := p.State()
	if s.Sensed != s.Wall || s.Hottest != s.Wall || s.Seating != DefaultBench().Seating {
		t.Errorf("%+v", s)
	}
}

// Uneven heating: at equilibrium rise and in the first seconds the rise goes as
// the heat; so the hottest place leads by its share while losses are small.
func TestUnevenHeating(t *testing.T) {
	c := quiet()
	c.Effects = Effects{Sensor: -0.05, Hottest: 0.10}
	p := New(c, Hands(func(at time.Duration, _ Sight, h *Controls) { h.Bombard, h.Choke = true, 0.3 }))
	p.gas.t = [NumSpecies]float64{Air: 2 * Torr}
	p.gas.m = p.gas.t
	a := p.heat.ambient
	for p.heat.wall < a+40 && p.Now() < time.Minute {
		p.Advance(p.Now() + 100*time.Millisecond)
	}
	s := p.State()
	rise := s.Wall - a
	if rise < 39 {
		t.Fatalf("the glass rose only by %.1f K", rise)
	}
	for _, r := range [][2]float64{{s.Sensed, 0.95}, {s.Hottest, 1.10}} {
		if got := (r[0] - a) / rise; math.Abs(got-r[1]) > 0.02 {
			t.Errorf("a place with %.2f of the heat rose by %.3f of the mean", r[1], got)
		}
	}
}

// A gauge that shows 3 % too much does so at every pressure; the seating
// wanders, differs from tube to tube and stays a share.
func TestGaugeAndSeating(t *testing.T) {
	c := quiet()
	c.Effects = Effects{GaugeScale: 0.03, Remount: 0.015, Wander: 0.01}
	p := New(c, nil)
	first := p.State().Seating
	least, most := 1.0, 0.0
	for range 600 {
		p.Advance(p.Now() + time.Second)
		s := p.State().Seating
		least, most = min(least, s), max(most, s)
	}
	if most-least < 0.01 || least < 0.8 || most > 1 {
		t.Errorf("seating wandered from %.3f to %.3f", least, most)
	}
	if x := p.see().Gauge / p.State().ManifoldPressure; math.Abs(x-1.03) > 1e-3 {
		t.Errorf("the gauge shows %.4f of the pressure", x)
	}
	c.Seed++
	if p := New(c, nil); p.State().Seating == first {
		t.Error("two tubes are seated alike")
	}
}

// Draws are the same for a seed, differ between seeds, and keep the ranges that
// Draw names.
func TestDraw(t *testing.T) {
	seen := map[string]int{}
	for seed := uint64(1); seed <= 400; seed++ {
		d := Draw(seed)
		if d != Draw(seed) {
			t.Fatalf("seed %d gives two benches", seed)
		}
		tu, b, e := d.Config.Tube, d.Config.Bench, d.Config.Effects
		if tu.Bore < 7.99e-3 || tu.Bore > 20.01e-3 || tu.Outside-tu.Bore < 1.79e-3 || tu.Outside-tu.Bore > 2.61e-3 ||
			tu.Length < 0.39 || tu.Length > 2.51 || tu.Rating < 0.02 || tu.Rating > 0.1 ||
			b.Seating < 0.9 || b.Seating > 1 || b.Lag < 1500*time.Millisecond || b.Lag > 5*time.Second ||
			e.Hottest <= e.Sensor || math.Abs(e.GaugeScale) > 0.04 {
			t.Errorf("seed %d: %+v", seed, d)
		}
		seen[d.Glass]++
		seen[tu.Coating]++
		seen[tu.Gas]++
	}
	for _, k := range []string{"lead", "soda-lime", "borosilicate", "clear", "phosphor", "phosphor-wet", "coloured", "neon", "argon", "neon-argon"} {
		if seen[k] < 50 {
			t.Errorf("%s was drawn %d times of 400", k, seen[k])
		}
	}
}

// A follower does what the slip says, late by the reaction time and not before:
// the pressure is lowered after the reading passes, the arc goes off.
func TestFollowerFollows(t *testing.T) {
	tube := Tubes()["PP-01"]
	h := HabitFor(tube, Careful, 3)
	h.Reaction = 2 * time.Second
	r := Recipe{AirDry: 2 * Torr, DryCurrent: 0.28, DryUntil: 110, PumpOut: 50 * time.Second, AirBombard: 2.1 * Torr, BombardCurrent: 0.42,
		ShellsAt: 200, ShellPressure: 0.8 * Torr, ShellCurrent: 0.6, ShellHold: 48 * time.Second, Glow: 30 * time.Second, Reach: 220, StopAt: 250,
		Flushes: 1, FlushTo: 5 * Torr, FlushBelow: 85, FillBelow: 38, Fill: tube.Fill}
	f := NewFollower(r, h, 3)
	var seenAt, doneAt time.Duration
	f.Instruments = func(at time.Duration, see *Sight) {
		if f.stage == bombarding && see.Glass >= r.ShellsAt && seenAt == 0 {
			seenAt = at
		}
		if f.stage == shelling && doneAt == 0 {
			doneAt = at
		}
	}
	c := Default()
	c.Tube, c.Seed = tube, 3
	p := New(c, f)
	var shells State
	for p.Now() < 30*time.Minute && !f.Done() {
		p.Advance(p.Now() + 500*time.Millisecond)
		if s := p.State(); s.Phase == "shells" && s.Lit {
			shells = s
		}
	}
	if !f.Done() {
		t.Fatalf("not done: %v", p.Truth())
	}
	if late := doneAt - seenAt; late < 1200*time.Millisecond || late > 3*time.Second {
		t.Errorf("the pressure was lowered %v after the reading, reaction 2 s", late)
	}
	if x := shells.ManifoldPressure / Torr; x < 0.6 || x > 1.1 {
		t.Errorf("shells at %.2f Torr, the slip says 0.8", x)
	}
	if math.Abs(shells.Current-0.6) > 0.06 || shells.Shell < 900 {
		t.Errorf("shells at %.0f mA and %.0f °C", shells.Current*1e3, shells.Shell)
	}
}
