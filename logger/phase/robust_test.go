package phase

import (
	"math"
	"slices"
	"testing"
	"time"

	"tipoff/drivers/plant"
)

// What benches do to a recorder, one thing at a time, on drawn runs of their
// own seeds. The tracker's bar is the issue's, of the boundaries that show at all
// (drawn.shows); the smoother's and those of phase time are what holds, below the
// issue's where the readings no longer show what is asked; the comment says what
// is missing.
func TestDrawnRobust(t *testing.T) {
	n := 16
	if testing.Short() {
		n = 3
	}
	for i, c := range []struct {
		name                  string
		kind                  kind
		fix                   func(*plant.Habit)
		within2, agree        float64 // smoother
		inTime, trackerAgrees float64
	}{
		{"several preheats", plain, func(h *plant.Habit) { h.Preheats = 3 }, 0.95, 0.97, 0.95, 0.95},
		{"several flushes", plain, func(h *plant.Habit) { h.Flushes = 3 }, 0.94, 0.97, 0.95, 0.95},
		{"nothing dried, no leak test, no flush", plain, func(h *plant.Habit) { h.Preheats, h.Flushes, h.LeakTest = 0, 0, 0 }, 0.90, 0.95, 0.95, 0.94},
		{"arc lost by a low pressure and struck again", plain, func(h *plant.Habit) { h.Style = plant.LosesArc }, 0.94, 0.97, 0.95, 0.94},
		{"foot slipped off the switch", footSlipped, nil, 0.94, 0.96, 0.95, 0.93},
		{"slow hands", plain, func(h *plant.Habit) { h.Reaction = 4 * time.Second }, 0.94, 0.97, 0.95, 0.94},
		{"quick hands", plain, func(h *plant.Habit) { h.Reaction = 500 * time.Millisecond }, 0.94, 0.97, 0.95, 0.94},
		// The pressure lowered for the shells is behind the stopcock.
		{"gauge isolated by a stopcock", isolated, nil, 0.90, 0.94, 0.95, 0.92},
		// The daemon takes the tracker through what was recorded before.
		{"power lost in the middle", powerLost, nil, 0.93, 0.96, 0.95, 0.92},
		// A new tracker in the middle knows nothing of what went before.
		{"power lost in the middle, and the record", recordLost, nil, 0.93, 0.96, 0.95, 0.88},
		// Flush and fill begin alike, and so do a second drying and the bombardment.
		{"no thermocouple", noGlass, nil, 0.90, 0.94, 0.95, 0.86},
		{"thermocouple broken in the middle", glassLost, nil, 0.90, 0.94, 0.95, 0.84},
		{"no current channel, but the contactor's contact", contactOnly, nil, 0.92, 0.95, 0.95, 0.94},
		// The arc shows in the glass, seconds late, and in jumps of the pressure.
		{"no current channel", noCurrent, nil, 0.84, 0.91, 0.95, 0.88},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := prove(20001+1000*uint64(i), n, func(uint64) kind { return c.kind }, c.fix)
			s, l := all(o.smooth).within(2), inTime(allChanges(o.late))
			a, al := mean(o.agree), mean(o.live)
			t.Logf("smoother %.3f in 2 s, agreement %.4f; tracker %.3f in time, agreement %.4f, %d wrong announcements", s, a, l, al, o.wrongs())
			slack := 0.0
			if testing.Short() {
				slack = 0.06 // three runs tell little
			}
			if s < c.within2-slack || a < c.agree-slack || l < c.inTime-slack || al < c.trackerAgrees-slack || o.wrongs() > 3*n/2 {
				t.Errorf("want %.2f, %.2f; %.2f, %.2f%s", c.within2, c.agree, c.inTime, c.trackerAgrees, o.table())
			}
		})
	}
}

// A gauge that is missing altogether leaves arc and glass: bombardment and
// shells together are still known as such, the rest is not.
func TestNoGauge(t *testing.T) {
	t.Parallel()
	for seed := uint64(40001); seed <= 40004; seed++ {
		d := draw(seed, plain, nil)
		for i := range d.obs {
			d.obs[i].Pressure = math.NaN()
		}
		sound(t, d.obs)
		b, ok := d.when(Bombard)
		if !ok {
			t.Fatalf("seed %d has no bombardment", seed)
		}
		found := Smooth(d.obs, Options{})
		at := (b.From + b.To) / 2
		for _, s := range found {
			if s.From <= at && at < s.To && !slices.Contains([]ID{Dry, Bombard, Shells}, s.Phase) {
				t.Errorf("seed %d: %v in the middle of the bombardment", seed, s.Phase)
			}
		}
	}
}

// A tracker that is fed the journal before the gap, as the smoother is, must
// not be worse after lost power than one that starts anew.
func TestPowerLostWithJournal(t *testing.T) {
	t.Parallel()
	var fed, anew float64
	const n = 6
	for seed := uint64(41001); seed < 41001+n; seed++ {
		d := draw(seed, powerLost, nil)
		truth := d.seen()
		fed += Agreement(truth, track(d.obs, Options{})) / n
		d.kind = recordLost
		said, _ := d.live()
		anew += Agreement(truth, said) / n
	}
	t.Logf("agreement with the journal %.4f, anew %.4f", fed, anew)
	if fed < 0.92 || fed < anew-0.01 {
		t.Errorf("agreement with the journal before the gap %.4f, anew %.4f", fed, anew)
	}
}

// Gas let in slowly from base, the rate falling off as the bottle's pressure
// is reached: a fill, neither a vent nor the tail of an evacuation.
func TestSlowExponentialFill(t *testing.T) {
	t.Parallel()
	for seed := uint64(1); seed <= 6; seed++ {
		for _, tau := range []float64{8, 20, 40} {
			s := newSynth(seed, 0.1)
			s.noise = 0.003
			s.run(Idle, 20, hold, 0, 0, nil)
			s.run(Evacuate, 90, pump(0.3, 0.5), 0, 0, nil)
			goal := s.u(7, 14) * torr
			s.run(Fill, 4*tau, pump(1/tau, goal), 0, 0, nil)
			s.run(Fill, 15, hold, 0, 0, nil)
			s.run(Vent, 40, let(15000), 0, 0, func() bool { return s.p > 1e5 })
			s.p = 101325
			s.run(Idle, 30, hold, 0, 0, nil)
			gas, vent := s.truth[2], s.truth[3]
			for name, segs := range map[string][]Segment{"smoother": Smooth(s.obs, Options{}), "tracker": track(s.obs, Options{})} {
				for _, x := range segs {
					in := min(x.To, gas.To) - max(x.From, gas.From)
					if in > 3*time.Second && (x.Phase == Vent || x.Phase == Evacuate && in > 6*time.Second) {
						t.Errorf("seed %d, %g s: %s has %v for %v of the fill:%s", seed, tau, name, x.Phase, in, list(segs))
					}
				}
				if b := Boundaries([]Segment{gas, vent}, segs, 3*time.Second); !b[0].Found {
					t.Errorf("seed %d, %g s: %s missed the vent:%s", seed, tau, name, list(segs))
				}
			}
		}
	}
}

// Ageing after tip-off: the tube is sealed and runs on its own supply beside
// the bench, the manifold is at air again, the current channel sees it.
func TestAgeAfterTipOff(t *testing.T) {
	t.Parallel()
	for seed := uint64(1); seed <= 5; seed++ {
		s := newSynth(seed, 0.1)
		s.evening(varied(seed))
		s.run(Age, 400, hold, 0.05, 0.04, nil)
		s.run(Idle, 60, hold, 0, 0, nil)
		age := s.truth[len(s.truth)-2]
		for name, segs := range map[string][]Segment{"smoother": Smooth(s.obs, Options{}), "tracker": track(s.obs, Options{})} {
			var in time.Duration
			for _, x := range segs {
				if x.Phase == Age {
					in += max(0, min(x.To, age.To)-max(x.From, age.From))
				}
			}
			if share := in.Seconds() / (age.To - age.From).Seconds(); share < 0.97 {
				t.Errorf("seed %d: %s has age for %.3f of it:%s", seed, name, share, list(segs))
			}
		}
		ended := 0
		tr := NewTracker(Options{})
		for _, o := range s.obs {
			if x := tr.Step(o); x.RunEnded {
				ended++
			}
		}
		if ended != 1 {
			t.Errorf("seed %d: %d runs ended, want 1", seed, ended)
		}
	}
}
