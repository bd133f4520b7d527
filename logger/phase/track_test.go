package phase

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"tipoff/logger/frame"
)

// track runs a tracker over obs; the segments are dated by when the tracker
// said so, not by Since.
func track(obs []Observation, opt Options) []Segment {
	segs, _ := trackAlike(obs, opt)
	return segs
}

// trackAlike is track, and when the tracker said what it may be as well.
func trackAlike(obs []Observation, opt Options) (segs, alike []Segment) {
	t := NewTracker(opt)
	var was State
	for i, o := range obs {
		s := t.Step(o)
		if i == 0 || was.Phase != s.Phase {
			if i > 0 {
				segs[len(segs)-1].To = o.At
			}
			segs = append(segs, Segment{Phase: s.Phase, From: o.At})
		}
		if i > 0 && was.Or != was.Phase {
			alike[len(alike)-1].To = o.At
		}
		if s.Or != s.Phase && (i == 0 || s.Or != was.Or || s.Phase != was.Phase) {
			alike = append(alike, Segment{Phase: s.Or, From: o.At, To: o.At})
		}
		was = s
	}
	segs[len(segs)-1].To = obs[len(obs)-1].At
	return segs, alike
}

func list(x []Segment) string {
	b := ""
	for _, s := range x {
		b += fmt.Sprintf(" %s@%.1f", s.Phase, s.From.Seconds())
	}
	return b
}

// The synthetic evenings follow the phase table of handbook.md with phases
// left out and repeated.
func TestSynthetic(t *testing.T) {
	t.Parallel()
	var smooth, live score
	const runs = 40
	either := 0.0 // what it gains where it names the other of two that look alike
	for seed := uint64(101); seed < 101+runs; seed++ {
		s := newSynth(seed, 0.1)
		s.evening(varied(seed))
		smooth.add(seed, s.truth, Smooth(s.obs, Options{}), 2*time.Second)
		said, alike := trackAlike(s.obs, Options{})
		live.add(seed, s.truth, said, 3*time.Second)
		either += Agreement(s.truth, alike) / runs
	}
	smooth.report(t, "smooth, 2 s")
	live.report(t, "tracker, 3 s")
	if smooth.share() < 0.95 || smooth.mean() < 0.97 {
		t.Errorf("smoother: %.3f of boundaries within 2 s, agreement %.4f", smooth.share(), smooth.mean())
	}
	if live.share() < 0.88 || live.mean()+either < 0.96 {
		t.Errorf("tracker: %.3f of boundaries within 3 s, agreement %.4f, with what looks alike %.4f", live.share(), live.mean(), live.mean()+either)
	}
}

// Frames come at any interval from 0.05 to 2 s.
func TestIntervals(t *testing.T) {
	t.Parallel()
	for _, dt := range []float64{0.05, 0.2, 0.5, 1, 2} {
		var smooth, live score
		limit := time.Duration((2 + dt) * 1e9)
		for seed := uint64(201); seed <= 210; seed++ {
			s := newSynth(seed, dt)
			s.evening(varied(seed))
			smooth.add(seed, s.truth, Smooth(s.obs, Options{}), limit)
			live.add(seed, s.truth, track(s.obs, Options{}), limit+time.Second)
		}
		smooth.report(t, fmt.Sprintf("smooth at %g s", dt))
		live.report(t, fmt.Sprintf("tracker at %g s", dt))
		if smooth.share() < 0.85 || smooth.mean() < 0.95 {
			t.Errorf("%g s: smoother: %.3f of boundaries, agreement %.4f", dt, smooth.share(), smooth.mean())
		}
		if live.mean() < 0.90 {
			t.Errorf("%g s: tracker: agreement %.4f", dt, live.mean())
		}
	}
}

// With a channel missing altogether the run must still be followed, if less
// exactly.
func TestMissingChannel(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name         string
		drop         func(o *Observation)
		smooth, live float64
	}{
		{"thermocouple", func(o *Observation) { o.Glass = math.NaN() }, 0.88, 0.70},
		{"current", func(o *Observation) { o.Current = math.NaN() }, 0.95, 0.90},
		{"gauge", func(o *Observation) { o.Pressure = math.NaN() }, 0.15, 0.15},
	} {
		var smooth, live score
		last := uint64(312)
		if testing.Short() {
			last = 306
		}
		for seed := uint64(301); seed <= last; seed++ {
			s := newSynth(seed, 0.1)
			s.evening(varied(seed))
			for i := range s.obs {
				c.drop(&s.obs[i])
			}
			smooth.add(seed, s.truth, Smooth(s.obs, Options{}), 2*time.Second)
			live.add(seed, s.truth, track(s.obs, Options{}), 3*time.Second)
		}
		t.Logf("no %s: smooth %.4f live %.4f", c.name, smooth.mean(), live.mean())
		if smooth.mean() < c.smooth || live.mean() < c.live {
			t.Errorf("no %s: agreement smooth %.3f (want %.2f), live %.3f (want %.2f)", c.name, smooth.mean(), c.smooth, live.mean(), c.live)
		}
	}
}

