package chain

import (
	"math"
	"slices"
	"time"

	"tipoff/calib"
)

// staleness is how long a last value is held when nothing new comes.
func staleness(interval time.Duration) time.Duration {
	return max(300*time.Millisecond, 3*interval)
}

func none(q calib.Quality) calib.Value {
	return calib.Value{X: math.NaN(), U: math.NaN(), Q: q}
}

// pair is one accepted sample: input quantity and cold-junction code.
type pair struct {
	x, aux float64
	at     time.Duration
	q      calib.Quality
}

// filter gathers the samples of one interval: it turns codes into the input's
// quantity, keeps out single wild samples and estimates the noise.
//
// A sample that lies further from the one before than noise explains waits for
// its successor. If that goes on from it, or is nearer to it than to the old
// level, it was a step or a ramp and both count; else it was a spike and is left
// out. So a step is never hidden, only told one sample later, and ordinary
// samples do not wait at all. A leap that glass or gas cannot make needs two
// successors: sparks come in pairs, and it is told within three samples even so.
type filter struct {
	scale, offset float64
	lsb           float64 // quantity of one code, 0 if not a code
	rawMin        float64
	rawMax        float64
	rails         bool
	noFilter      bool
	limit         time.Duration
	frozenFor     time.Duration
	within, share float64 // that the device may be off by, ±: fixed, and of the reading

	prev    float64 // last sample, accepted or not
	step    float64 // least difference of neighbours of a number that is not a code
	steps   int     // how often it was seen, up to leastSteps
	last    pair    // last accepted
	begun   bool
	waiting bool
	cand    pair
	doubted bool // cand has a successor, second, and waits for another
	second  pair
	maxRate float64    // of the quantity, 1/s; 0 is not checked
	v       float64    // variance of one sample, from differences of neighbours
	vn      int        // differences in v, up to a limit
	early   [5]float64 // the first differences, as variances
	equal   int        // samples in a row that were the same

	// The open interval.
	n, nAux      int
	sum, sumAux  float64
	q, bad       calib.Quality
	lastRaw      float64
	lastAux      float64
	sameSince    time.Duration
	lastAccepted time.Duration
	first        time.Duration // time of the first accepted sample
	after        time.Duration // sum of the others' times after it
}

func newFilter(p Params, in Input) filter {
	f := filter{scale: in.Scale, offset: in.Offset, rawMin: in.RawMin, rawMax: in.RawMax,
		rails: in.RawMin != in.RawMax, limit: staleness(in.Interval), frozenFor: p.FrozenFor,
		within: in.Acc.Offset, share: in.Acc.Gain,
		noFilter: in.Kind == State, lastRaw: math.NaN(), v: in.Acc.Noise * in.Acc.Noise}
	if in.Integer {
		f.lsb = math.Abs(in.Scale)
	}
	if !in.Acc.stated() {
		f.share = unstatedShare
	}
	f.prev = math.NaN()
	return f
}

// spikeSigmas is how many standard deviations of a difference make a sample
// wait; waiting costs one sample's delay, so the limit may be low.
const spikeSigmas = 6

// push adds a sample.
func (f *filter) push(at time.Duration, raw, aux float64, q calib.Quality) {
	if q&calib.Invalid != 0 || raw != raw {
		if raw != raw && q&calib.Invalid == 0 {
			q |= calib.NoReading
		}
		f.bad |= q & calib.Invalid
		return
	}
	if raw != f.lastRaw || aux != f.lastAux && aux == aux {
		f.lastRaw, f.lastAux, f.sameSince = raw, aux, at
	} else if f.frozenFor > 0 && at-f.sameSince > f.frozenFor {
		f.bad |= calib.Frozen
		return
	}
	if f.rails && (raw <= f.rawMin || raw >= f.rawMax) {
		q |= calib.Clipped
	}
	s := pair{x: f.scale * (raw + f.offset), aux: aux, at: at, q: q}
	if f.lsb == 0 {
		f.learnStep(s.x)
	}
	switch {
	case !f.begun || f.noFilter:
		f.accept(s)
	case f.waiting:
		f.resolve(s)
	default:
		f.consider(s)
	}
}

// resolve decides on the waiting sample by its successor s.
func (f *filter) resolve(s pair) {
	step, next := f.cand.x-f.last.x, s.x-f.cand.x
	if step*next < 0 && math.Abs(next) > math.Abs(s.x-f.last.x) {
		f.waiting, f.doubted = false, false
		f.q |= calib.Spike
		f.consider(s)
		return
	}
	if !f.doubted && f.impossible() {
		f.doubted, f.second = true, s
		return
	}
	f.accept(f.cand)
	if f.doubted {
		f.accept(f.second)
	}
	f.waiting, f.doubted = false, false
	f.consider(s)
}

// impossible tells whether the waiting sample is further from the last than the
// fastest change could have brought it.
func (f *filter) impossible() bool {
	if f.maxRate <= 0 {
		return false
	}
	most := f.maxRate*(f.cand.at-f.last.at).Seconds() + spikeSigmas*math.Sqrt(2*f.v)
	return math.Abs(f.cand.x-f.last.x) > most
}

