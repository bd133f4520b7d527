package envelope

import (
	"math"
	"time"

	"tipoff/logger/phase"
)

// Present is how a limit that applies now is met now. Value is NaN if there is
// no reading yet. A limit that has to be reached (a target, a time) is NotKnown
// until it is.
type Present struct {
	Index    int     // into Envelope.Limits
	Value, U float64 // in the limit's unit; U is the standard uncertainty
	Verdict  Verdict
}

// ArcCurrent is the current above which the arc is taken to burn, A.
const ArcCurrent = 0.015

const (
	// An excursion shorter than this does not decide a verdict: phases are
	// found with a delay of about that much, and single readings may be off.
	holdTime = time.Second
	// holdGlass is for the glass, which cannot jump; readings that do are
	// already marked by the calibration.
	holdGlass = 300 * time.Millisecond
	// settleShells is how long the operator has to bring the pressure down once
	// the shells have begun.
	settleShells = 8 * time.Second
	// strikeWait is how late the phase may tell that the arc has struck.
	strikeWait = 5 * time.Second
	// riseSettle is how long a closed manifold is left to itself before its
	// rise counts: valves give off gas when they turn.
	riseSettle = 5 * time.Second
	// timeU is the standard uncertainty of a time in a phase, s: the phase is
	// found from pressure and current with a delay.
	timeU = 1.5
	// longest is the longest step that counts as time.
	longest = 2 * time.Second
)

// Checker judges a run against an envelope, frame by frame: live at the bench
// and over stored frames alike. It is used by one goroutine. Step allocates
// nothing.
type Checker struct {
	env    *Envelope
	tracks []track

	started bool
	last    time.Duration
	phase   phase.ID
	since   time.Duration // when the phase began

	rate       slope // glass, for the heating rate
	rise       slope // pressure while isolated
	gauge      slope // pressure while filling
	offP, offU float64
	offFor     time.Duration // how long the arc has been off
	arc        bool
	struckP    float64 // pressure before the arc struck
	struckU    float64
	struckAt   time.Duration
	pending    bool    // struck, phase not known yet
	hot        bool    // the arc has burnt since base was last judged
	tipOffU    float64 // standard uncertainty of when tip-off began, s
	sums       sums
	pace       pace
	gas        oldGas
	summary    Summary
}

// sums are for the means in a Summary.
type sums struct{ bombard, bombardP, bombardI, shells, shellsP, shellsI, onS, onI float64 }

// NewChecker makes a checker for one run.
func NewChecker(env *Envelope) *Checker {
	c := &Checker{env: env, tracks: make([]track, len(env.Limits)), offP: math.NaN(), struckP: math.NaN(), summary: newSummary()}
	c.rate.tau, c.rise.tau, c.gauge.tau = 1.5, 15, 2
	for i, l := range env.Limits {
		t := &c.tracks[i]
		t.limit, t.kind, t.hold = l, kinds[l.ID], holdTime
		t.value, t.u = math.NaN(), math.NaN()
		for _, p := range l.Phases {
			t.phases |= 1 << p
		}
		if l.ID == GlassCeiling || l.ID == GasTemperature {
			t.hold = holdGlass
		}
	}
	return c
}

// Step takes one frame's observation, its uncertainties and the phase.
func (c *Checker) Step(o phase.Observation, u Uncertainties, p phase.ID) {
	u.Pressure, u.Glass, u.Current = orZero(u.Pressure), orZero(u.Glass), orZero(u.Current)
	var dt time.Duration
	if c.started {
		if dt = o.At - c.last; dt <= 0 {
			return
		}
		dt = min(dt, longest)
	}
	if !c.started || p != c.phase {
		c.enter(o.At, p)
	}
	c.started, c.last = true, o.At
	c.follow(o, u, p, dt)
	for i := range c.tracks {
		t := &c.tracks[i]
		t.value, t.u = math.NaN(), math.NaN()
		if t.phases&(1<<p) != 0 && t.limit.Unknown == "" {
			t.entered = true
			c.judge(t, o, u, p, dt)
		}
	}
	c.pending = c.pending && o.At-c.struckAt < strikeWait && c.arc
}

func orZero(x float64) float64 {
	if x != x {
		return 0
	}
	return x
}

// enter starts what is counted within one phase.
func (c *Checker) enter(at time.Duration, p phase.ID) {
	c.phase, c.since = p, at
	switch p {
	case phase.Flush:
		c.ease(c.env.flushed)
	case phase.LeakTest:
		c.rise.reset()
		c.forget(RateOfRise) // only the last test tells how tight it is now
	case phase.Fill:
		c.gauge.reset()
		c.forget(FillPressure)
	case phase.FinalPump:
		// After a second bombard base has to be reached again.
		if c.hot {
			c.forget(BasePressure)
			c.forget(BaseHot)
			if i := c.env.index(BasePressure); i >= 0 {
				c.ease(c.env.Limits[i])
			}
			c.hot = false
		}
	}
}

func (c *Checker) forget(id string) {
	if i := c.env.index(id); i >= 0 {
		t := &c.tracks[i]
		t.have, t.out, t.run = false, 0, 0
	}
}

// follow keeps what several limits look at.
func (c *Checker) follow(o phase.Observation, u Uncertainties, p phase.ID, dt time.Duration) {
	c.rate.add(o.At, o.Glass)
	arcPhase := p == phase.Dry || p == phase.Bombard || p == phase.Shells
	// Without a current reading the phase has to do.
	arc := o.Current > ArcCurrent || o.Current != o.Current && arcPhase
	if arc && !c.arc && o.Current == o.Current && c.offFor >= holdTime/2 {
		c.struckP, c.struckU, c.struckAt, c.pending = c.offP, c.offU, o.At, true
	}
	c.arc = arc
	if arc {
		c.offFor = 0
	} else {
		c.offFor += dt
		if o.Pressure == o.Pressure {
			c.offP, c.offU = o.Pressure, u.Pressure
		}
	}
	c.hot = c.hot || arc && arcPhase
	c.pace.follow(o, u, arc && (p == phase.Bombard || p == phase.Shells), c.env.paceAt)
	c.gas.follow(o, u, arc)
	s := dt.Seconds()
	if !arc || o.Pressure != o.Pressure || o.Current != o.Current {
		return
	}
	switch p {
	case phase.Bombard:
		c.sums.bombard += s
		c.sums.bombardP += s * o.Pressure
		c.sums.bombardI += s * o.Current
	case phase.Shells:
		c.sums.shells += s
		c.sums.shellsP += s * o.Pressure
		c.sums.shellsI += s * o.Current
	}
}

func (c *Checker) judge(t *track, o phase.Observation, u Uncertainties, p phase.ID, dt time.Duration) {
	switch t.kind {
	case momentary:
		x, ux := o.Glass, u.Glass
		if t.limit.ID == CurrentLimit {
			x, ux = o.Current, u.Current
		}
		if t.take(x, ux, o.At, p, dt) && t.limit.ID == GasTemperature {
			c.summary.GasTemperature = x
		}
	case reach:
		t.value, t.u = o.Glass, u.Glass
		if o.Glass > t.limit.High {
			t.out += dt
		}
		if o.Glass == o.Glass && (!t.have || o.Glass > t.worst) {
			t.keep(o.Glass, u.Glass, o.At, p)
		}
	case lowest:
		t.value, t.u = o.Pressure, u.Pressure
		if o.Pressure == o.Pressure && (!t.have || o.Pressure < t.worst) {
			t.keep(o.Pressure, u.Pressure, o.At, p)
		}
	case heating:
		c.judgeRate(t, o, u, p, dt)
	case striking:
		if c.pending && c.struckP == c.struckP {
			c.pending = false
			t.run = t.hold // it is one event, not a stretch of time
			t.take(c.struckP, c.struckU, c.struckAt, p, 0)
			t.run = 0
		}
		// Before the strike the pressure is what counts, after it the strike.
		t.value, t.u = o.Pressure, u.Pressure
		if c.arc {
			t.value, t.u = c.struckP, c.struckU
		}
	case shells:
		if c.arc && o.At-c.since >= settleShells {
			t.take(o.Pressure, u.Pressure, o.At, p, dt)
		} else {
			t.value, t.u = o.Pressure, u.Pressure
		}
	case arcOn:
		if c.arc {
			t.take(o.Pressure, u.Pressure, o.At, p, dt)
		}
	case glowTime:
		if c.arc {
			t.keep(orZero(t.worst)+dt.Seconds(), timeU, o.At, p)
		}
		if t.have {
			t.value, t.u = t.worst, t.worstU
		} else {
			t.value, t.u = 0, timeU
		}
	case baseHot:
		t.value, t.u = o.Glass, u.Glass
		if !t.have && o.Pressure <= c.env.reached && o.Glass == o.Glass {
			t.keep(o.Glass, u.Glass, o.At, p)
		}
	case rising:
		c.judgeRise(t, o, u, p)
	case filling:
		c.judgeFill(t, o, u, p)
	default:
		c.judgeOther(t, o, u, p, dt)
	}
}