// A sealed tube on its own supply, the manifold open: ageing, and no run.
func TestAge(t *testing.T) {
	s := newSynth(3, 0.1)
	s.run(Idle, 30, hold, 0, 0, nil)
	s.run(Age, 300, hold, 0.1, 0.03, nil)
	s.run(Idle, 60, hold, 0, 0, nil)
	if a := Agreement(s.truth, Smooth(s.obs, Options{})); a < 0.97 {
		t.Errorf("agreement %.4f: %s", a, list(Smooth(s.obs, Options{})))
	}
	tr := NewTracker(Options{})
	for _, o := range s.obs {
		if x := tr.Step(o); x.RunStarted {
			t.Errorf("%v: ageing started a run", o.At)
		}
	}
}

// A recording that somebody brings: 1 Hz, three columns, begun when the
// tube already stood at 2 Torr.
func TestMidwayAtOneHertz(t *testing.T) {
	s := newSynth(5, 1)
	s.evening(habits{leak: true, dry: true, shells: true, cool: true, flushes: 1})
	from := 0
	for i, x := range s.truth {
		if x.Phase == AdmitAir {
			for s.obs[from].At < x.To-2*time.Second {
				from++
			}
			s.truth = s.truth[i:]
			s.truth[0].From = s.obs[from].At
			break
		}
	}
	obs := s.obs[from:]
	found := Smooth(obs, Options{})
	if a := Agreement(s.truth, found); a < 0.95 {
		t.Errorf("agreement %.4f\ntruth%s\nfound%s", a, list(s.truth), list(found))
	}
	tr := NewTracker(Options{})
	started := false
	for _, o := range obs {
		x := tr.Step(o)
		if x.RunStarted {
			started = true
			if x.RunFrom > obs[3].At {
				t.Errorf("run from %v, recording from %v", x.RunFrom, obs[0].At)
			}
		}
	}
	if !started {
		t.Error("a recording begun under vacuum did not start a run")
	}
}

func TestRuns(t *testing.T) {
	var all []Observation
	type end struct {
		from    time.Duration
		outcome string
	}
	var want, got []end
	s := newSynth(9, 0.1)
	for k := range 4 {
		n := len(s.truth)
		if k == 2 { // evacuated, leaky, let up again
			s.run(Idle, 30, hold, 0, 0, nil)
			s.run(Evacuate, 60, pump(0.3, 20), 0, 0, nil)
			s.run(Vent, 30, let(15000), 0, 0, func() bool { return s.p > 1e5 })
			s.p = 101325
			s.run(Idle, 30, hold, 0, 0, nil)
		} else {
			s.evening(varied(uint64(k)))
		}
		for _, x := range s.truth[max(0, n-1):] {
			if x.Phase == Evacuate {
				want = append(want, end{x.From, map[bool]string{true: "aborted", false: "completed"}[k == 2]})
			}
		}
		s.g = 22
	}
	all = s.obs
	tr := NewTracker(Options{})
	open := false
	var from time.Duration
	for _, o := range all {
		x := tr.Step(o)
		if x.RunStarted {
			if open {
				t.Fatal("a run within a run")
			}
			open, from = true, x.RunFrom
			if o.At-x.RunFrom > 60*time.Second {
				t.Errorf("start found %v late, pre-roll is 60 s", o.At-x.RunFrom)
			}
		}
		if x.RunEnded {
			open = false
			got = append(got, end{from, x.Outcome})
		}
		if x.InRun != open {
			t.Fatalf("%v: InRun %v while open %v", o.At, x.InRun, open)
		}
	}
	if len(got) != len(want) {
		t.Fatalf("runs found %v, want %v", got, want)
	}
	for i := range got {
		if d := got[i].from - want[i].from; d.Abs() > 3*time.Second || got[i].outcome != want[i].outcome {
			t.Errorf("run %d: from %v %s, want %v %s", i, got[i].from, got[i].outcome, want[i].from, want[i].outcome)
		}
	}
}

