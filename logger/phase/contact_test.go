package phase

import (
	"math"
	"slices"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/logger/frame"
)

// On a bench without a usable current the contactor's contact tells when the arc
// burns: live and afterwards the phases agree better with it than without.
func TestContactorStandsInForTheCurrent(t *testing.T) {
	t.Parallel()
	var live, after [2]score
	n := uint64(20)
	if testing.Short() {
		n = 8
	}
	for seed := range n {
		s := newSynth(seed+500, 0.1)
		s.evening(varied(seed + 500))
		for with := range 2 {
			obs := make([]Observation, len(s.obs))
			for i, o := range s.obs {
				if with == 1 {
					o.Contactor = frame.SwitchOff
					if o.Current > 0.1 {
						o.Contactor = frame.SwitchOn
					}
				}
				o.Current = math.NaN()
				obs[i] = o
			}
			live[with].add(seed, s.truth, track(obs, Options{}), 5*time.Second)
			after[with].add(seed, s.truth, Smooth(obs, Options{}), time.Second)
		}
	}
	for name, x := range map[string][2]score{"live": live, "afterwards": after} {
		t.Logf("%s: agreement %.4f with the contact, %.4f without; boundaries %.3f and %.3f",
			name, x[1].mean(), x[0].mean(), x[1].share(), x[0].share())
		if x[1].mean() <= x[0].mean() || x[1].share() < x[0].share() {
			t.Errorf("%s: the contact does not help", name)
		}
	}
}

// On a plant's bench with a contact on the torch tip-off is known at once, live and
// afterwards, whatever the gauge; without it a coarse gauge shows none, which is said.
func TestTorchTellsTipOff(t *testing.T) {
	t.Parallel()
	last := uint64(300004)
	if testing.Short() {
		last = 300002
	}
	for seed := uint64(300001); seed <= last; seed++ {
		d := draw(seed, plain, nil)
		truth, _ := d.when(TipOff)
		for _, with := range []bool{true, false} {
			obs := slices.Clone(d.obs)
			for i := range obs {
				obs[i].Torch = contactOf(with, obs[i].At > truth.From && obs[i].At <= truth.From+12*time.Second)
				obs[i].Pressure *= 1 + 0.004*math.Sin(float64(i*i)) // too coarse for warmth
			}
			said, alike := trackAlike(obs, Options{})
			first := func(segs []Segment) *Segment {
				for i := range segs {
					if segs[i].Phase == TipOff {
						return &segs[i]
					}
				}
				return nil
			}
			live, after := first(said), first(Smooth(obs, Options{}))
			if with {
				if live == nil || live.From < truth.From || live.From > truth.From+time.Second {
					t.Errorf("seed %d: live %v, want from %v", seed, live, truth.From)
				}
				if after == nil || after.Habit || (after.From-truth.From).Abs() > 300*time.Millisecond {
					t.Errorf("seed %d: afterwards %v, want %v", seed, after, truth.From)
				}
				continue
			}
			if live != nil {
				t.Errorf("seed %d: a tip-off that no channel shows is announced: %v", seed, *live)
			}
			if after == nil || !after.Habit {
				t.Errorf("seed %d: afterwards %v, want it marked as a habit", seed, after)
			}
			if or := first(alike); or == nil || or.From > truth.From || or.To < truth.To-time.Second {
				t.Errorf("seed %d: said to be fill or tip-off in %v, tip-off was %v", seed, or, truth)
			}
		}
	}
}

