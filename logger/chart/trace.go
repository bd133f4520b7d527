package chart

import (
	"math"
	"slices"

	"tipoff/calib/unit"
	"tipoff/logger/phase"
)

// axis maps a quantity to a place on the page.
type axis struct {
	lo, hi float64 // in the unit that is shown
	p0, p1 float64 // page positions of lo and hi
	log    bool
}

// at is the place of v, held inside the axis. NaN where v cannot be shown.
func (a axis) at(v float64) float64 {
	lo, hi := a.lo, a.hi
	if a.log {
		if !(v > 0) {
			return math.NaN()
		}
		v, lo, hi = math.Log(v), math.Log(lo), math.Log(hi)
	}
	if v != v {
		return v
	}
	return a.p0 + (a.p1-a.p0)*min(1, max(0, (v-lo)/(hi-lo)))
}

// shown converts from SI to the unit on the axis.
func (q Quantity) shown(v float64) float64 {
	switch q {
	case Pressure:
		return v / unit.Torr
	case Current:
		return v * 1000
	}
	return v
}

func (q Quantity) unit() string { return [quantities]string{"Torr", "°C", "mA"}[q] }

// say writes a value as shown with its unit; low pressures are in micron, as the
// trade has them.
func (q Quantity) say(v float64) string {
	if q == Pressure && math.Abs(v) < 0.1 {
		return number(1000*v) + " micron"
	}
	return number(v) + " " + q.unit()
}

func (q Quantity) title() string {
	return [quantities]string{"Pressure, Torr", "Glass temperature, °C", "Current, mA"}[q]
}

func (p Point) of(q Quantity) float64 {
	return q.shown([quantities]float64{p.Pressure, p.Glass, p.Current}[q])
}

// traces are the lines of one quantity, each x, y, x, y, … For each column of
// one pixel it keeps the first, lowest, highest and last value, so that a short
// spike in a run of a million points is still there. A line ends where there is
// no reading and where more than gap seconds are missing.
func traces(points []Point, q Quantity, x, y axis, gap float64) [][]float64 {
	var (
		out  [][]float64
		cur  []float64
		col  int
		n    int
		keep [4][2]float64 // first, lowest, highest, last
		lowI int           // order of the lowest and highest in the column
		topI int
		last = math.Inf(-1)
	)
	column := func() {
		if n == 0 {
			return
		}
		a, b := keep[1], keep[2]
		if topI < lowI {
			a, b = b, a
		}
		for _, k := range [4][2]float64{keep[0], a, b, keep[3]} {
			if m := len(cur); m < 2 || cur[m-2] != k[0] || cur[m-1] != k[1] {
				cur = append(cur, k[0], k[1])
			}
		}
		n = 0
	}
	finish := func() {
		column()
		if len(cur) > 0 {
			out = append(out, cur)
		}
		cur = nil
	}
	for _, pt := range points {
		px, py := x.at(pt.T), y.at(pt.of(q))
		if py != py || px != px {
			finish()
			continue
		}
		if pt.T-last > gap {
			finish()
		}
		last = pt.T
		if c := int(px / onePx); c != col {
			column()
			col = c
		}
		k := [2]float64{px, py}
		if n == 0 {
			keep = [4][2]float64{k, k, k, k}
			lowI, topI = 0, 0
		}
		if py < keep[1][1] {
			keep[1], lowI = k, n
		}
		if py > keep[2][1] {
			keep[2], topI = k, n
		}
		keep[3] = k
		n++
	}
	finish()
	return out
}

// scale chooses the axis range of a quantity from the readings and from those
// limits that are near enough to belong in the picture.
func scale(r *Run, q Quantity) axis {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range r.Points {
		v := p.of(q)
		if v != v || math.IsInf(v, 0) || q == Pressure && !(v > 0) {
			continue
		}
		lo, hi = min(lo, v), max(hi, v)
	}
	if hi < lo {
		lo, hi = [quantities]float64{0.01, 20, 0}[q], [quantities]float64{10, 30, 50}[q]
	}
	dataLo, dataHi := lo, hi
	for _, l := range r.Limits {
		if l.Quantity != q || len(r.stretches(l.Phases)) == 0 {
			continue
		}
		for _, b := range []float64{q.shown(l.Low), q.shown(l.High)} {
			switch {
			case b != b:
			case len(r.Points) == 0: // the limits are the picture
				lo, hi = min(lo, b), max(hi, b)
			case q == Pressure && b > dataLo/30 && b < dataHi*30, q != Pressure && b > 0 && b < dataHi*2.5:
				lo, hi = min(lo, b), max(hi, b)
			}
		}
	}
	if q == Pressure {
		lo, hi = max(lo, 1e-6), min(hi, 2000)
		lo = math.Pow(10, math.Floor(math.Log10(lo*0.999)))
		hi = math.Pow(10, math.Ceil(math.Log10(max(hi, lo)*1.001)))
		return axis{lo: lo, hi: max(hi, lo*10), log: true}
	}
	lo = min(lo, 0)
	room := 0.14 * (hi - lo)
	return axis{lo: lo, hi: max(hi+room, lo+[quantities]float64{0, 40, 20}[q])}
}

// stretches are the times in which the run was in one of the phases; spans that
// touch are joined.
func (r *Run) stretches(in []phase.ID) []Span {
	var out []Span
	for _, s := range r.Phases {
		if !slices.Contains(in, s.Phase) || !(s.To > s.From) {
			continue
		}
		if n := len(out); n > 0 && s.From-out[n-1].To < 1 {
			out[n-1].To = s.To
			continue
		}
		out = append(out, s)
	}
	return out
}
