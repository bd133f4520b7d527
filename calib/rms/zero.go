package rms

import "math"

// fineEnough is the samples to a half cycle from which edges are placed. With
// fewer, what comes after the edge is too coarse to tell an edge from a curve.
const fineEnough = 30

// seg is the i-th last segment, the open one being 0.
func (m *Meter) seg(i uint64) *segment { return &m.segs[(m.count-i)%ring] }

// fall is called with the first sample that has come back from a sudden edge to
// within the band about the level, k ns after the one before. The sine of the
// fundamental through the samples next to rest leads to the zero, the mains' phase,
// whatever the edge did.
func (m *Meter) fall(k int64, x float64) {
	m.tail = false
	o := m.open
	j := &o.jump
	side := 1.0
	if !m.up {
		side = -1
	}
	w := m.omega
	last := float64(m.last - m.origin)
	// The first, the last but one and the last sample above the band.
	first, a, b := side*(j.x1-m.rest), side*(m.past[1]-m.rest), side*(m.past[0]-m.rest)
	d, long := 0.0, last-j.t1 // of a and of first before b
	if o.n > 2 {              // else there is but one
		d = float64(m.step)
		near, far := w*d, w*long
		if far > 2.6 {
			far = 0
		}
		if far > 0 && !m.shape.other && m.count%8 > 1 { // in one cycle of four
			near = 0
		}
		if o.n <= short || m.count%4 < 2 { // of long ones half are enough
			m.shape.learn(first, far, a, near, b)
		}
	}
	size := m.shape.size
	if !(b > 0) || b > 0.5*size {
		return
	}
	// The mean of what the samples say, in radians after the last above the band.
	per := 1 / size
	zero, n := arcsine(b*per), 1.0
	if d > 0 && a < 0.5*size {
		zero += arcsine(a*per) - w*d
		n++
	}
	if o.n > 3 && o.n <= short && first < 0.5*size && !m.shape.other {
		zero += arcsine(first*per) - w*long
		n++
	}
	// The one within the band is only known to be of the sine if that is not over.
	if next := w * float64(k); zero > 1.3*next*n {
		zero += next + arcsine(side*(x-m.rest)*per)
		n++
	}
	j.zero = last + zero/(w*n)
	if was := m.seg(1).jump.zero; was != 0 {
		took := j.zero - was
		off := took - m.turn
		switch {
		case math.Abs(took-m.half) > 0.15*m.half: // no half cycle: see segment.run
		case math.Abs(off) > 0.01*m.half:
			m.turn = took
			m.shape.n = 0
		default:
			m.turn += 0.2 * off
		}
		m.omega = math.Pi / m.turn
	}
}

// arcsine is asin(u), to a third of a percent up to a half.
func arcsine(u float64) float64 {
	q := u * u
	return u * (1 + q*(1.0/6+q*(3.0/40)))
}

// short is the samples up to which a half cycle has no other pair than its first and
// its last to tell the sine by.
const short = 8

// sinusoid is the sine that current with edges ends on, by the average of many half cycles:
// of one it would be too noisy. The first and the last sample tell its size well, but
// only if the current is a sine all along; the last two tell the slope next to rest
// whatever the rest is, but with much noise. So it is the former, unless the latter are
// found to tell another size.
type sinusoid struct {
	size    float64 // of the sine that has the slope next to rest
	lately  float64 // over ten
	scatter float64 // variance of one
	n       float64 // half cycles averaged, at most 100
	other   bool    // it is no sine all along
	ratio   float64 // of the size by the last two samples to that by first and last
	vary    float64 // variance of one
	of      float64 // half cycles averaged, at most 1000
}

// learn is told of the samples first and a, which come so many radians before b; 0 is of
// no use.
func (s *sinusoid) learn(first, far, a, near, b float64) {
	slope, now := 0.0, 0.0
	if near > 0 {
		slope = through(a, b, near)
		now = slope
	}
	if far > 0 {
		now = through(first, b, far)
	}
	if near > 0 && far > near {
		off := slope/now - s.ratio
		s.of = min(s.of+1, 1000)
		s.ratio += off / s.of
		s.vary += (off*off - s.vary) / s.of
		off = s.ratio - 1
		if other := s.of > 10 && off*off*s.of > 16*s.vary; other != s.other {
			s.other, s.n = other, 0
		}
	}
	if s.other {
		now, far = slope, near
	}
	off := now - s.size
	switch {
	case s.n > 0 && math.Abs(off) < 0.2*s.size:
		per := 1.0 / 100
		if s.n < 100 {
			s.n++
			per = 1 / s.n
		}
		s.size += per * off
		s.lately += max(per, 0.1) * (now - s.lately)
		s.scatter += per * (off*off - s.scatter)
		// Ten half cycles that tell another size by five standard deviations.
		if off := s.lately - s.size; off*off > 25.0/19*s.scatter && s.n > 20 {
			s.size, s.n = s.lately, 10
		}
	case max(near, far) > 0.055 || s.size == 0: // not two samples next to each other by chance
		s.size, s.lately, s.scatter, s.n = now, now, 0, 1
	}
}

// through is the size of the sine that is b an angle after it was a.
func through(a, b, angle float64) float64 {
	q := angle * angle
	sin, cos := angle*(1-q*(1.0/6-q*(1.0/120-q*(1.0/5040)))), 1-q*(0.5-q*(1.0/24-q*(1.0/720-q*(1.0/40320))))
	if angle > 0.6 { // where the series are off by 1e-7
		sin, cos = math.Sincos(angle)
	}
	slope := (a - b*cos) / sin
	return math.Sqrt(b*b + slope*slope)
}

// phase is that of the mains over the last n half cycles: the zeros' best parabola, so
// that the frequency may drift. Half cycles are counted from their middle, later ones
// positive.
type phase struct {
	base    float64 // ns since the meter's first sample
	a, b, c float64 // zero = base + a + b·k + c·k²
	per     float64 // 1/b
	mid     float64 // k is mid - i for the i-th last segment
	drift   float64 // by how much of itself a half cycle is longer than the one before
	noise   float64 // variance of a zero about it, ns²
	n       float64
}

func (m *Meter) phase(n uint64) (p phase, ok bool) {
	p.n = float64(n)
	p.mid = 0.5 * (p.n + 1)
	p.base = m.seg(1 + n/2).jump.zero
	var s0, s1, s2, ss float64
	k := p.mid - 1
	for i := uint64(1); i <= n; i++ {
		z := m.seg(i).jump.zero
		if z == 0 {
			return p, false
		}
		w := z - p.base
		v := w * k
		s0 += w
		s1 += v
		s2 += v * k
		ss += w * w
		k--
	}
	f := p.n
	k2 := f * (f*f - 1) / 12                // Σk²
	k4 := f * (f*f - 1) * (3*f*f - 7) / 240 // Σk⁴
	p.b = s1 / k2
	p.c = (f*s2 - k2*s0) / (f*k4 - k2*k2)
	p.a = (s0 - p.c*k2) / f
	p.per = 1 / p.b
	p.drift = 2 * p.c * p.per
	p.noise = math.Max(0, ss-p.a*s0-p.b*s1-p.c*s2) / (f - 3)
	return p, true
}

// spread is the variance of an edge about its place after the zeros, in the middle of
// p's half cycles, ns².
func (p *phase) spread() float64 { return p.noise*2.25/p.n + regular*regular }
