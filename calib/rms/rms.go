// Package rms measures the true RMS of a mains-frequency current waveform from
// time-stamped samples.
//
// The frequency is found from the signal: it crosses its mean, and the edge of a
// half cycle is where it leaves a band of hysteresis about the mean on the other
// side, by linear interpolation. (The mean itself would not do: phase-cut current
// rests on it.) The mean square is taken over whole cycles, with the
// parts of a sample interval before and after a crossing counted exactly; any
// DC offset (a converter's bias) drops out. Terms of IEC 61000-4-30: the RMS of
// one cycle refreshed each half cycle, and the RMS of 10 (50 Hz) or 12 (60 Hz)
// cycles, about 200 ms. Without a signal there are no cycles; then the RMS of a
// plain 200 ms window tells the noise within that time.
//
// # Edges
//
// A sudden edge (phase-cut or restriking current) between two samples can be
// placed no better than the interval T between them. It is a step E² of the
// squared waveform; the trapezoid puts it in the middle of its interval, so that
// ∫y² is off by (θ - ½)·T·E², with its place θ anywhere from 0 to 1: a standard
// uncertainty of T·E²/√12 an edge. Edges recur each half cycle, so their places
// go together. With a whole number of samples to the half cycle they are all the
// same: then the RMS is off by up to E²·T/(4·RMS·half cycle). An ideal edge at the
// crest (a sine cut at 90°) in one 200 ms window at 50 Hz thus allows ±2.5 % at
// 4 kS/s and ±12 % at 860 S/s in that worst case, about a fifth of it where the
// places differ. [Reading].Alias is this as a standard uncertainty, with E² found
// in the samples (how far a step of y² lies off its neighbours) and the places by
// the frequency; see places. It is no less than for places independent of each
// other.
//
// From fineEnough samples to the half cycle on (4 kS/s) more can be done. All edges
// of steady firing lie at one distance from each other, and each lies between two
// known samples: where the mains moves against the sampling clock, these gaps
// together leave the line through them little room, as a vernier does, and Alias is
// that room. What lies between an edge and its next sample is then taken from the
// sine after it. A board's clock and the mains are never locked: 0.1 Hz apart, or
// 0.03 Hz with the edges of the last seconds, a single reading of an ideal
// phase-cut sine is within 0.2 % down to 100° of conduction and within 0.4 % to
// 60°; over 3 s 0.2 % holds to 40°. Where they were locked nobody could do better
// than above: different waveforms then have the same samples (TestSynchronousProof),
// and Alias covers them all.
//
// A filter that gives the edge a slope makes it easier: band-limited to under half
// the rate, 2 kHz at 4 kS/s, the error is under 0.2 % at every angle and frequency;
// Alias, which cannot know, stays larger.
package rms

import (
	"math"
	"time"
)

// Options of a meter.
type Options struct {
	Mains float64 // nominal mains frequency, Hz; 50 or 60; 0 means 50
	// Rate is the nominal samples per second, 0 if unknown; missing samples are
	// noticed by it.
	Rate float64
	// ClipLow and ClipHigh are the rails of x; a value at or beyond one is
	// clipped. Both 0: no rails known.
	ClipLow, ClipHigh float64
	// Floor is the swing about the mean below which nothing counts as a signal,
	// in the unit of x; 0 means whatever crosses.
	Floor float64
}

// Reading is an RMS over a window.
type Reading struct {
	RMS          float64 // unit of x, DC removed
	Mean         float64 // unit of x: the DC offset
	Peak         float64 // largest distance from the mean
	Frequency    float64 // Hz; 0 without whole cycles
	Cycles       float64 // whole cycles in the window; 0: plain window
	Start, End   time.Duration
	Clipped      bool // a sample was at a rail: RMS is too low
	Undersampled bool // fewer than 8 samples per cycle, a hole, or (over cycles) Alias above 1 % of RMS
	// Alias is the standard uncertainty of RMS, in its unit, by what the waveform
	// may do between the samples; see the package's "Edges".
	Alias    float64
	Interval time.Duration // mean time between samples
	Jitter   time.Duration // standard deviation of the times between samples
}

// Crest is peak over RMS, NaN without a signal.
func (r Reading) Crest() float64 {
	if r.RMS == 0 {
		return math.NaN()
	}
	return r.Peak / r.RMS
}

// sums are the moments of a stretch about its own level; time in ns.
type sums struct {
	t, s1, s2 float64 // ∫dt, ∫y dt, ∫y² dt
	raw, tt   int64   // Σ of sample intervals, and of their squares, ns, ns²
	n         int
}

// segment is a stretch between two crossings (half a cycle), or a stretch
// without a crossing that was cut off by time.
type segment struct {
	sums
	level    float64
	min, max float64
	edge     float64 // square of twice the largest unresolved step of y²
	end      float64 // ns since the meter's first sample
	whole    bool    // begins and ends at a crossing
	hole     bool
	jump     jump
}

// ring is the segments kept and the open one, a power of two; 200 ms hold at most
// 41, what is more serves to place edges.
const ring = 256

// Meter measures one waveform. The zero Meter is not usable; see [New]. It is
// used by one goroutine and allocates nothing after New.
type Meter struct {
	opt     Options
	half    float64 // nominal half cycle, ns
	maxGap  float64 // ns between samples that is a hole
	begun   bool
	origin  time.Duration
	last    time.Duration
	past    [3]float64 // last samples, latest first; NaN: none
	level   float64
	h       float64  // hysteresis; 0 until a level is known
	up      bool     // which side of the level the signal is on
	open    *segment // the one being filled, in segs
	segs    [ring]segment
	count   uint64 // segments closed so far
	crossed bool   // the open segment began at a crossing
}

// New makes a meter.
func New(o Options) *Meter {
	if o.Mains == 0 {
		o.Mains = 50
	}
	m := &Meter{opt: o, half: 0.5e9 / o.Mains, maxGap: 0.3e9 / o.Mains}
	if o.Rate > 0 {
		m.maxGap = 1.8e9 / o.Rate
	}
	m.open = &m.segs[0]
	return m
}

// Push adds the sample x taken at time at. Samples that do not come later than
// the one before, and NaN, are left out.
func (m *Meter) Push(at time.Duration, x float64) {
	if !m.begun {
		m.begin(at, x)
		return
	}
	k := int64(at - m.last)
	if k <= 0 || x != x {
		return
	}
	dt := float64(k)
	y, py := x-m.level, m.past[0]-m.level
	o := m.open
	if dt > m.maxGap {
		if dt > m.half {
			m.restart(at, x)
			return
		}
		o.hole = true
	}
	o.t += dt
	o.s1 += 0.5 * dt * (y + py)
	o.s2 += 0.5 * dt * (y*y + py*py)
	o.raw += k
	o.tt += k * k
	o.n++
	if m.looks() {
		one := [1]float64{x}
		o.edge = m.edges(one[:], o.edge)
	}
	m.past[2], m.past[1], m.past[0] = m.past[1], m.past[0], x
	if x < o.min {
		o.min = x
	}
	if x > o.max {
		o.max = x
	}
	m.last = at
	if o.n == 2 {
		o.second(at-m.origin, x)
	}
	if m.up {
		if y < -m.h {
			m.flip(dt, y, py, -m.h)
		}
	} else if y > m.h {
		m.flip(dt, y, py, m.h)
	}
	if o.t > 2*m.half {
		m.close(sums{}, false)
	}
}

func (m *Meter) begin(at time.Duration, x float64) {
	if x != x {
		return
	}
	m.begun, m.origin, m.last, m.level = true, at, at, x
	m.past = [...]float64{x, math.NaN(), math.NaN()}
	m.h = math.Inf(1) // no crossing before a mean is known
	*m.open = segment{level: x, min: x, max: x}
}

