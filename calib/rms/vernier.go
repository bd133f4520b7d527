package rms

import (
	"math"
	"time"
)

// A jump is where a segment began: the samples on both sides of the crossing and
// the one after, and what of the crossing's interval the segment took.
type jump struct {
	t0, t1, t2 float64 // ns since the meter's first sample
	x0, x1, x2 float64
	t, s1, s2  float64 // head of the segment: from the crossing to t1, about its level
	begun      bool    // the segment began at a crossing
	// zero is where the current that began here came back to rest, ns since the
	// meter's first sample; 0 if it was not seen.
	zero float64
}

// second keeps the second sample of a segment.
func (s *segment) second(at time.Duration, x float64) {
	s.jump.t2, s.jump.x2 = float64(at), x
}

// fineEnough is the samples to a half cycle from which edges are placed. With
// fewer, what comes after the edge is too coarse to tell an edge from a curve.
const fineEnough = 30

// leastPlace is the least half-width, in sample intervals, to which a place is
// believed: a thyristor does not fire more regularly.
const leastPlace = 0.02

// jitter is the half-width, in sample intervals, to which a place is believed that
// the edges before the window do not confirm: a few edges that jitter leave a place
// open by chance.
const jitter = 0.3

// leastPulse is the length of a pulse, in sample intervals, below which it has too few
// samples for a zero: see Meter.pulses.
const leastPulse = 1.5

// goodEnough is the standard uncertainty of a reading by its edges' places below
// which edges longer ago are not asked.
const goodEnough = 5e-4

// shut is by how much, in sample intervals, a gap may be less than open: edges and
// zeros have some noise. The place is in its middle all the same.
const shut = 0.1

// seg is the i-th last segment, the open one being 0.
func (m *Meter) seg(i uint64) *segment { return &m.segs[(m.count-i)%ring] }

// fall is called with the first sample that has come back from a sudden edge to
// within the band about the level, k ns after the one before. The sine of the
// fundamental through the samples next to rest leads to the zero, the mains' phase,
// whatever the edge did. Its size is that of many half cycles: of one it would be
// too noisy.
func (m *Meter) fall(k int64, x float64) {
	m.tail = false
	o := m.open
	side := 1.0
	if !m.up {
		side = -1
	}
	w := math.Pi / m.half
	b := side * (m.past[0] - m.rest)
	two := o.n > 2 // else the edge is between the two
	var a, d float64
	if two {
		d = float64(m.step)
		a = side * (m.past[1] - m.rest)
		sin, cos := math.Sincos(w * d)
		size := math.Hypot(b, (a-b*cos)/sin)
		// The closer the two samples, the noisier.
		q := w * d * w * d
		if off := size - m.size; m.size == 0 || math.Abs(off) > 0.2*m.size && q > 0.003 {
			m.size = size
		} else {
			m.size += min(0.1, 10*q) * off
		}
	}
	if !(b > 0) || b > 0.5*m.size {
		return
	}
	per := 1 / (w * m.size)
	// The mean of what the samples say, from the last above the band.
	zero, n := m.till(b)*per, 1.0
	if two && a < 0.5*m.size {
		zero += m.till(a)*per - d
		n++
	}
	// The one within the band is only known to be of the sine if that is not over.
	if dt := float64(k); zero/n > 1.3*dt {
		zero += dt + m.till(side*(x-m.rest))*per
		n++
	}
	o.jump.zero = float64(m.last-m.origin) + zero/n
}

// till is size·asin(y/size), to a third of a percent up to a half.
func (m *Meter) till(y float64) float64 {
	u := y / m.size
	u *= u
	return y * (1 + u*(1.0/6+u*(3.0/40)))
}

// tangent is y and its slope at t1 by the sine of ω through the two samples after
// the jump, as power series: these are no further apart than π in fineEnough.
type tangent struct {
	y, slope float64
	w2       float64 // ω²
	d        float64 // t2 - t1
}

// size is the sine's where a second sample is too near rest to go by; per is 1/d.
func (j *jump) tangent(w2, mean, size, d, per float64) tangent {
	y, y2 := j.x1-mean, j.x2-mean
	q := w2 * d * d
	slope := (y2 - y*(1-q*(0.5-q*(1.0/24)))) * (1 + q*(1.0/6)) * per
	if !(y2*y > 0.3*y*y) {
		slope = -math.Copysign(math.Sqrt(w2*max(0, size*size-y*y)), y)
	}
	return tangent{y, slope, w2, d}
}

// at is y at s ns before t1.
func (k *tangent) at(s float64) float64 {
	q := k.w2 * s * s
	return k.y*(1-q*(0.5-q*(1.0/24))) - k.slope*s*(1-q*(1.0/6))
}

// after is ∫y² from s ns before t1, where y is edge, up to t1, by Simpson's rule,
// and what the trapezoids that begin at t1 lack: d²/12 of the slope of y² there, the
// first term of Euler and Maclaurin.
func (k *tangent) after(s, edge float64) float64 {
	b := k.at(0.5 * s)
	return s*(1.0/6)*(edge*edge+4*b*b+k.y*k.y) + k.d*k.d*(1.0/6)*k.y*k.slope
}

// sudden tells whether the segment began with a jump: gone back to t0, the line
// after it does not lead to the sample there by far.
func (j *jump) sudden(k *tangent, mean float64) bool {
	y0 := j.x0 - mean
	d := k.y - y0
	return j.begun && k.d > 0 && (k.y-k.slope*(j.t1-j.t0)-y0)*d > 0.7*d*d
}

// phase is that of the mains over a block of n half cycles, the last of which is
// the from-th last segment: the zeros' best parabola, so that the frequency may
// drift. Half cycles are counted from the block's middle, later ones positive.
type phase struct {
	base    float64 // ns since the meter's first sample
	a, b, c float64 // zero = base + a + b·k + c·k²
	mid     float64 // k is mid - i for the i-th last segment
	drift   float64 // by how much of itself a half cycle is longer than the one before
	noise   float64 // variance of a zero about it, ns²
}

func (m *Meter) phase(from, n uint64) (p phase, ok bool) {
	p.mid = float64(from) + 0.5*float64(n-1)
	p.base = m.seg(from + n/2).jump.zero
	var s0, s1, s2, ss float64
	for i := from; i < from+n; i++ {
		j := &m.seg(i).jump
		if j.zero == 0 {
			return p, false
		}
		w, k := j.zero-p.base, p.mid-float64(i)
		s0 += w
		s1 += w * k
		s2 += w * k * k
		ss += w * w
	}
	f := float64(n)
	k2 := f * (f*f - 1) / 12                // Σk²
	k4 := f * (f*f - 1) * (3*f*f - 7) / 240 // Σk⁴
	p.b = s1 / k2
	p.c = (f*s2 - k2*s0) / (f*k4 - k2*k2)
	p.a = (s0 - p.c*k2) / f
	p.drift = 2 * p.c / p.b
	p.noise = math.Max(0, ss-p.a*s0-p.b*s1-p.c*s2) / (f - 3)
	return p, true
}

// at is the zero of the i-th last segment, and what part of the block's half cycle
// that one's is.
func (p *phase) at(i uint64) (zero, scale float64) {
	k := p.mid - float64(i)
	return p.base + p.a + k*(p.b+k*p.c), 1 + p.drift*k
}

// gap is where edges may lie before their zero, in ns of the window's mean half
// cycle: all that is known of each is the samples between which it lies. Edges of the
// two polarities have one each.
type gap struct{ low, high [2]float64 }

func (m *Meter) gap(p *phase, from, to uint64) gap {
	g := gap{[2]float64{math.Inf(-1), math.Inf(-1)}, [2]float64{math.Inf(1), math.Inf(1)}}
	for i := from; i <= to; i++ {
		j := &m.seg(i).jump
		zero, r := p.at(i)
		r = 2 - r // 1/r, which is next to 1
		lo, hi := (j.t0-zero)*r, (j.t1-zero)*r
		side := (m.count - i) & 1
		if lo > g.low[side] {
			g.low[side] = lo
		}
		if hi < g.high[side] {
			g.high[side] = hi
		}
	}
	return g
}

// both is what g leaves if both polarities fire alike.
func (g gap) both() gap {
	lo, hi := max(g.low[0], g.low[1]), min(g.high[0], g.high[1])
	return gap{[2]float64{lo, lo}, [2]float64{hi, hi}}
}

// and leaves of g where o is open too, in whose unit are f of g's.
func (g *gap) and(o *gap, f float64, both bool) {
	for p := range 2 {
		lo, hi := o.low[p]*f, o.high[p]*f
		if lo > g.low[p] {
			g.low[p] = lo
		}
		if hi < g.high[p] {
			g.high[p] = hi
		}
	}
	if both {
		*g = g.both()
	}
}

// times is g in another unit.
func (g gap) times(f float64) gap {
	for p := range 2 {
		g.low[p], g.high[p] = g.low[p]*f, g.high[p]*f
	}
	return g
}

// room is the width of the narrower gap, negative where one is shut.
func (g gap) room() float64 { return min(g.high[0]-g.low[0], g.high[1]-g.low[1]) }

// groups is how many groups of edges are kept: 2.4 s of them at 50 Hz.
const groups = 24

