package chart

import "fmt"

// Corridor is where good runs lie at one moment; T of Low is the moment. NaN where
// there is none.
type Corridor struct{ Low, High Point }

// corridor fills the band of the good runs behind the readings. Stretches between
// which there is none stand apart.
func corridor(p *pen, r *Run, x axis, pn *panel) {
	from := 0
	flush := func(to int) {
		part := r.Corridor[from:to]
		ribbonOf(p, tint(traceInk[pn.q], 0.2), len(part), func(i int) (at, lo, hi float64) {
			return x.at(part[i].Low.T), pn.y.at(part[i].Low.of(pn.q)), pn.y.at(part[i].High.of(pn.q))
		})
		from = to
	}
	for i := range r.Corridor {
		if c := &r.Corridor[i]; c.Low.of(pn.q) != c.Low.of(pn.q) || i > 0 && c.Low.T < r.Corridor[i-1].Low.T {
			flush(i)
		}
	}
	flush(len(r.Corridor))
}

// corridorKey explains the band at the foot of a chart.
func corridorKey(p *pen, r *Run, x, y float64) {
	if len(r.Corridor) == 0 {
		return
	}
	s := style{9.5, false, pale}
	p.fill(rect{x, y - 1, x + 29, y + 8}, tint(traceInk[Glass], 0.2))
	share := "all"
	if r.CorridorRuns >= 9 {
		share = "8 in 10"
	}
	text := fmt.Sprintf("where %s of %d good runs of such tubes lie", share, r.CorridorRuns)
	p.text(s, x+34, y, 0, text+", phase beside phase")
}
