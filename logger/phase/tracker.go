package phase

import (
	"math"
	"time"

	"tipoff/logger/frame"
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
	// Or is what it may be as well, because no channel of this bench tells the two
	// apart at that moment: tip-off where a fill stands and no contact on the torch tells,
	// whose warmth few gauges show in time; a fill where gas for one more flush seems to
	// be let in on glass that is cold enough for it; without a glass temperature also a
	// flush for a fill, and drying for the bombardment, and the other way round. Else it
	// is Phase.
	Or ID
	// Judged is the phase that limits are judged by. It is Phase, but that a fill
	// which nothing tells from tip-off is taken for that once it has stood for
	// Options.TipOffAfter: a habit, and nothing that is announced.
	Judged ID
}

// Tracker follows a run as it happens.
type Tracker struct {
	opt     Options
	d       decoder
	p, g    follower
	k       kink
	w       warmth
	hand    hand
	or      ID
	best    node    // of d, after the last observation
	dark    bool    // no arc burns
	jumped  bool    // the newest pressure is far above the last second's
	low     float64 // variance of bins of k at base; NaN: not known
	stood   float64 // ln p about which the gauge stands still
	still   float64 // s for which the gauge has stood still while the arc burned
	i       float64 // held current, A
	mean    float64 // the same over about a second
	lit     bool    // the arc burned
	litAt   float64 // s, since when it burned
	outAt   float64 // s, when it went out; 0: has not
	outLp   float64 // ln p when the gas had cooled
	overAt  float64 // s, since when the glass has been above PreheatEnd; 0: is not
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
	t := &Tracker{opt: opt.filled(), p: newFollower(), g: newFollower(), i: math.NaN(), low: math.NaN(), d: decoder{causal: true}}
	t.opt.lnCool += flushedOut
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
	t.dark = f.arcOn >= arcPrice
	t.best = t.d.best()
	t.show(at)
	t.or = t.other(&f)
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
	t.jumped = t.p.last[2]-f.calm > max(0.08, 4*f.noise)
	if t.k.step(lnPressure(o.Pressure), at) {
		if f.lp < lnRough {
			f.rise = t.k.rise(t.d.path[nEvac].node, 24, 8, &t.low)
		} else {
			t.low = math.NaN()
		}
		f.jump = t.k.jump()
	}
	if t.shown == Fill {
		f.warm = t.w.step(lnPressure(o.Pressure), at, t.d.path[nFill].steady+fillSettles)
		f.ago = t.w.ago
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
	if !(math.Abs(f.i-t.mean) < 0.2*t.mean) {
		t.mean = f.i
	}
	t.mean = blend(t.mean, f.i, f.dt, 0.5)
	f.mean = t.mean
	f.k = o.Contactor
	f.judge(&t.opt)
	t.hand.step(o, &f)
	t.arc(&f)
	f.blind = t.isolated(&f)
	return f
}

// cooled is how long after an arc went out its gas has cooled and the pressure
// shows what is done to it, s. burned is how long one must burn to be one.
const cooled, burned = 0.4, 0.5

// arc follows what the loss of an arc and hot glass do, in f.
func (t *Tracker) arc(f *feature) {
	switch {
	case f.i > t.opt.Arc || f.i != f.i && f.k == frame.SwitchOn:
		if !t.lit {
			t.lit, t.litAt = true, f.at
		}
		t.outAt = 0
	case t.lit && (f.i == f.i || f.k == frame.SwitchOff):
		t.lit, t.outLp = false, math.NaN()
		if f.at-t.litAt >= burned && f.at-t.at < stale { // over a gap nobody knows when
			t.outAt = f.at
		}
	}
	f.fell = math.NaN()
	if t.outAt > 0 {
		f.out = f.at - t.outAt
		if f.out >= cooled-1e-6 && t.p.at == f.at {
			lp := t.p.last[2]
			if t.outLp != t.outLp {
				t.outLp = lp
			}
			f.fell = lp - t.outLp
		}
	}
	switch {
	case !(f.t > t.opt.PreheatEnd-0.5*f.tSlope): // the filter's lag
		t.overAt = 0
	case t.overAt == 0:
		t.overAt = f.at
	}
	if t.overAt > 0 {
		f.over = f.at - t.overAt
	}
}

// isolated tells whether the gauge seems to be behind a shut stopcock: it
// stood still while an arc burned, which always moves the pressure, and did
// not move either when the arc went out and the gas cooled.
func (t *Tracker) isolated(f *feature) bool {
	if !(math.Abs(f.calm-t.stood) < max(0.004, f.noise)) {
		t.still, t.stood = 0, f.calm
	} else {
		t.stood = blend(t.stood, f.calm, f.dt, 10) // what is shut in rises by itself
		if f.i > t.opt.Arc {
			t.still += f.dt
		}
	}
	return t.still > 6
}

// takeBack is how long, s, a path on which the phase shown never was must be the
// best before it is believed. earlyDoubt is by how much, s, paths may differ about
// when something began and yet mean the same change.
const takeBack, earlyDoubt = 2, 0.5

// show settles which phase to name: a rival must lead by a margin, or for a
// while, so that the display does not flicker.
func (t *Tracker) show(at float64) {
	best := t.best
	p, since := t.d.says(best)
	if p == t.shown {
		t.rival = p
		if since > t.since && since <= at {
			t.since = since // the same phase anew, or a better estimate
		}
		return
	}
	if arcNode[best] && t.dark {
		return // what it was, now that it is over, is of no use any more
	}
	if q := &t.d.path[best]; arcNode[best] && q.struck && q.strike == q.strike && !q.again && at-q.node < strikeTo {
		return // its current will tell which of the arcs it is
	}
	if p == LeakTest && t.jumped {
		return // what leaks does not jump: it is going to be air that is let in
	}
	if p != t.rival {
		t.rival, t.rivalAt = p, at
	}
	// What takes back that anything had changed must hold for longer: an arc that
	// flickers is struck and never struck by turns.
	if since < t.since-earlyDoubt {
		if at-t.rivalAt < takeBack {
			return
		}
	}
	if t.d.lead(p, t.shown) > 1 || at-t.rivalAt > 1 {
		t.shown = p
		t.since = max(t.since, since)
	}
}

// stands tells for how long a fill that is shown has stood, s.
func (t *Tracker) stands() float64 {
	if t.shown != Fill {
		return 0
	}
	return max(0, t.at-t.d.path[nFill].steady)
}

// coldGlass is below which a fill may be let in, °C: what handbooks call cold enough
// and a hurried hand's margin.
const coldGlass = 60

// other is State.Or.
func (t *Tracker) other(f *feature) ID {
	blind := f.t != f.t
	switch {
	case t.judged() != t.shown:
		return t.judged()
	case t.shown == Fill && !f.told(&t.d.path[nFill]) && math.Abs(f.slope) < 0.05 && (t.stands() > fillSettles || t.or == TipOff):
		return TipOff
	case t.shown == Fill && blind && f.lp < lnFlush:
		return Flush
	case t.shown == Flush && !(f.t > coldGlass) && f.lp < lnFlush && t.best == nFlushIn:
		return Fill
	case t.shown == Dry && blind:
		return Bombard
	case t.shown == Bombard && blind:
		return Dry
	}
	return t.shown
}

// judged is State.Judged.
func (t *Tracker) judged() ID {
	if t.shown == Fill && t.best == nTip {
		return TipOff
	}
	return t.shown
}

// run finds starts and ends of runs from the phase shown.
func (t *Tracker) run(at float64) State {
	var s State
	busy := t.shown != Idle && t.shown != Age
	if t.shown == Fill || t.shown == TipOff {
		t.filled = t.inRun || t.filled
	}
	waits := t.shown == TipOff || t.judged() == TipOff || t.stands() > t.opt.patience(t.p.noise)
	if t.i > t.opt.Arc || !waits && at-t.p.at < stale {
		t.quietAt = at // neither sealed and waiting nor without a gauge
	}
	switch {
	case !t.inRun && busy && t.shown != Vent && t.shown != TipOff:
		t.inRun, t.filled = true, t.shown == Fill
		t.runFrom = t.since
		t.hand.run()
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
	s.Or, s.Judged = t.or, t.judged()
	return s
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }
