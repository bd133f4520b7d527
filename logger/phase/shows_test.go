package phase

import (
	"cmp"
	"math"
	"slices"
	"time"

	"tipoff/drivers/plant"
)

// What a boundary leaves in the recorded channels, from the plant's truth and
// the noise of the gauges alone; no tracker has a part in it.

// noise is the deviation of single readings at o: of ln p, of the glass in K and
// of the current in A, as draw and readGauge add it.
func (d *drawn) noise(o Observation) [3]float64 {
	p := 0.005
	if p0 := o.Pressure; d.fine && p0 < 20.4*plant.Torr {
		const lsb = 375e-6 * 2 * plant.Torr
		dia := math.Hypot(0.0016*plant.Torr, lsb/math.Sqrt(12)) / p0
		uw, ud := 0.15*p0, math.Hypot(0.005*p0, 0.005*plant.Torr)
		a := ud * ud / (ud*ud + uw*uw)
		p = math.Hypot(a*0.005, (1-a)*dia)
	}
	return [3]float64{p, 0.15, 0.01 * math.Abs(o.Current)}
}

const (
	traceWithin = 3  // s, the time in which the tracker is to know
	traceBase   = 5  // s before, which say how it would have gone on
	traceLine   = 30 // s before at most, in which one can have learned level and slope
	// traceLeast is how many standard deviations a change must make up in
	// traceWithin for anybody to see it. Neyman and Pearson: who, in the half
	// minute and more that a fill stands, asks some ten times a second and may
	// be wrong once in a hundred fills needs 4.2; who is to be right 95 times
	// in 100 needs 1.65 more.
	traceLeast = 5.9
)

// trace is by how many standard deviations the best of all filters sees in the
// recorded readings, within 3 s, that something has changed at b: one that knows
// when it was and what it looks like, but not level and slope from which it
// starts. Those it has to take from readings, too.
func (d *drawn) trace(b Boundary) float64 {
	value := func(o Observation) [3]float64 {
		return [3]float64{lnPressure(o.Pressure), o.Glass, o.Current}
	}
	at := b.At.Seconds()
	near := d.clean[d.index(b.At-traceLine*time.Second):d.index(b.At+traceWithin*time.Second+1)]
	base := len(near)
	for i := range near {
		if near[i].At > b.At-traceBase*time.Second {
			base = i
			break
		}
	}
	sum := 0.0
	for c := range 3 {
		var q quad // a parabola through what went before, without noise
		last := math.NaN()
		for _, o := range near[base:] {
			if u := o.At.Seconds() - at; u <= 0 {
				last = value(o)[c]
				q.add(u/traceBase, last)
			}
		}
		on, ok := q.solve()
		if !ok {
			continue
		}
		from := base // as far back as it has stood within half a per cent or 1 K, but at least traceBase
		stands := [3]float64{0.005, 1, 0.005 * last}[c]
		for from > 0 && math.Abs(value(near[from-1])[c]-last) < stands {
			from--
		}
		var line sums
		for _, o := range near[from:] {
			u := o.At.Seconds() - at
			y := value(o)[c]
			if y != y {
				continue
			}
			x := 0.0
			if u > 0 {
				x = (y - on(u/traceBase)) / d.noise(o)[c]
			}
			line.add(u, x, u)
		}
		sxx := line.xx - line.x*line.x/line.n
		sxy := line.xy - line.x*line.y/line.n
		sum += line.yy - line.y*line.y/line.n - sxy*sxy/sxx
	}
	return math.Sqrt(max(sum, 0))
}

// index is the first frame at or after at.
func (d *drawn) index(at time.Duration) int {
	i, _ := slices.BinarySearchFunc(d.clean, at, func(o Observation, at time.Duration) int { return cmp.Compare(o.At, at) })
	return i
}

// shows tells whether the readings let anybody know of a boundary within 3 s.
//
// Some boundaries are a level that is reached and not a change: base before cool,
// the room's pressure before idle, and where a tube that nobody dried passes
// Options.PreheatEnd, which without the glass reading nobody can know.
func (d *drawn) shows(b Boundary) bool {
	switch {
	case b.From == Dry && b.To == Bombard:
		g := d.clean[min(d.index(b.At), len(d.clean)-1)].Glass
		return g == g
	case b.To == Cool:
		return d.clean[min(d.index(b.At), len(d.clean)-1)].Pressure < 10 // else the gauge is shut off
	case b.To == Idle:
		return true
	case b.From == Bombard && b.To == Shells:
		// While the arc is out, the foot having slipped, nothing is done to it.
		for _, o := range d.clean[d.index(b.At):d.index(b.At+traceWithin*time.Second)] {
			if o.Current < 0.02 {
				return false
			}
		}
	case d.torch && b.To == TipOff, d.cock && b.To == LeakTest:
		return true
	}
	return d.trace(b) >= traceLeast
}

// quad is a least-squares parabola.
type quad struct{ n, x, x2, x3, x4, y, xy, x2y float64 }

func (q *quad) add(x, y float64) {
	if y != y {
		return
	}
	q.n++
	q.x += x
	q.x2 += x * x
	q.x3 += x * x * x
	q.x4 += x * x * x * x
	q.y += y
	q.xy += x * y
	q.x2y += x * x * y
}

func (q *quad) solve() (func(x float64) float64, bool) {
	if q.n < 8 {
		return nil, false
	}
	det := func(a, b, c, d, e, f, g, h, i float64) float64 {
		return a*(e*i-f*h) - b*(d*i-f*g) + c*(d*h-e*g)
	}
	m := det(q.n, q.x, q.x2, q.x, q.x2, q.x3, q.x2, q.x3, q.x4)
	a := det(q.y, q.x, q.x2, q.xy, q.x2, q.x3, q.x2y, q.x3, q.x4) / m
	b := det(q.n, q.y, q.x2, q.x, q.xy, q.x3, q.x2, q.x2y, q.x4) / m
	c := det(q.n, q.x, q.y, q.x, q.x2, q.xy, q.x2, q.x3, q.x2y) / m
	return func(x float64) float64 { return a + b*x + c*x*x }, true
}
