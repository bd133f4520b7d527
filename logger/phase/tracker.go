package phase

import (
	"math"
	"time"
)

// State is what the tracker thinks after an observation.
type State struct {
	Phase      ID
	Since      time.Duration // monotonic time at which the phase began
	Confidence float64       // 0 to 1: posterior weight of Phase
	InRun      bool          // a run is going on
	RunStarted bool          // true in the one step that finds a run's start
	RunEnded   bool          // true in the one step that finds a run's end
	RunFrom    time.Duration // true start of the run; it may lie before the step that found it
	Outcome    string        // with RunEnded: "completed" or "aborted"
}

// Tracker follows a run as it happens.
type Tracker struct {
	opt     Options
	d       decoder
	p, g    follower
	k       kink
	rise    float64 // newest of k
	warm    float64
	low     float64 // variance of bins of k at base; NaN: not known
	high    float64 // the same of the fill
	still   float64 // s for which the gauge has stood still while the arc burned
	i       float64 // held current, A
	iAt     float64
	at      float64
	begun   bool
	shown   ID
	rival   ID
	rivalAt float64
	since   float64
	inRun   bool
	runFrom float64
	filled  bool
	quietAt float64
}

// NewTracker makes a tracker that has seen nothing.
func NewTracker(opt Options) *Tracker {
	t := &Tracker{opt: opt.filled(), p: newFollower(), g: newFollower(), i: math.NaN(), low: math.NaN(), high: math.NaN(), d: decoder{causal: true}}
	return t
}

// Step takes the next observation and says where the run is. Observations
// come in order of time, at any spacing; one that does not move time on is
// ignored. It allocates nothing.
func (t *Tracker) Step(o Observation) State {
	at := o.At.Seconds()
	if t.begun && at <= t.at {
		return t.state(State{})
	}
	f := t.feature(o, at)
	if !t.begun {
		t.begun = true
		t.d.start(&f, &t.opt)
		best := t.d.best()
		t.shown, t.since = nodePhase[best], at
		t.rival = t.shown
	} else {
		t.d.step(&f, &t.opt, nil)
	}
	t.at = at
	t.show(at)
	return t.state(t.run(at))
}

func (t *Tracker) feature(o Observation, at float64) feature {
	f := feature{at: at, dt: 0.1}
	if t.begun {
		f.dt = min(at-t.at, 2)
	}
	t.p.step(lnPressure(o.Pressure), at, 0.8)
	t.g.step(glassOf(o.Glass), at, 2)
	f.lp = t.p.value(at)
	f.slope, f.trend = t.p.slopes(at)
	f.calm, f.noise = f.lp, t.p.noise
	if f.lp == f.lp {
		f.calm = t.p.slow.y
	}
	if t.k.step(lnPressure(o.Pressure), at) {
		t.rise, t.warm = 0, 0
		if f.lp < lnRough {
			t.rise = t.k.rise(t.d.path[nEvac].node, 24, 8, &t.low)
		} else if t.shown != Fill {
			t.low, t.high = math.NaN(), math.NaN()
		} else {
			t.warm = t.k.rise(t.d.path[nFill].steady+fillSettles, 80, 0, &t.high)
		}
		f.rise, f.warm = t.rise, t.warm
	}
	f.t = t.g.value(at)
	f.tSlope, _ = t.g.slopes(at)
	if c := currentOf(o.Current); c == c {
		t.i, t.iAt = c, at
	}
	f.i = math.NaN()
	if at-t.iAt <= stale {
		f.i = t.i
	}
	f.judge(&t.opt)
	f.blind = t.isolated(&f)
	return f
}

// isolated tells whether the gauge seems to be behind a shut stopcock: it
// stood still while an arc burned, which always moves the pressure, and did
// not move either when the arc went out and the gas cooled.
func (t *Tracker) isolated(f *feature) bool {
	if math.Abs(f.slope) > 0.02 || !(math.Abs(f.trend) < 0.0015) {
		t.still = 0
	} else if f.i > t.opt.Arc {
		t.still += f.dt
	}
	return t.still > 6
}

// show settles which phase to name: a rival must lead by a margin, or for a
// while, so that the display does not flicker.
func (t *Tracker) show(at float64) {
	best := t.d.best()
	p := nodePhase[best]
	if p == t.shown {
		t.rival = p
		if s := t.d.path[best].since; s > t.since && s <= at {
			t.since = s // the same phase anew, or a better estimate
		}
		return
	}
	if p != t.rival {
		t.rival, t.rivalAt = p, at
	}
	if t.d.lead(p, t.shown) > 1 || at-t.rivalAt > 1 {
		t.shown = p
		t.since = max(t.since, t.d.path[best].since)
	}
}

// run finds starts and ends of runs from the phase shown.
func (t *Tracker) run(at float64) State {
	var s State
	busy := t.shown != Idle && t.shown != Age
	if t.shown == Fill || t.shown == TipOff {
		t.filled = t.inRun || t.filled
	}
	if t.i > t.opt.Arc || t.shown != TipOff && at-t.p.at < stale {
		t.quietAt = at // neither sealed and waiting nor without a gauge
	}
	switch {
	case !t.inRun && busy && t.shown != Vent && t.shown != TipOff:
		t.inRun, t.filled = true, t.shown == Fill
		t.runFrom = t.since
		s.RunStarted = true
	case t.inRun && (!busy || at-t.quietAt > t.opt.IdleAfter.Seconds()):
		t.inRun = false
		s.RunEnded = true
		s.Outcome = "aborted"
		if t.filled {
			s.Outcome = "completed"
		}
	}
	return s
}

func (t *Tracker) state(s State) State {
	s.Phase = t.shown
	s.Since = seconds(t.since)
	s.InRun = t.inRun
	s.RunFrom = seconds(t.runFrom)
	s.Confidence = t.d.weight(t.shown)
	return s
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }
