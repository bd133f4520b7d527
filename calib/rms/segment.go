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
	jump     jump
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
	o := m.open
	d := y - py
	a := (c - py) / d
	if !(a > 0) { // the mean may just have moved
		a = 0
	} else if a > 1 {
		a = 1
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
	if m.look = m.count%17 == 0; m.look {
		next.edge = 0
	}
	j := &next.jump
	j.zero = 0
	if j.begun = crossing; crossing {
		j.t1 = float64(m.last - m.origin)
		j.t0, j.t2 = j.t1-float64(rest.raw), 0
		j.x0, j.x1 = m.past[1], m.past[0]
		j.t, j.s1, j.s2 = next.t, next.s1, next.s2
	}
	m.open = next
	m.crossed = crossing
	if o.jump.zero != 0 {
		m.group(m.halves)
	}
	if !crossing {
		m.up, m.tail = m.past[0] > m.level, false
	}
}

// adapt sets level and hysteresis from the last cycle: of an RMS, or of a peak where
// that stands far out of it, as short pulses do of the noise.
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
	hi, lo := a.max-m.level, m.level-a.min
	if b != nil {
		second += b.about(m.level)
		if v := b.max - m.level; v > hi {
			hi = v
		}
		if v := m.level - b.min; v > lo {
			lo = v
		}
	}
	if hi > lo {
		hi = lo
	}
	m.h = m.opt.Floor
	if h := 0.15 * hi; h > m.h {
		m.h = h
	}
	if h := 0.3 * math.Sqrt(second*per); h > m.h { // not if rounding made second negative
		m.h = h
	}
}

// about is ∫(x - level)² dt.
func (s *segment) about(level float64) float64 {
	e := s.level - level
	return s.s2 + 2*e*s.s1 + e*e*s.t
}