// judgeRate takes the slope of the glass temperature. What the sensor's scale
// is off by it is off in the rise above ambient, and in the rate alike.
func (c *Checker) judgeRate(t *track, o phase.Observation, u Uncertainties, p phase.ID, dt time.Duration) {
	if o.Glass != o.Glass || !c.rate.ready() {
		return
	}
	r, ur, _ := c.rate.fit()
	above := max(50, o.Glass-20)
	ur = math.Hypot(ur, r*u.Glass/above)
	if t.take(r, ur, o.At, p, dt) {
		c.summary.RateCurrent, c.summary.RatePressure = o.Current, o.Pressure
	}
}

func (c *Checker) judgeRise(t *track, o phase.Observation, u Uncertainties, p phase.ID) {
	if o.At-c.since < riseSettle {
		return
	}
	c.rise.add(o.At, o.Pressure)
	if o.Pressure != o.Pressure || c.rise.n < 4 || c.rise.span() < time.Duration(c.rise.tau)*time.Second {
		return
	}
	r, ur, level := c.rise.fit()
	if level > 0 {
		ur = math.Hypot(ur, r*u.Pressure/level) // the gauge's scale
	}
	// The last slope, not the steepest: outgassing bends over, a leak stays.
	t.keep(r, ur, o.At, p)
	t.value, t.u = r, ur
}

// judgeFill takes the pressure at 20 °C while gas is let in. In tip-off the
// gauge soon sees only the manifold, so that the last value of fill stands.
func (c *Checker) judgeFill(t *track, o phase.Observation, u Uncertainties, p phase.ID) {
	if p != phase.Fill {
		if t.have {
			t.value, t.u = t.worst, t.worstU
		}
		return
	}
	celsius, uT := o.Glass, u.Glass
	if celsius != celsius && c.env.Bench.Ambient != 0 {
		// By the time of the fill the glass is near the room's temperature.
		celsius, uT = c.env.Bench.Ambient, 5
	}
	if o.Pressure != o.Pressure || celsius != celsius {
		return
	}
	c.gauge.add(o.At, o.Pressure)
	x := FillAt20(o.Pressure, celsius)
	ux := x * math.Hypot(u.Pressure/o.Pressure, uT/(celsius+zeroC))
	t.value, t.u = x, ux
	// Only a steady pressure is a fill; once the valve is shut it is.
	if !c.gauge.ready() {
		if !t.have {
			t.keep(x, ux, o.At, p)
		}
		return
	}
	rate, _, _ := c.gauge.fit()
	if math.Abs(rate) > 0.005*o.Pressure && t.have {
		if math.Abs(x-t.worst) < 0.05*t.worst {
			return
		}
		// It moves on from where it was steady: gas was added or taken.
	}
	mean := c.gauge.mean()
	t.keep(FillAt20(mean, celsius), ux, o.At, p)
	c.summary.FillGauge, c.summary.FillTemperature = mean, celsius
}

// Now appends how each limit that applies in the present phase is met now.
func (c *Checker) Now(dst []Present) []Present {
	if !c.started {
		return dst
	}
	for i := range c.tracks {
		t := &c.tracks[i]
		if t.phases&(1<<c.phase) == 0 {
			continue
		}
		p := Present{Index: i, Value: t.value, U: t.u, Verdict: NotKnown}
		if t.limit.Unknown == "" {
			p.Verdict = t.present()
		}
		dst = append(dst, p)
	}
	return dst
}