// A torch that burns all the time, a contact that never closes, and one that is
// touched for a moment, make no tip-off; without a contact that works the rest goes
// on as it does without one.
func TestTorchContactThatFails(t *testing.T) {
	t.Parallel()
	s := newSynth(7, 0.1)
	s.evening(habits{leak: true, dry: true, shells: true, cool: true, flushes: 1})
	var fill Segment
	for _, x := range s.truth {
		if x.Phase == Fill {
			fill = x
		}
	}
	for name, closed := range map[string]func(at time.Duration) bool{
		"wires touch": func(time.Duration) bool { return true },
		"broken wire": func(time.Duration) bool { return false },
		"touched": func(at time.Duration) bool {
			return at > fill.From+8*time.Second && at < fill.From+8300*time.Millisecond
		},
		"lit before":      func(at time.Duration) bool { return at > fill.From-20*time.Second && at < fill.From+20*time.Second },
		"used in the day": func(at time.Duration) bool { return at > 100*time.Second && at < 130*time.Second },
	} {
		obs := slices.Clone(s.obs)
		for i := range obs {
			obs[i].Torch = contactOf(true, closed(obs[i].At))
		}
		for _, x := range track(obs, Options{}) {
			if x.Phase == TipOff && x.From < fill.To {
				t.Errorf("%s: tip-off said at %v, the fill lasts until %v", name, x.From, fill.To)
			}
		}
		var vent bool
		for _, x := range Smooth(obs, Options{}) {
			vent = vent || x.Phase == Vent
			if x.Phase == TipOff && !x.Habit && (x.From-fill.To).Abs() > 2*time.Second {
				t.Errorf("%s: afterwards tip-off from %v, not by habit; the fill lasts until %v", name, x.From, fill.To)
			}
		}
		if !vent {
			t.Errorf("%s: no vent found", name)
		}
	}
}

// On plants so tight that their leak test shows late, a switch on the main stopcock
// shows it at once; one that never moves, or is wired the wrong way round, does no harm.
func TestStopcockContact(t *testing.T) {
	t.Parallel()
	var with, without, broken, turned score
	seeds := []uint64{62, 143, 208, 315, 35, 270}
	if testing.Short() {
		seeds = seeds[:3]
	}
	for _, seed := range seeds {
		d := draw(seed, plain, nil)
		truth := d.seen()
		at := func(o Observation) bool { // shut: as the phases of the truth have it
			for _, x := range truth {
				if o.At < x.To {
					switch x.Phase {
					case LeakTest, AdmitAir, Fill, TipOff, Vent:
						return true
					}
					return false
				}
			}
			return false
		}
		run := func(s *score, contact func(o Observation) frame.Switch) {
			obs := slices.Clone(d.obs)
			for i := range obs {
				obs[i].Torch, obs[i].Stopcock = frame.SwitchUnknown, contact(obs[i])
			}
			s.add(seed, truth, track(obs, Options{}), 3*time.Second)
		}
		run(&with, func(o Observation) frame.Switch { return contactOf(true, at(o)) })
		run(&without, func(Observation) frame.Switch { return frame.SwitchUnknown })
		run(&broken, func(Observation) frame.Switch { return frame.SwitchOff })
		run(&turned, func(o Observation) frame.Switch { return contactOf(true, !at(o)) })
	}
	t.Logf("boundaries in time: %.4f with, %.4f without, %.4f broken, %.4f wired the wrong way round", with.share(), without.share(), broken.share(), turned.share())
	if with.share() <= without.share() || broken.share() != without.share() {
		t.Error("the contact does not help, or a broken wire does harm")
	}
	if turned.share() < without.share() {
		t.Error("a contact that is wired the wrong way round is believed")
	}
}

// A current of nothing while the contactor is on is no news; one that is measured
// goes before the contact.
func TestObserveContactor(t *testing.T) {
	l := frame.NewLayout(time.Second, []frame.Channel{{Name: "amps", Role: frame.Current}, {Name: "k1", Role: frame.Contact, Purpose: frame.Contactor}})
	for _, c := range []struct {
		amps calib.Value
		k    float64
		want Observation
	}{
		{calib.Value{X: 0.5}, 1, Observation{Current: 0.5, Contactor: frame.SwitchOn}},
		{calib.Value{X: 0, Q: calib.Contradicted}, 1, Observation{Current: math.NaN()}},
		{calib.Value{X: 0, Q: calib.Contradicted}, 0, Observation{Current: 0, Contactor: frame.SwitchOff}},
		{calib.Value{X: math.NaN(), Q: calib.NoReading}, 1, Observation{Current: math.NaN(), Contactor: frame.SwitchOn}},
	} {
		var f frame.Frame
		f.Readings[0].Value, f.Readings[1].Value = c.amps, calib.Value{X: c.k}
		got := Observe(l, &f)
		same := got.Current == c.want.Current || got.Current != got.Current && c.want.Current != c.want.Current
		if !same || got.Contactor != c.want.Contactor {
			t.Errorf("%v, contact %v: %+v, want %+v", c.amps, c.k, got, c.want)
		}
	}
}

