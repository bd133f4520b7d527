package rms

import (
	"math"
)

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
	run      uint64 // of how many half cycles at about the mains' frequency it is the last
	jump     jump
}

// widen takes x into the segment's least and most.
func (s *segment) widen(x float64) {
	if x < s.min {
		s.min = x
	}
	if x > s.max {
		s.max = x
	}
}

// flip takes the side on which the signal now is, and ends the half cycle where
// y went through c, unless that comes too soon to be one (a notch).
//
// The interval's trapezoid is parted there: x runs linearly within it, and the
// Euler-Maclaurin term of the trapezoid sum that ends (or begins) at a sample
// next to it is taken off (or added). Both parts add up to the trapezoid, and a
// sum over whole cycles has no end error to the order of the interval squared.
func (m *Meter) flip(dt, y, py, c float64) {
	m.up, m.tail = !m.up, false
	d := y - py
	b := (y - c) / d // the part of the interval after the crossing
	if !(b > 0) {    // the mean may just have moved
		b = 0
	} else if b > 1 {
		b = 1
	}
	t, u := b*dt, b*d
	if m.open.t-t < 0.5*m.half {
		return
	}
	k := int64(dt)
	next := m.next()
	next.t = t
	next.s1 = t*(y-0.5*u) + dt*d*(1.0/12)
	next.s2 = t*(y*(y-u)+u*u*(1.0/3)) + dt*d*y*(1.0/6)
	next.raw, next.tt, next.n = k, k*k, 1
	m.close(true)
	if m.tail = math.Abs(d) > leastEdge*m.h && dt*fineEnough < 2*m.half; m.tail {
		// The mean is off where edges of one polarity are; where the current rests
		// is not, and it rests before an edge.
		if off := m.past[1] - m.rest; math.Abs(off) < m.h {
			m.rest += 0.125 * off
		} else {
			m.rest = m.past[1]
		}
	}
}

// leastEdge is the step of a sample, over the hysteresis, from which a crossing may
// be an edge to be placed: a sine's is at most half as large with fineEnough samples.
const leastEdge = 1

// steepest is the slope, over that of a sine of the hysteresis' size, above which
// it is no slope: harmonics are a few times as steep as the fundamental, which is
// five times as large as the hysteresis.
const steepest = 19

// change is called with a sample that came after another time than the one before
// it, before it joins past. Where steps of a become steps of b, trapezoids lack
// (b²-a²)/12 of the slope (Euler and Maclaurin); within even steps that cancels.
func (m *Meter) change(k int64, y, py float64) {
	a, b := float64(m.step), float64(k)
	up, down := y-py, m.past[0]-m.past[1]
	most := m.h * m.steep
	if !(a > 0) || !(math.Abs(up) < most*b) || !(math.Abs(down) < most*a) {
		return
	}
	g := (b - a) * (1.0 / 12)
	if little(k, int64(m.step)) {
		g *= up + down
	} else {
		g *= a/b*up + b/a*down
	}
	m.open.s1 += g
	m.open.s2 += 2 * py * g
}

// next is the segment after the open one.
func (m *Meter) next() *segment { return &m.segs[(m.count+1)%ring] }

// cut ends the open segment by time.
func (m *Meter) cut() {
	m.next().sums = sums{}
	m.close(false)
}

// close ends the open segment less the sums that the next one, which begins, has
// already.
func (m *Meter) close(crossing bool) {
	o, next := m.open, m.next()
	o.t -= next.t
	o.s1 -= next.s1
	o.s2 -= next.s2
	o.raw -= next.raw
	o.tt -= next.tt
	o.n -= next.n
	now := float64(m.last - m.origin)
	o.end = now - next.t
	o.whole, o.run = crossing && m.crossed, 0
	if o.whole {
		o.run = 1
		if was := m.seg(1); m.count > 0 && math.Abs(o.t+was.t-2*m.half) <= 0.15*2*m.half {
			o.run += was.run
		}
	}
	m.count++
	if m.count%2 == 0 || !o.whole { // once a cycle will do
		m.adapt()
	}
	if shift := o.level - m.level; shift != 0 {
		next.s2 += shift * (2*next.s1 + shift*next.t)
		next.s1 += shift * next.t
	}
	next.level, next.min, next.max, next.edge, next.hole = m.level, m.past[0], m.past[0], o.edge, false
	if m.look = m.count%17 == 0; m.look {
		next.edge = 0
	}
	j := &next.jump
	j.zero = 0
	if j.begun = crossing; crossing {
		j.t0, j.t1, j.t2 = now-float64(next.raw), now, 0
		j.x0, j.x1 = m.past[1], m.past[0]
		j.t, j.s1, j.s2 = next.t, next.s1, next.s2
	}
	m.open = next
	m.crossed = crossing
	if o.jump.zero != 0 {
		m.settle(&o.jump)
		m.learn(m.halves)
	}
	if !crossing {
		m.up, m.tail = m.past[0] > m.level, false
	}
}

// adapt sets level and hysteresis from the last cycle, of which the open segment is
// the end: of an RMS, or of a peak where that stands far out of it, as short pulses do
// of the noise. Both are left alone while they would hardly move. Sums are exact about
// any level; and a processor, which foresees that nothing moves, need not wait for
// these sums, a quotient and a root before it tests the next sample (an eighth of
// PushAll's time).
func (m *Meter) adapt() {
	a := m.open
	lo, hi, t := a.min, a.max, a.t
	first, second := a.about(m.level)
	if m.count > 1 && t < 1.5*m.half {
		b := m.at(1)
		f, s := b.about(m.level)
		t, first, second = t+b.t, first+f, second+s
		if b.min < lo {
			lo = b.min
		}
		if b.max > hi {
			hi = b.max
		}
	}
	if math.IsInf(m.h, 1) {
		m.h = 0
	}
	if math.Abs(first) > slight*m.h*t {
		off := first / t
		m.level += off
		second -= off * first
	}
	h := 0.15 * (hi - m.level)
	if low := 0.15 * (m.level - lo); low < h {
		h = low
	}
	if h < m.opt.Floor {
		h = m.opt.Floor
	}
	h2 := h * h * t
	if square := 0.09 * second; square > h2 { // not if rounding made second negative
		h2 = square
	}
	if math.Abs(h2-m.h*m.h*t) > 2*slight*h2 {
		m.h = math.Sqrt(h2 / t)
	}
}

// slight is the part of the hysteresis by which it, or the level, may be off.
const slight = 1.0 / 64

// about is ∫(x - level) dt and ∫(x - level)² dt.
func (s *segment) about(level float64) (first, second float64) {
	e := s.level - level
	first = s.s1 + e*s.t
	return first, s.s2 + e*(s.s1+first)
}