// restart forgets the windows after a stretch so long without samples that
// nobody knows what went on in it.
func (m *Meter) restart(at time.Duration, x float64) {
	m.count, m.crossed = 0, false
	m.last, m.up = at, x > m.level
	m.past = [...]float64{x, math.NaN(), math.NaN()}
	m.open = &m.segs[0]
	*m.open = segment{level: m.level, min: x, max: x}
}

// flip takes the side on which the signal now is, and ends the half cycle where
// y went through c, unless that comes too soon to be one (a notch).
//
// The interval's trapezoid is parted there: x runs linearly within it, and the
// Euler-Maclaurin term of the trapezoid sum that ends (or begins) at a sample
// next to it is taken off (or added). Both parts add up to the trapezoid, and a
// sum over whole cycles has no end error to the order of the interval squared.
func (m *Meter) flip(dt, y, py, c float64) {
	m.up = !m.up
	o := m.open
	d := y - py
	a := min(max((c-py)/d, 0), 1) // the mean may just have moved
	if a != a {
		a = 0
	}
	c = py + a*d
	b := 1 - a
	if o.t-b*dt < 0.5*m.half {
		return
	}
	k := int64(dt)
	m.close(sums{
		t:   b * dt,
		s1:  dt * (b*(c+y)*0.5 + d*(1.0/12)),
		s2:  dt * (b*(c*c+c*y+y*y)*(1.0/3) + y*d*(1.0/6)),
		raw: k,
		tt:  k * k,
		n:   1,
	}, true)
}

// close ends the open segment less the rest, which begins the next one.
func (m *Meter) close(rest sums, crossing bool) {
	o := m.open
	o.t -= rest.t
	o.s1 -= rest.s1
	o.s2 -= rest.s2
	o.raw -= rest.raw
	o.tt -= rest.tt
	o.n -= rest.n
	o.end = float64(m.last-m.origin) - rest.t
	o.whole = crossing && m.crossed
	m.count++
	if m.count%2 == 0 || !o.whole { // once a cycle will do
		m.adapt()
	}
	shift := o.level - m.level
	next := &m.segs[m.count%ring]
	next.t = rest.t
	next.s1 = rest.s1 + shift*rest.t
	next.s2 = rest.s2 + 2*shift*rest.s1 + shift*shift*rest.t
	next.raw, next.tt, next.n = rest.raw, rest.tt, rest.n
	next.level, next.min, next.max, next.edge, next.hole = m.level, m.past[0], m.past[0], o.edge, false
	if m.looks() {
		next.edge = 0
	}
	j := &next.jump
	if j.begun = crossing; crossing {
		j.t1 = float64(m.last - m.origin)
		j.t0, j.t2 = j.t1-float64(rest.raw), 0
		j.x0, j.x1 = m.past[1], m.past[0]
		j.t, j.s1, j.s2 = next.t, next.s1, next.s2
	}
	m.open = next
	m.crossed = crossing
	if !crossing {
		m.up = m.past[0] > m.level
	}
}

// adapt sets level and hysteresis from the last cycle.
func (m *Meter) adapt() {
	a := m.at(0)
	t, first := a.t, a.s1+a.level*a.t
	var b *segment
	if m.count > 1 && a.t < 1.5*m.half {
		b = m.at(1)
		t += b.t
		first += b.s1 + b.level*b.t
	}
	per := 1 / t
	m.level = first * per
	second := a.about(m.level)
	if b != nil {
		second += b.about(m.level)
	}
	m.h = m.opt.Floor
	if h := 0.3 * math.Sqrt(second*per); h > m.h { // not if rounding made second negative
		m.h = h
	}
}

// about is ∫(x - level)² dt.
func (s *segment) about(level float64) float64 {
	e := s.level - level
	return s.s2 + 2*e*s.s1 + e*e*s.t
}

// at is the i-th last segment.
func (m *Meter) at(i uint64) *segment { return &m.segs[(m.count-1-i)%ring] }