// A group is the gap that half a window of edges left, in half cycles.
type group struct {
	gap
	noise float64
	count uint64 // of the meter when it was made
}

// group makes one of the half window in the middle of the last n segments, when
// there have been another half window since the last.
func (m *Meter) group(n uint64) {
	if m.count%(n/2) != 0 || m.count < n {
		return
	}
	k := &m.groups[m.count/(n/2)%groups]
	k.count = 0
	if p, ok := m.phase(1, n); ok {
		*k = group{m.gap(&p, n/4+1, n/4+n/2).times(1 / p.b), p.noise, m.count}
	}
}

// refine places the edges of r's window, the last n half cycles in t ns, and puts
// their true share of ∫y² in the place of the trapezoid's; see the package's "Edges".
// It is false if there is nothing to place or no way to.
func (m *Meter) refine(r *Reading, n uint64, t float64) bool {
	step := float64(r.Interval)
	if !(step > 0) || t/float64(n)/step < fineEnough || !(r.RMS > 0) || n%2 != 0 || !m.seg(0).jump.begun {
		return false
	}
	p, ok := m.phase(1, n)
	if !ok {
		return false
	}
	w2 := math.Pi * float64(n) / t
	w2 *= w2
	g := m.gap(&p, 0, n)
	slack := 0.7 * math.Sqrt(p.noise) // to which the zeros' parabola is known
	if slack > 0.2*step {
		return false
	}
	both := true
	if b := g.both(); b.room() >= -shut*step-slack {
		g = b
	} else {
		both = false
	}
	if g.room() < -3*shut*step || g.low[0]+g.high[0] > -2*leastPulse*step {
		return false
	}
	// As many edges before the window's as leave the gaps open, up to where the
	// places are good enough.
	edge := m.seg(1).jump.x1 - r.Mean
	enough := goodEnough * 4 * math.Sqrt(3) * r.RMS * r.RMS * t / (float64(n) * edge * edge)
	sure := false
	step2 := leastPlace * leastPlace * step * step
	for c := m.count - m.count%(n/2); c > 0; c -= n / 2 {
		k := &m.groups[c/(n/2)%groups]
		if sure && g.room() <= enough || k.count != c || k.noise > 4*p.noise+step2 {
			break
		}
		h := g
		h.and(&k.gap, p.b, both)
		if h.room() < -shut*step-slack {
			break
		}
		g, sure = h, sure || m.count-c >= 3*n/4 // from there on it has no edge of the window
	}
	// The sums of whole segments run from the crossing of the oldest to the
	// open one's; each jump's interval is taken out and put in again.
	second := 0.0
	var squares [2]float64
	var first, last float64
	var last2, per float64 // t2-t1 of the edge before, mostly that of all, and 1 over it
	for i := uint64(0); i <= n; i++ {
		s := m.seg(i)
		j := &s.jump
		zero, scale := p.at(i)
		side := (m.count - i) & 1
		at := zero + 0.5*(g.low[side]+g.high[side])*scale
		if at < j.t0 {
			at = j.t0
		} else if at > j.t1 {
			at = j.t1
		}
		y0, y1 := j.x0-r.Mean, j.x1-r.Mean
		e := s.level - r.Mean
		head := j.s2 + 2*e*j.s1 + e*e*j.t
		trapezoid := 0.5 * (j.t1 - j.t0) * (y0*y0 + y1*y1)
		before := y0 * y0 * (at - j.t0)
		if i == 0 {
			last = at
			second += before - (trapezoid - head)
			continue // its share of u moves with the first's
		}
		if d := j.t2 - j.t1; d != last2 {
			last2, per = d, 1/d
		}
		k := j.tangent(w2, r.Mean, m.size, last2, per)
		if !j.sudden(&k, r.Mean) {
			return false
		}
		y := k.at(j.t1 - at)
		after := k.after(j.t1-at, y)
		if i == n {
			first = at
			second += after - head
		} else {
			second += before + after - trapezoid
		}
		squares[side] += y*y - y0*y0
	}
	span := last - first
	ms := (r.RMS*r.RMS*t + second) / span
	if !(ms > 0) {
		return false
	}
	r.RMS = math.Sqrt(ms)
	u := 0.0
	for p := range 2 { // both polarities may be off alike
		half := 0.5 * math.Abs(g.high[p]-g.low[p])
		if !sure {
			half = max(half, jitter*step)
		}
		u += squares[p] * (max(half, leastPlace*step)/math.Sqrt(3) + 0.5*slack)
	}
	r.Alias = u / (2 * span * r.RMS)
	r.Frequency = float64(n) / 2 / (span * 1e-9)
	return true
}