// consider accepts s, or lets it wait if it is far from the last.
func (f *filter) consider(s pair) {
	d := s.x - f.last.x
	limit := spikeSigmas*spikeSigmas*2*f.v + 16*f.grain(s.x)
	if d*d > limit && f.vn >= 3 {
		f.waiting, f.cand = true, s
		return
	}
	f.accept(s)
}

// A number that a kernel's driver or an instrument has computed comes in steps of
// the chip below, which nobody states: of 0.25 °C in thousandths of a degree. That step is seen
// after a while. Two spikes of one height alone look like it as well, so it is
// believed no further than the device may be off: of that nobody is misled.
const (
	leastSteps    = 4
	unstatedShare = 0.01
)

// learnStep looks for the least step between neighbours.
func (f *filter) learnStep(x float64) {
	d := math.Abs(x - f.prev)
	f.prev = x
	switch {
	case !(d > 0):
	case f.steps == 0 || d < 0.75*f.step:
		f.step, f.steps = d, 1
	case d < 1.25*f.step:
		f.steps = min(f.steps+1, leastSteps)
	}
}

// grain is the square of the least difference that means anything: one code, or
// for a transmitted number one part in ten thousand or the step that it comes in.
func (f *filter) grain(x float64) float64 {
	if f.lsb > 0 {
		return f.lsb * f.lsb
	}
	least := 1e-4 * math.Abs(x)
	if f.steps >= leastSteps && f.step <= f.within+f.share*math.Abs(x) {
		least = max(least, f.step)
	}
	return least * least
}

// mostEqual is how many equal samples in a row count for the noise.
const mostEqual = 32

func (f *filter) accept(s pair) {
	if d := s.x - f.last.x; d != 0 || !f.begun {
		f.equal = 0
	} else {
		f.equal++
	}
	// A code that stands for long says nothing about the noise: when it moves again,
	// it must not all pass for spikes.
	if f.begun && f.equal <= mostEqual {
		d := s.x - f.last.x
		dd := 0.5 * d * d
		// One step must not pass for noise: it counts as at most 25 times the
		// variance known.
		if f.vn >= 3 {
			dd = math.Min(dd, 25*f.v+f.grain(s.x))
		}
		f.vn = min(f.vn+1, 64)
		if f.vn <= len(f.early) {
			f.early[f.vn-1] = dd
			f.v = f.start()
		} else {
			f.v += (dd - f.v) / float64(f.vn)
		}
	}
	f.begun = true
	f.last = s
	if f.n == 0 {
		f.first = s.at
	}
	f.after += s.at - f.first
	f.n++
	f.sum += s.x
	if s.aux == s.aux {
		f.nAux++
		f.sumAux += s.aux
	}
	f.q |= s.q
	f.lastAccepted = s.at
}

// start is the noise by the first differences: their median, because a single wild
// sample, as while a plug goes in, spoils two of them and is no noise.
func (f *filter) start() float64 {
	e := f.early
	n := min(f.vn, len(e))
	slices.Sort(e[:n])
	if n < len(e) {
		return e[n/2]
	}
	return e[n/2] / medianOfSquare
}

// medianOfSquare is the median of the square of a normal variable of variance 1
// (chi-squared of one degree of freedom).
const medianOfSquare = 0.4549

// alive is the time of the latest sample, be it accepted or waiting.
func (f *filter) alive() time.Duration {
	switch {
	case f.doubted:
		return f.second.at
	case f.waiting:
		return f.cand.at
	}
	return f.lastAccepted
}

// state tells what an interval brought.
type state uint8

const (
	fresh state = iota // samples
	held               // nothing new; the last value may stand
	lost               // no reading: why is in q
)

// mean is what stands for an interval.
type mean struct {
	x, aux float64
	v      float64 // variance of x by noise
	n      int
	at     time.Duration // of the last sample
	centre time.Duration // mean time of the samples
	q      calib.Quality
	state  state
}

// take closes the interval.
func (f *filter) take(at time.Duration, noise float64) mean {
	m := mean{x: math.NaN(), aux: math.NaN(), n: f.n, q: f.q, at: f.lastAccepted}
	switch {
	case f.n > 0:
		m.x = f.sum / float64(f.n)
		m.centre = f.first + f.after/time.Duration(f.n)
		// Noise, from the differences (which a slow drift does not swell) or
		// the data sheet, whichever is more; the rounding of a code is not
		// averaged away where there is less noise than one code.
		m.v = math.Max(f.v, noise*noise)/float64(f.n) + f.lsb*f.lsb/12
		if f.nAux > 0 {
			m.aux = f.sumAux / float64(f.nAux)
		}
	case f.bad&^calib.NoReading != 0:
		m.state, m.q = lost, f.bad
	case !f.begun || at-f.alive() > f.limit:
		m.state, m.q = lost, f.bad|calib.NoReading
	default:
		m.state = held
	}
	f.n, f.nAux, f.sum, f.sumAux, f.after, f.q, f.bad = 0, 0, 0, 0, 0, 0, 0
	return m
}
