// Package drift watches channels for what they must show when it is known
// without a calibration: a thermocouple at rest the room's temperature, a gauge on
// the open manifold the atmosphere, a current without an arc nothing, and two
// channels of one quantity the same. A channel that does not, by more than is left
// open, and does so again and again, has drifted or is connected badly; either way
// it is to be calibrated.
//
// No check here replaces a calibration: each sees one point of the range.
package drift

import (
	"math"
	"time"

	"tipoff/calib"
	"tipoff/calib/certificate"
	"tipoff/calib/uncertainty"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// Against is what a channel is checked against.
type Against uint8

// The checks.
const (
	Room       Against = iota // a thermometer at rest against the room
	Atmosphere                // a gauge on the vented manifold against barometer or altitude
	ArcOff                    // a current without an arc against nothing
	OtherMeter                // a current against another channel of it, in the arc
	OtherGauge                // a gauge against another where both can tell
	BestBase                  // a gauge at base against its own best base
	checks
)

// All is all checks.
func All() []Against { return []Against{Room, Atmosphere, ArcOff, OtherMeter, OtherGauge, BestBase} }

// String is the check as metrics and files write it.
func (a Against) String() string {
	return [...]string{"room", "atmosphere", "arc-off", "other-meter", "other-gauge", "best-base"}[a]
}

// What is waited for before a check, and how often it must fail. Our own choice,
// long against what a bench does in its day.
const (
	restFor    = 10 * time.Minute // for which glass and room must keep their distance
	restMoves  = 0.6              // K by which it may change in that time
	arcOffFor  = 60 * time.Second
	arcFor     = 10 * time.Second
	arcMoves   = 0.10 // of the current
	gaugeFor   = 20 * time.Second
	gaugeMoves = 0.03             // of the pressure
	ventFor    = 60 * time.Second // that a vented manifold must be at rest
	ventMoves  = 0.01             // by which it may move in that time, beside what the gauge is in doubt by
	ventNear   = 0.25             // of the atmosphere, outside which the manifold is not vented
	again      = time.Hour        // after which the same idle time counts once more
	Strikes    = 3                // in a row and in one direction, until it is told
	arcAmps    = 0.1              // bombarding takes 0.1 A and more (common practice)
	idleAmps   = 0.02             // a finished tube at work takes more (common practice)
	baseFactor = 3.0              // by which a base must be worse than the best
)

// A chip sits in its box up to 5 K warmer than the room (our estimate, as in
// calib/chain).
const boxWarmth = 5.0

// UsualTolerance is the ± K of a thermocouple wire at room temperature of which
// no class is known: that of class 2 of IEC 60584-1 for types K, N and E.
const UsualTolerance = 2.5

// Input is what is known of a channel beside its readings.
type Input struct {
	AuxScale  float64 // cold junction in °C is AuxScale times Aux; 0: there is none
	Tolerance float64 // of a thermocouple's wire at room temperature, ± K
	// Bias is where a current's input rests, V, which are Scale·(Raw + Offset); 0:
	// not known.
	Bias, Scale, Offset float64
}

// channel is one channel with its checks.
type channel struct {
	in   Input
	cert *certificate.Certificate
	is   [checks]check
	bias window
	// Of a gauge in the present run.
	base  window
	low   calib.Value // lowest base; X NaN: none
	alone bool        // no other gauge could tell
}

// pair is two channels of one quantity.
type pair struct {
	a, b int
	at   window // of the better one's value; beside it b less a
}

// Watch is a bench's watch for drift. It is used by one goroutine.
type Watch struct {
	layout *frame.Layout
	ch     []channel
	pairs  []pair
	air    float64 // Pa in the open by the bench's altitude; 0: not known

	period int // counts runs begun and ended
	inRun  bool
	pumped bool          // the run came to its base
	idle   time.Duration // since when it is idle, negative if it is not
	news   bool          // what is told has changed
	dirty  bool          // what is to be kept has changed
	begun  bool
}

// New makes a watch. in holds what is known of each channel of the layout; nil:
// nothing. air is the pressure that the standard atmosphere has at the bench's
// altitude, Pa; 0: not known.
func New(l *frame.Layout, in []Input, air float64) *Watch {
	w := &Watch{layout: l, ch: make([]channel, len(l.Channels)), air: air, idle: -1}
	for i := range w.ch {
		if in != nil {
			w.ch[i].in = in[i]
		}
		w.ch[i].low = none
		for j := range i {
			if r := l.Channels[i].Role; r == l.Channels[j].Role && (r == frame.Pressure || r == frame.Current) {
				w.pairs = append(w.pairs, pair{a: j, b: i})
			}
		}
	}
	return w
}

var none = calib.Value{X: math.NaN(), U: math.NaN()}

// Use tells by which certificate a channel's values are corrected from now on;
// nil: none. What was seen before belongs to the one before.
func (w *Watch) Use(channel int, cert *certificate.Certificate) {
	c := &w.ch[channel]
	c.cert = cert
	c.is = [checks]check{}
	c.bias, c.base, c.low = window{}, window{}, none
	w.news, w.dirty = true, true
}

// Finding is how a check stands.
type Finding struct {
	Known bool
	// Offset is by how much the channel was off the last time, in its unit, and U
	// the standard uncertainty of that.
	Offset, U float64
	Drifts    bool // it was off often enough
	Text      string
	Hint      string
}

// Finding is how a channel's check stands.
func (w *Watch) Finding(channel int, a Against) Finding {
	c := &w.ch[channel].is[a]
	f := Finding{Known: c.known, Offset: c.offset, U: c.u, Drifts: c.drifts()}
	if f.Drifts {
		f.Text, f.Hint = c.text, hints[a]
	}
	return f
}

// Drift is the first check by which a channel drifts, in words; "" if it does not
// as far as is known.
func (w *Watch) Drift(channel int) (text, hint string) {
	for a := range checks {
		if f := w.Finding(channel, a); f.Drifts {
			return f.Text, f.Hint
		}
	}
	return "", ""
}

var hints = [checks]string{
	Room:       "check the plug, the extension wire's type and polarity and where the junction lies; then calibrate it, at the ice point at least",
	Atmosphere: "check the gauge's plug and supply; then calibrate it against a barometer and the U-tube",
	ArcOff:     "check the transformer's screened line, its burden and the converter's reference; then calibrate against a clamp meter",
	OtherMeter: "check both transformers and their burdens, then calibrate the one with the older certificate against a clamp meter",
	OtherGauge: "calibrate both gauges at base and against the U-tube; adjust the zero of a diaphragm gauge at base, as its data sheet says",
	BestBase:   "see Pump and leaks for the pump and the joints; if they are well, calibrate the gauge at base",
}

// check is one check of one channel.
type check struct {
	at      window
	known   bool
	offset  float64
	u       float64
	strikes int // failed ones in a row, negative below
	need    int // that it takes
	text    string
	said    float64 // offset that text speaks of

	judged bool
	when   time.Duration
	period int

	best, bestU float64 // of [BestBase]; bestU 0: none yet
}

func (c *check) drifts() bool { return c.need > 0 && max(c.strikes, -c.strikes) >= c.need }

// due tells whether the check may count again.
func (w *Watch) due(c *check, at time.Duration) bool {
	return !c.judged || c.period != w.period || at-c.when >= again
}

// judge takes the outcome of a check; text is made only where it is off. A u that
// is not known judges nothing.
func (w *Watch) judge(c *check, at time.Duration, offset, u float64, need int, text func() string) {
	if !(u > 0) || math.IsInf(u, 0) || offset-offset != 0 {
		return
	}
	was, before := c.drifts(), c.text
	c.judged, c.when, c.period = true, at, w.period
	c.known, c.offset, c.u, c.need = true, offset, u, need
	switch {
	case math.Abs(offset) <= 2*u:
		c.strikes, c.text = 0, ""
	case offset > 0:
		c.strikes = max(c.strikes, 0) + 1
	default:
		c.strikes = min(c.strikes, 0) - 1
	}
	// What has been told stays as it is while it stays about the same.
	if c.strikes != 0 && (!was || math.Abs(offset-c.said) > u) {
		c.text, c.said = text(), offset
	}
	w.dirty = true
	if c.drifts() != was || was && c.text != before {
		w.news = true
	}
}

// window gathers values while they keep together.
type window struct {
	since     time.Duration
	low, high float64
	n         int
	sum       float64
	beside    float64 // sum of what goes with the values
}

// add takes a value and gives the mean of those that have kept within spread for
// a time. After that, or where a value strays, it begins anew.
func (w *window) add(at time.Duration, x, spread float64, long time.Duration) (mean float64, ok bool) {
	mean, _, ok = w.addBoth(at, x, 0, spread, long)
	return mean, ok
}

// addBoth is add with a second value, which may do what it likes.
func (w *window) addBoth(at time.Duration, x, y, spread float64, long time.Duration) (meanX, meanY float64, ok bool) {
	if w.n == 0 || math.Max(w.high, x)-math.Min(w.low, x) > spread {
		*w = window{since: at, low: x, high: x}
	}
	w.low, w.high, w.n = math.Min(w.low, x), math.Max(w.high, x), w.n+1
	w.sum, w.beside = w.sum+x, w.beside+y
	if at-w.since < long {
		return 0, 0, false
	}
	n := float64(w.n)
	w.n = 0
	return w.sum / n, w.beside / n, true
}

// Now is what a moment is like, beside the frame.
type Now struct {
	Phase phase.ID
	InRun bool // a run is going on
	// Wall is the date, if Known: certificates age by it.
	Wall  time.Time
	Known bool
}

// Step looks at a frame. Once a second is often enough. It tells whether what is
// told of drift has changed, and allocates nothing unless a check fails.
func (w *Watch) Step(at time.Duration, f *frame.Frame, now Now) (news bool) {
	if w.begun && w.inRun != now.InRun {
		if w.inRun {
			w.judgeBase(at)
		}
		w.period++
		w.pumped = false
		for i := range w.ch {
			w.ch[i].low, w.ch[i].alone = none, true
		}
	}
	w.begun, w.inRun = true, now.InRun
	w.pumped = w.pumped || now.InRun && (now.Phase == phase.FinalPump || now.Phase == phase.Cool)
	arc := w.arc(f)
	if now.Phase != phase.Idle || now.InRun || arc {
		w.idle = -1
	} else if w.idle < 0 {
		w.idle = at
	}
	for i := range w.ch {
		r := &f.Readings[i]
		sound := r.Value.Good() && r.Value.Q&calib.Suspect == 0
		switch w.layout.Channels[i].Role {
		case frame.Glass, frame.Shell:
			w.room(i, at, f, now, sound)
		case frame.Pressure:
			w.vented(i, at, r.Value, now, sound)
			w.base(i, at, f, sound && !arc)
		case frame.Current:
			w.arcOff(i, at, r, sound)
		}
	}
	for k := range w.pairs {
		p := &w.pairs[k]
		if w.layout.Channels[p.a].Role == frame.Current {
			w.meters(p, at, f, now)
		} else {
			w.gauges(p, at, f, now, arc)
		}
	}
	news, w.news = w.news, false
	return news
}

// arc tells whether any current, or the contactor, says that an arc burns.
func (w *Watch) arc(f *frame.Frame) bool {
	for i := range w.ch {
		l, v := &w.layout.Channels[i], f.Readings[i].Value
		if v.Good() && (l.Role == frame.Current && v.X > arcAmps || l.Purpose == frame.Contactor && v.X > 0) {
			return true
		}
	}
	return false
}

// own is the standard uncertainty by which a channel may be off at x. With a
// certificate it is that of the fit and of age: the data sheet's limits, which are
// in u, are what the calibration was made to do without.
func (w *Watch) own(i int, x, u float64, now Now) float64 {
	c := w.ch[i].cert
	if c == nil {
		return u
	}
	age := c.Due.Sub(c.Date)
	if now.Known {
		age = now.Wall.Sub(c.Date)
	}
	_, fit := c.Apply(c.Fit.Undo(x))
	if own := math.Hypot(fit, c.DriftU(x, age)); own == own && !(own >= u) {
		return own
	}
	return u
}

// rectangular is the standard uncertainty of a limit.
func rectangular(limit float64) float64 { return uncertainty.Rectangular(limit) }