// What a contact on the torch does not tell is not taken for told: a torch that was
// lit before the gas was let in, and burns on through the seal or all day, leaves the
// fill what it is without a contact: perhaps tip-off, and divided by habit.
func TestTorchLitBefore(t *testing.T) {
	t.Parallel()
	d := draw(300001, plain, nil)
	fill, _ := d.when(Fill)
	tip, _ := d.when(TipOff)
	for name, until := range map[string]time.Duration{
		"till sealed": tip.From + 12*time.Second,
		"all day":     24 * time.Hour,
	} {
		obs := slices.Clone(d.obs)
		for i := range obs {
			obs[i].Torch = contactOf(true, obs[i].At > fill.From-20*time.Second && obs[i].At < until)
			obs[i].Pressure *= 1 + 0.004*math.Sin(float64(i*i)) // too coarse for warmth
		}
		said, alike := trackAlike(obs, Options{})
		if !slices.ContainsFunc(alike, func(x Segment) bool {
			return x.Phase == TipOff && x.From <= tip.From && x.To >= tip.To-time.Second
		}) {
			t.Errorf("%s: said %s, and as well %s; the fill is from %v, tip-off %v", name, list(said), list(alike), fill.From, tip)
		}
		after := Smooth(obs, Options{})
		if !slices.ContainsFunc(after, func(x Segment) bool { return x.Phase == TipOff && x.Habit }) {
			t.Errorf("%s: afterwards %s, without a tip-off by habit", name, list(after))
		}
	}
}

// A contact on the torch that is not read for a moment, at the worst one, still tells.
func TestTorchContactNotReadForAMoment(t *testing.T) {
	t.Parallel()
	s := newSynth(7, 0.1)
	s.evening(habits{leak: true, dry: true, shells: true, cool: true, flushes: 1})
	var tip Segment
	for _, x := range s.truth {
		if x.Phase == TipOff {
			tip = x
		}
	}
	for _, lost := range []time.Duration{-500 * time.Millisecond, 200 * time.Millisecond} {
		obs := slices.Clone(s.obs)
		for i := range obs {
			after := obs[i].At - tip.From
			obs[i].Torch = contactOf(true, after > 0 && after <= 12*time.Second)
			obs[i].Pressure *= 1 + 0.004*math.Sin(float64(i*i)) // too coarse for warmth
			if after > lost && after <= lost+time.Second {
				obs[i].Torch = frame.SwitchUnknown
			}
		}
		if said := track(obs, Options{}); !slices.ContainsFunc(said, func(x Segment) bool {
			return x.Phase == TipOff && x.From >= tip.From && x.From <= tip.From+3*time.Second
		}) {
			t.Errorf("lost from %v: %s, torch taken up at %v", lost, list(said), tip.From)
		}
	}
}

// A switch on the main stopcock that the pressure seemed to belie on a few evenings,
// as when the pump is off and the manifold leaks up through an open stopcock, is
// believed again in the next run.
func TestStopcockIsForgiven(t *testing.T) {
	t.Parallel()
	var h hand
	step := func(at, lp, slope float64, cock frame.Switch) frame.Switch {
		f := feature{at: at, dt: 0.1, lp: lp, slope: slope, arcOn: arcPrice}
		h.step(Observation{Stopcock: cock}, &f)
		return f.cock
	}
	at := 0.0
	evening := func() (believed bool) {
		for range 20 {
			at += 0.1
			step(at, lnLow, 0, frame.SwitchOn)
		}
		for range 20 { // pumped
			at += 0.1
			believed = step(at, lnRough+1, -0.3, frame.SwitchOff) == frame.SwitchOff
		}
		return believed
	}
	for day := range 5 {
		h.run()
		if !evening() {
			t.Fatalf("day %d: not believed", day)
		}
		for range 50 { // the pump is off
			at += 0.1
			step(at, lnRough+1, 0.01, frame.SwitchOff)
		}
	}
	// Within one run it is not.
	for range doubtMost {
		evening()
		for range 50 {
			at += 0.1
			step(at, lnRough+1, 0.01, frame.SwitchOff)
		}
	}
	if evening() {
		t.Error("believed after it was belied again and again in one run")
	}
}
