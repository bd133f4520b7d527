package rms

import (
	"math"
	"time"
)

// A jump is where a segment began: the samples on both sides of the crossing and
// the one after, and what of the crossing's interval the segment took.
type jump struct {
	// zero is where the current that began here came back to rest, ns since the
	// meter's first sample; 0 if it was not seen.
	zero   float64
	t0, t1 float64 // ns since the meter's first sample
	sudden bool    // with an edge
	begun  bool    // the segment began at a crossing
	// With an edge s ns before t1, what the trapezoid of its interval lacks of ∫y² and
	// ∫y, y being x less its rest: polynomials in s, lowest term first.
	square    [5]float64
	plain     [4]float64
	t2        float64
	x0, x1    float64
	x2        float64
	t, s1, s2 float64 // head of the segment: from the crossing to t1, about its level
}

// second keeps the second sample of a segment.
func (s *segment) second(at time.Duration, x float64) {
	s.jump.t2, s.jump.x2 = float64(at), x
}

// leastPulse is the length of a pulse, in sample intervals, below which it has too few
// samples for a zero: see Meter.pulses.
const leastPulse = 1.1

// settle works out what j's edge is worth, when the half cycle that it began is over.
// After it comes the sine of the mains' frequency through the two samples that
// follow, as a power series: they are no further apart than π in fineEnough.
func (m *Meter) settle(j *jump) {
	w2 := m.omega * m.omega
	y0, y, y2 := j.x0-m.rest, j.x1-m.rest, j.x2-m.rest
	t, d := j.t1-j.t0, j.t2-j.t1
	q := w2 * d * d
	slope := (y2 - y*(1-q*(0.5-q*(1.0/24)))) * (1 + q*(1.0/6)) / d
	if !(y2*y > 0.3*y*y) { // too near rest to go by
		slope = -math.Copysign(math.Sqrt(w2*max(0, m.shape.size*m.shape.size-y*y)), y)
	}
	// It is an edge if, gone back to t0, the line after it does not lead to the sample
	// there by far.
	up := y - y0
	j.sudden = d > 0 && (up-slope*t)*up > 0.7*up*up
	// Euler and Maclaurin: the trapezoids that begin at t1 lack d²/12 of the slope there.
	j.square = [...]float64{
		0.5*t*(y0*y0-y*y) + d*d*(1.0/6)*y*slope,
		y*y - y0*y0,
		-y * slope,
		(slope*slope - w2*y*y) * (1.0 / 3),
		w2 * y * slope * (1.0 / 3),
	}
	j.plain = [...]float64{0.5*t*(y0-y) + d*d*(1.0/12)*slope, up, -0.5 * slope, -w2 * y * (1.0 / 6)}
}

// moments are ∫y² and ∫y.
type moments struct{ square, plain float64 }

// before is what of s's first interval comes before an edge at a time, less what of it
// is not in s.
func (s *segment) before(at, rest float64) moments {
	j := &s.jump
	y0, y1, e := j.x0-rest, j.x1-rest, s.level-rest
	t := j.t1 - j.t0
	return moments{
		y0*y0*(at-j.t0) - 0.5*t*(y0*y0+y1*y1) + j.s2 + e*(2*j.s1+e*j.t),
		y0*(at-j.t0) - 0.5*t*(y0+y1) + j.s1 + e*j.t,
	}
}

// refine places the edges of r's window, the last n half cycles in t ns, and puts
// their true share of ∫y² in the place of the trapezoid's; see the package's "Edges".
// It is false if there is nothing to place or no way to.
func (m *Meter) refine(r *Reading, n uint64, t float64) bool {
	step := float64(r.Interval)
	if !(step > 0) || t < fineEnough*float64(n)*step || !(r.RMS > 0) || n%2 != 0 || !m.seg(0).jump.begun {
		return false
	}
	p, ok := m.phase(n)
	if !ok || p.noise > 0.04*step*step { // no parabola
		return false
	}
	// What is known of the firing holds for this window if no edge of it is far off.
	f := m.firing
	var e edges
	if !f.known || !m.place(&f, &p, n, &e) ||
		e.off > surprise*math.Sqrt(0.5*(f.variance[0]+f.variance[1])*p.b*p.b+p.spread()) {
		f = m.own(&p, n, shut*step/p.b)
		if !f.known || !m.place(&f, &p, n, &e) {
			return false
		}
	}
	if (f.place[0]+f.place[1])*p.b > -2*leastPulse*step {
		return false
	}
	off := r.Mean - m.rest
	span := e.last - e.first
	mean := (off*t + e.lack.plain) / span
	ms := ((r.RMS*r.RMS+off*off)*t+e.lack.square)/span - mean*mean
	if !(ms > 0) {
		return false
	}
	r.RMS, r.Mean = math.Sqrt(ms), m.rest+mean
	r.Frequency = float64(n) / 2 / (span * 1e-9)
	// By the places, and by what may move all edges of the window alike.
	u := &e.slope
	all := u[0] + u[1]
	v := (u[0]*u[0]*f.variance[0] + u[1]*u[1]*f.variance[1] + 2*u[0]*u[1]*f.cov) * p.b * p.b
	if m.count-f.since < n {
		v = max(v, all*all*alone*alone*step*step)
	}
	common := (p.noise+regular*regular)/p.n + unseen*unseen + 0.25*e.off*e.off + 4*f.drift*f.drift*p.b*p.b
	r.Alias = math.Sqrt(max(0, v+all*all*common)) / (2 * span * r.RMS)
	return true
}

// edges are what a window's jumps come to.
type edges struct {
	first, last float64    // where the window's first and the next edge are, ns
	lack        moments    // what the trapezoids lack
	slope       [2]float64 // of ∫y² by the place of each polarity's edges
	off         float64    // by how much an edge lies outside its samples at most, ns
}

// place puts edges where f says. The sums of whole segments run from the crossing
// of the oldest to the open one's.
func (m *Meter) place(f *firing, p *phase, n uint64, e *edges) bool {
	var zero, half [2]float64 // of the middle, plus the place
	for s := range zero {
		at := f.place[s] * p.b
		zero[s], half[s] = p.base+p.a+at, p.b+at*p.drift
	}
	var slope [2]float64
	var square, plain, off float64
	k := p.mid - float64(n)
	for i := n; i > 0; i-- {
		j := &m.seg(i).jump
		if !j.sudden {
			return false
		}
		side := (m.count - i) & 1
		at := zero[side] + k*(half[side]+k*p.c)
		k++
		if d := j.t0 - at; d > 0 {
			off = max(off, d)
			at = j.t0
		}
		s := j.t1 - at
		if s < 0 {
			off = max(off, -s)
			s = 0
		}
		q, r := &j.square, &j.plain
		square += q[0] + s*(q[1]+s*(q[2]+s*(q[3]+s*q[4])))
		plain += r[0] + s*(r[1]+s*(r[2]+s*r[3]))
		slope[side] += q[1] + s*(2*q[2]+s*3*q[3])
		if i == n {
			e.first = j.t1 - s
			e.lack = m.seg(i).before(e.first, m.rest)
			square -= e.lack.square
			plain -= e.lack.plain
		}
	}
	// The open one's share of slope moves with the first's.
	j := &m.seg(0).jump
	at := zero[m.count&1] + k*(half[m.count&1]+k*p.c)
	e.last = min(max(at, j.t0), j.t1)
	b := m.seg(0).before(e.last, m.rest)
	e.lack = moments{square + b.square, plain + b.plain}
	e.slope, e.off = slope, max(off, at-j.t1, j.t0-at)
	return true
}
