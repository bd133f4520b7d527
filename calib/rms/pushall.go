package rms

import (
	"math"
	"time"
)

// PushAll adds samples in order; at and x have the same length. It is [Meter.Push]
// for each of them, but quicker.
func (m *Meter) PushAll(at []time.Duration, x []float64) {
	x = x[:len(at)]
	for len(at) > 0 {
		n := 0
		if m.h <= math.MaxFloat64 { // a mean is known
			n = m.run(at, x)
		}
		if n == 0 {
			k := m.step
			m.Push(at[0], x[0])
			n = 1
			if !little(int64(m.step), int64(k)) && len(at) > 1 { // nor is the next step as long
				m.Push(at[1], x[1])
				n = 2
			}
		}
		at, x = at[n:], x[n:]
	}
}

// run adds samples up to the end of the half cycle, the one that crosses included,
// and returns how many it took. It stops, if need be at once, before what only Push
// knows: a hole, an edge between uneven times, the end of a segment by time, the fall
// of a sudden edge.
func (m *Meter) run(at []time.Duration, x []float64) int {
	o, last := m.open, m.last
	side := 1.0
	if !m.up {
		side = -1
	}
	band := -m.h // where y leaves its side
	if m.tail {
		band = m.h
	}
	least := side*m.level + band
	room := time.Duration(2*m.half - o.t)
	var n int
	var s1, s2, top float64
	var left, odd bool
	if k := m.step; 0 < k && k <= m.maxGap {
		end := min(len(at), 64)
		if time.Duration(end)*k > room { // rarely: a division takes long
			end = max(0, int(room/k))
		}
		n, s1, s2, top, left = even(at[:end], x, last, k, side, least)
	}
	left = left && !m.tail
	if left {
		v := side*x[n] - least
		s1 += v
		s2 += v * v
		n++
	}
	if n > 0 {
		k := m.step
		raw, tt, dt := at[n-1]-last, time.Duration(n)*k, float64(k)
		if raw == tt {
			tt *= k
		} else {
			dt = float64(raw) / float64(n)
			tt = time.Duration(float64(raw) * dt)
		}
		// Trapezoids: of the last sample a half, of the one before the first the other.
		p, y := side*m.past[0]-least, side*x[n-1]-least
		s1 += 0.5 * (p - y)
		s2 += 0.5 * (p - y) * (p + y)
		e := float64(n) * band // from least to the level
		o.t += float64(raw)
		o.s1 += side * dt * (s1 + e)
		o.s2 += dt * (s2 + band*(2*s1+e))
		o.raw += int64(raw)
		o.tt += int64(tt)
	} else if same(at[0]-last, m.step) { // else it would have been even
		return 0
	} else if n, top = m.uneven(at, x, side, least, last+room); n == 0 {
		return 0
	} else {
		odd = true
	}
	if o.n == 1 {
		o.second(at[0]-m.origin, x[0])
	}
	o.n += n
	took := x[:n]
	latest := took[len(took)-1]
	o.widen(side * top)
	o.widen(latest)
	if !m.crossed { // else the other side is the nearer one
		for _, v := range took {
			o.widen(v)
		}
	}
	if m.look {
		o.edge = m.edges(took, o.edge)
	}
	if len(took) >= 3 {
		m.step, m.last = at[n-1]-at[n-2], at[n-1]
		m.past[0], m.past[1], m.past[2] = latest, x[n-2], x[n-3]
	} else {
		for i, v := range took {
			m.step, m.last = at[i]-m.last, at[i]
			m.past[0], m.past[1], m.past[2] = v, m.past[0], m.past[1]
		}
	}
	if left {
		m.flip(float64(m.step), m.past[0]-m.level, m.past[1]-m.level, side*band)
	} else if o.t > 2*m.half { // by the little that even times may be off
		m.cut()
	} else if odd && n < len(at) { // what ended it
		m.Push(at[n], x[n])
		n++
	}
	return n
}

// nearly is how far from a steady step times are steady all the same: a clock's
// rounding to nanoseconds, and jitter that changes no sum. A power of two.
const nearly = 64 * time.Nanosecond

// same tells whether two steps are nearly so.
func same(a, b time.Duration) bool { return uint64(a-b+nearly) < uint64(2*nearly) }

// even takes samples that follow last nearly by k each, as long as none is below
// least; left tells that the next one is. Samples are turned over (side = -1) where the
// signal is below: then there is one side to leave by. It gives how many it took, Σv
// and Σv² of v = side·x - least, and the highest side·x.
//
// Four go at once. None of their v is below 0 but where they end, and floats from 0 on
// have the order of their bits, in which a sign makes the largest of all: so the largest
// of the bits, which takes no branch, tells both the peak and whether one has left.
func even(at []time.Duration, x []float64, last, k time.Duration, side, least float64) (n int, s1, s2, top float64, left bool) {
	next := last + k - nearly
	x = x[:len(at)]
	var high int64
	for ; n < len(at)-3; n += 4 {
		next2 := next + k
		next3 := next2 + k
		next4 := next3 + k
		if ((at[n]-next)|(at[n+1]-next2)|(at[n+2]-next3)|(at[n+3]-next4))&^(2*nearly-1) != 0 {
			break
		}
		v, w, y, z := side*x[n]-least, side*x[n+1]-least, side*x[n+2]-least, side*x[n+3]-least
		most := int64(max(math.Float64bits(v), math.Float64bits(w), math.Float64bits(y), math.Float64bits(z)))
		if most < 0 {
			break
		}
		next = next4 + k
		high = max(high, most)
		s1 += (v + y) + (w + z)
		s2 += (v*v + y*y) + (w*w + z*z)
	}
	for ; n < len(at); n++ {
		v := side*x[n] - least
		if (at[n]-next)&^(2*nearly-1) != 0 || !(v >= 0) {
			left = (at[n]-next)&^(2*nearly-1) == 0 && -largest < v && v < 0
			break
		}
		next += k
		high = max(high, int64(math.Float64bits(v)))
		s1 += v
		s2 += v * v
	}
	most := math.Float64frombits(uint64(high))
	if !(most <= largest) { // one is no measurement; Push leaves it out
		return 0, 0, 0, 0, false
	}
	return n, s1, s2, most + least, left
}

// infinity has the largest bits of all numbers from 0 on.
const infinity = 0x7FF << 52

// little tells whether k is within an eighth of p.
func little(k, p int64) bool { return uint64(k-p+p>>3) <= uint64(p>>2) }

// uneven adds the sums of samples that come at any times up to until, each within
// an eighth of a step of the one before. It gives how many it took, and the highest.
func (m *Meter) uneven(at []time.Duration, x []float64, side, least float64, until time.Duration) (n int, hi float64) {
	pk, pd := int64(m.step), m.past[0]-m.past[1]
	if !little(int64(at[0]-m.last), pk) || !(math.Abs(pd) < m.h*m.steep*float64(pk)) { // an edge, or none yet
		return 0, 0
	}
	level, last, gap := m.level, m.last, m.maxGap
	hi = math.Inf(-1)
	var s1, s2, g1, g2 float64
	var tt int64
	py := m.past[0] - level
	pyy, pdt := py*py, float64(pk)
	x = x[:len(at)]
	for ; n < len(at); n++ {
		a, v := at[n], side*x[n]
		k := int64(a - last)
		// Unsigned, so that time standing still or running back is too large, as
		// are steps that change by more than an eighth: see change.
		if !(v >= least) || v > largest || uint64(k-1) >= uint64(gap) || a > until || !little(k, pk) {
			break
		}
		last = a
		if v > hi {
			hi = v
		}
		tt += k * k
		dt, y := float64(k), x[n]-level
		yy := y * y
		d := y - py
		g := (dt - pdt) * (d + pd) // see change, with a next to b
		g1 += g
		g2 += py * g
		s1 += dt * (y + py)
		s2 += dt * (yy + pyy)
		py, pyy, pd, pk, pdt = y, yy, d, k, dt
	}
	o := m.open
	raw := int64(last - m.last)
	o.t += float64(raw)
	o.s1 += 0.5*s1 + g1*(1.0/12)
	o.s2 += 0.5*s2 + g2*(1.0/6)
	o.raw += raw
	o.tt += tt
	return n, hi
}

// edges is the largest square of twice an unresolved step of y² among the
// samples x, which follow those past, and so far. An unresolved step is how far
// one step of y² lies off the mean of its neighbours.
func (m *Meter) edges(x []float64, soFar float64) float64 {
	level := m.level
	y, y1, y2 := m.past[0]-level, m.past[1]-level, m.past[2]-level
	pyy := y * y
	pe := pyy - y1*y1
	pf := pe - (y1*y1 - y2*y2)
	most := uint64(0)
	for _, v := range x {
		y := v - level
		yy := y * y
		e := yy - pyy
		f := e - pe
		if c := math.Float64bits(math.Abs(pf - f)); c <= infinity { // else there is none yet
			most = max(most, c)
		}
		pyy, pe, pf = yy, e, f
	}
	c := math.Float64frombits(most)
	return max(soFar, c*c)
}