// sum makes a reading of the last n segments, and the open one if asked.
func (m *Meter) sum(n uint64, withOpen bool) Reading {
	n = min(n, m.count, ring-1)
	var t, first float64
	lo, hi := math.Inf(1), math.Inf(-1)
	var squares float64 // Σ of squared edges
	var raw, tt int64
	halves, whole := 0, 0
	samples := 0
	hole := false
	add := func(s *segment) {
		t += s.t
		first += s.s1 + s.level*s.t
		lo, hi = min(lo, s.min), max(hi, s.max)
		samples += s.n
		squares += 0.25 * s.edge
		raw += s.raw
		tt += s.tt
		halves++
		if s.whole {
			whole++
		}
		hole = hole || s.hole
	}
	for i := range n {
		add(m.at(i))
	}
	if withOpen {
		add(m.open)
	}
	if !(t > 0) {
		return Reading{RMS: math.NaN(), Mean: math.NaN(), Peak: math.NaN()}
	}
	mean := first / t
	second := 0.0
	for i := range n {
		second += m.at(i).about(mean)
	}
	if withOpen {
		second += m.open.about(mean)
	}
	r := Reading{RMS: math.Sqrt(max(0, second/t)), Mean: mean, Peak: max(hi-mean, mean-lo)}
	end := float64(m.last - m.origin)
	if !withOpen && n > 0 {
		end = m.at(0).end
	}
	r.End = m.origin + time.Duration(end)
	r.Start = m.origin + time.Duration(end-t)
	if m.opt.ClipLow != m.opt.ClipHigh {
		r.Clipped = lo <= m.opt.ClipLow || hi >= m.opt.ClipHigh
	}
	perCycle := float64(samples) / t * 2 * m.half
	r.Undersampled = hole || perCycle < 8
	r.Interval, r.Jitter = spacing(raw, tt, samples)
	r.Alias = alias(squares, halves, whole, t, float64(raw)/float64(samples), r.RMS, !withOpen)
	return r
}

// whole tells whether the last n segments are half cycles between crossings of
// a frequency within 15 % of the mains'.
func (m *Meter) whole(n uint64) bool {
	if m.count < n {
		return false
	}
	for i := range n {
		s := m.at(i)
		if !s.whole {
			return false
		}
		if i > 0 {
			if c := (s.t + m.at(i-1).t) / (2 * m.half); c < 0.85 || c > 1.15 {
				return false
			}
		}
	}
	// The last crossing must not be so long ago that the signal has gone.
	return m.open.t < 1.6*m.half
}

// HalfCycle is the RMS over the last whole cycle, refreshed at each half cycle
// (Urms(1/2) of IEC 61000-4-30); End tells one from the next. It is false
// while there are no cycles.
func (m *Meter) HalfCycle() (Reading, bool) {
	if !m.whole(2) {
		return Reading{}, false
	}
	r := m.sum(2, false)
	m.cycles(&r, 2)
	return r, true
}

// RMS200 is the RMS over the last 10 cycles at 50 Hz or 12 at 60 Hz; over a
// plain window of 200 ms up to now while there are no such cycles. It is false
// before 200 ms have been seen.
func (m *Meter) RMS200() (Reading, bool) {
	n := uint64(math.Round(0.2e9 / m.half))
	if m.whole(n) {
		r := m.sum(n, false)
		m.cycles(&r, n)
		m.refine(&r, n)
		return r, true
	}
	t := m.open.t
	k := uint64(0)
	for ; k < min(m.count, ring-1) && t < 0.199e9; k++ {
		t += m.at(k).t
	}
	r := m.sum(k, true)
	return r, t >= 0.199e9
}

// cycles completes a reading over whole cycles. Noise alone has edges too, so
// only there do they tell of a waveform that is sampled too slowly.
func (m *Meter) cycles(r *Reading, halves uint64) {
	t := 0.0
	for i := range halves {
		t += m.at(i).t
	}
	r.Cycles = float64(halves) / 2
	r.Undersampled = r.Undersampled || r.Alias > tooCoarse*r.RMS
	r.Frequency = r.Cycles / (t * 1e-9)
}
