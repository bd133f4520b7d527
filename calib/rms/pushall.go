package rms

import (
	"math"
	"time"
)

// PushAll adds samples in order; at and x have the same length. It is [Meter.Push]
// for each of them, but quicker.
func (m *Meter) PushAll(at []time.Duration, x []float64) {
	x = x[:len(at)]
	i := 0
	for i < len(at) {
		if m.begun {
			i += m.run(at[i:], x[i:])
		}
		if i < len(at) {
			m.Push(at[i], x[i])
			i++
		}
	}
}

// run adds samples as long as nothing happens (no crossing, no hole, no end of a
// segment) and returns how many it took.
func (m *Meter) run(at []time.Duration, x []float64) int {
	o := m.open
	side, hi := 1.0, o.max
	if !m.up {
		side, hi = -1, -o.min
	}
	least := side*m.level - m.h
	if m.tail {
		least = side*m.level + m.h
	}
	until := m.last + time.Duration(2*m.half-o.t)
	gap := time.Duration(m.maxGap)
	k := at[0] - m.last
	var n int
	var s1, s2 float64
	var tt int64
	if k > 0 && k <= gap && same(k, m.step) && len(at) > 1 && same(at[1]-at[0], k) {
		end := min(len(at), 64)
		if time.Duration(end)*k > until-m.last { // rarely: a division takes long
			end = max(0, int((until-m.last)/k))
		}
		if end == 0 {
			return 0 // the segment ends before the next sample
		}
		level := side * m.level
		if hi < level {
			return 0
		}
		n, s1, s2, hi = even(at[:end], x, k, side, least, level, hi)
		if n == 0 {
			return 0
		}
		p, y, dt := side*m.past[0]-level, side*x[n-1]-level, float64(k)
		tt = int64(n) * int64(k) * int64(k)
		if raw := at[n-1] - m.last; raw != time.Duration(n)*k {
			dt = float64(raw) / float64(n)
			tt = int64(float64(raw) * dt)
		}
		s1 = side * dt * (s1 + 0.5*(p-y))
		s2 = dt * (s2 + 0.5*(p*p-y*y))
	} else {
		d := m.past[0] - m.past[1]
		if !(math.Abs(d) < m.h*m.steep*float64(m.step)) { // an edge, or none yet
			return 0
		}
		f := flow{hi: hi, side: side, least: least, level: m.level, px: m.past[0], last: m.last, step: int64(m.step), d: d}
		if n = f.uneven(at, x, until, gap); n == 0 {
			return 0
		}
		s1, s2, tt, hi = f.s1, f.s2, f.tt, f.hi
	}
	x = x[:n]
	if m.up {
		o.max = hi
	} else {
		o.min = -hi
	}
	if !m.crossed { // else the other side is the nearer one
		for _, v := range x {
			if v < o.min {
				o.min = v
			}
			if v > o.max {
				o.max = v
			}
		}
	}
	if m.look {
		o.edge = m.edges(x, o.edge)
	}
	raw := int64(at[n-1] - m.last)
	o.t += float64(raw)
	o.s1 += s1
	o.s2 += s2
	o.raw += raw
	o.tt += tt
	if o.n == 1 {
		o.second(at[0]-m.origin, x[0])
	}
	o.n += n
	switch n {
	case 1:
		m.step = at[0] - m.last
		m.past[0], m.past[1], m.past[2] = x[0], m.past[0], m.past[1]
	case 2:
		m.step = at[1] - at[0]
		m.past[0], m.past[1], m.past[2] = x[1], x[0], m.past[0]
	default:
		m.step = at[n-1] - at[n-2]
		m.past[0], m.past[1], m.past[2] = x[n-1], x[n-2], x[n-3]
	}
	m.last = at[n-1]
	return n
}

// flow is what uneven goes by and what it sums.
type flow struct {
	side, least float64
	level, px   float64
	hi          float64
	s1, s2      float64
	tt          int64
	last        time.Duration
	step        int64   // the last, ns
	d           float64 // x's over it
}

// nearly is how far from a steady step times are steady all the same: a clock's
// rounding to nanoseconds, and jitter that changes no sum. A power of two.
const nearly = 64 * time.Nanosecond

// same tells whether two steps are nearly so.
func same(a, b time.Duration) bool { return uint64(a-b+nearly) < uint64(2*nearly) }

// even takes samples that follow each other nearly by k; at ends where the
// segment does. Samples are turned over (side = -1) where the signal is below: then
// there is one side to leave by. It gives how many it took, Σy and Σy², and the
// highest y, none of which may be below 0 before. It goes by four, with sums of
// their own for every other sample: an addition that waits for the one before takes
// longer than all else. Floats from 0 on have the order of their bits, and the
// larger of two integers takes no branch.
func even(at []time.Duration, x []float64, k time.Duration, side, least, level, hi float64) (n int, s1, s2, top float64) {
	var r1, r2 float64
	next := at[0] - nearly
	x = x[:len(at)]
	high := int64(math.Float64bits(hi - level))
	least -= level
	for ; n+4 <= len(at); n += 4 {
		a, b := at[n:n+4:n+4], x[n:n+4:n+4]
		if ((a[0]-next)|(a[1]-next-k)|(a[2]-next-2*k)|(a[3]-next-3*k))&^(2*nearly-1) != 0 {
			break
		}
		v, w, y, z := side*b[0]-level, side*b[1]-level, side*b[2]-level, side*b[3]-level
		if !(v >= least) || !(w >= least) || !(y >= least) || !(z >= least) {
			break
		}
		next += 4 * k
		high = max(high, int64(math.Float64bits(v)), int64(math.Float64bits(w)),
			int64(math.Float64bits(y)), int64(math.Float64bits(z)))
		s1 += v + y
		r1 += w + z
		s2 += v*v + y*y
		r2 += w*w + z*z
	}
	for ; n < len(at); n++ {
		v := side*x[n] - level
		if (at[n]-next)&^(2*nearly-1) != 0 || !(v >= least) {
			break
		}
		next += k
		high = max(high, int64(math.Float64bits(v)))
		s1 += v
		s2 += v * v
	}
	return n, s1 + r1, s2 + r2, math.Float64frombits(uint64(high)) + level
}

// little tells whether k is within an eighth of p.
func little(k, p int64) bool { return uint64(k-p+p>>3) <= uint64(p>>2) }

// uneven takes samples that come at any times up to until, none later than gap
// after the one before.
func (f *flow) uneven(at []time.Duration, x []float64, until, gap time.Duration) int {
	side, least, level, hi, last := f.side, f.least, f.level, f.hi, f.last
	var s1, s2, g1, g2 float64
	var tt int64
	py, pd, pk := f.px-level, f.d, f.step
	pyy, pdt := py*py, float64(pk)
	x = x[:len(at)]
	n := 0
	for ; n < len(at); n++ {
		a, v := at[n], side*x[n]
		k := int64(a - last)
		// Unsigned, so that time standing still or running back is too large, as
		// are steps that change by more than an eighth: see change.
		if !(v >= least) || uint64(k-1) >= uint64(gap) || a > until || !little(k, pk) {
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
	f.s1, f.s2 = 0.5*s1+g1*(1.0/12), 0.5*s2+g2*(1.0/6)
	f.tt, f.last, f.hi = tt, last, hi
	return n
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
	for _, v := range x {
		y := v - level
		yy := y * y
		e := yy - pyy
		f := e - pe
		if c := pf - f; c*c > soFar {
			soFar = c * c
		}
		pyy, pe, pf = yy, e, f
	}
	return soFar
}