// sound checks what must hold whatever the input.
func sound(t *testing.T, obs []Observation) {
	t.Helper()
	tr := NewTracker(Options{})
	var before State
	inRun := false
	for i, o := range obs {
		s := tr.Step(o)
		if s.Phase >= ID(Count) || !(s.Confidence >= 0 && s.Confidence <= 1+1e-9) {
			t.Fatalf("state %+v", s)
		}
		if s.Since > o.At && (i == 0 || o.At > obs[i-1].At) && s.Since > before.Since {
			t.Fatalf("since %v is after now %v", s.Since, o.At)
		}
		if i > 0 && s.Since < before.Since {
			t.Fatalf("since went back from %v to %v", before.Since, s.Since)
		}
		if s.RunStarted && inRun || s.RunEnded && !inRun {
			t.Fatalf("run started or ended twice: %+v", s)
		}
		inRun, before = s.InRun, s
	}
	segs := Smooth(obs, Options{})
	for i, s := range segs {
		if s.To < s.From || i > 0 && (s.From != segs[i-1].To || s.Phase == segs[i-1].Phase) {
			t.Fatalf("segments%s", list(segs))
		}
	}
	if len(obs) > 0 && len(segs) == 0 {
		t.Fatal("no segments")
	}
}

func TestRobust(t *testing.T) {
	t.Parallel()
	live := 0.0
	for seed := uint64(1); seed <= 10; seed++ {
		r := rand.New(rand.NewPCG(seed, 3))
		s := newSynth(seed, 0.1)
		s.evening(varied(seed))
		var clean []Segment
		clean = append(clean, s.truth...)
		for i := range s.obs {
			o := &s.obs[i]
			if r.Float64() < 0.05 {
				o.Pressure = math.NaN()
			}
			if r.Float64() < 0.05 {
				o.Glass = math.NaN()
			}
			if r.Float64() < 0.05 {
				o.Current = math.NaN()
			}
			switch r.IntN(400) {
			case 0:
				o.Pressure *= 30
			case 1:
				o.Glass += 200
			case 2:
				o.Current += 0.5
			}
		}
		sound(t, s.obs)
		if a := Agreement(clean, Smooth(s.obs, Options{})); a < 0.95 {
			t.Errorf("seed %d: agreement with gaps and spikes %.4f", seed, a)
		}
		live += Agreement(clean, track(s.obs, Options{})) / 10
	}
	if live < 0.93 {
		t.Errorf("tracker: agreement with gaps and spikes %.4f", live)
	}
	junk := []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, -5, 1e300, 101325, 300, 0.2}
	r := rand.New(rand.NewPCG(1, 1))
	var obs []Observation
	at := time.Duration(0)
	for range 3000 {
		obs = append(obs, Observation{At: at, Pressure: junk[r.IntN(len(junk))], Glass: junk[r.IntN(len(junk))], Current: junk[r.IntN(len(junk))]})
		at += time.Duration(r.IntN(int(3 * time.Second)))
	}
	sound(t, obs)
	sound(t, nil)
	sound(t, obs[:1])
	sound(t, obs[:2])
}

func FuzzTracker(f *testing.F) {
	f.Add([]byte{0, 1, 2, 3, 255, 128, 7, 9, 200, 10, 20, 30})
	f.Add([]byte("arc lost and struck again, gauge behind the stopcock"))
	f.Fuzz(func(t *testing.T, b []byte) {
		var obs []Observation
		at := time.Duration(0)
		for ; len(b) >= 4 && len(obs) < 2000; b = b[4:] {
			o := Observation{At: at, Pressure: math.Exp(float64(b[1])/18 - 2), Glass: float64(b[2]), Current: float64(b[3]) / 256}
			o.Contactor = frame.Switch(b[3] % 3)
			if b[0]&1 == 1 {
				o.Pressure = math.NaN()
			}
			if b[0]&6 == 2 {
				o.Glass = math.Inf(1)
			}
			if b[0]&24 == 8 {
				o.Current = math.NaN()
			}
			obs = append(obs, o)
			at += time.Duration(b[0]>>2) * 37 * time.Millisecond
		}
		sound(t, obs)
	})
}

func TestStepAllocatesNothing(t *testing.T) {
	s := newSynth(1, 0.1)
	s.evening(varied(1))
	tr := NewTracker(Options{})
	i := 0
	if n := testing.AllocsPerRun(len(s.obs)-2, func() { tr.Step(s.obs[i]); i++ }); n != 0 {
		t.Errorf("%g allocations a step", n)
	}
}

func BenchmarkStep(b *testing.B) {
	s := newSynth(1, 0.1)
	s.evening(varied(1))
	t := NewTracker(Options{})
	b.ReportAllocs()
	i := 0
	var off time.Duration
	for b.Loop() {
		o := s.obs[i]
		o.At += off
		t.Step(o)
		if i++; i == len(s.obs) {
			i = 0
			off += s.obs[len(s.obs)-1].At + time.Second
		}
	}
}

// One hour at ten frames a second.
func BenchmarkSmooth(b *testing.B) {
	s := newSynth(1, 0.1)
	for len(s.obs) < 36000 {
		s.evening(varied(1))
	}
	b.ReportAllocs()
	for b.Loop() {
		Smooth(s.obs[:36000], Options{})
	}
}
