package chart

import (
	"fmt"
	"math"
	"slices"

	"tipoff/logger/phase"
)

// legendW is the room for the legend at the right of the chart.
const legendW = 190.0

// drawPT draws log pressure over glass temperature, coloured by phase.
func drawPT(p *pen, r *Run) {
	heading(p, r)
	b := rect{left + 10, 62, right - legendW, pageH - 96}
	x, y := scale(r, Glass), scale(r, Pressure)
	x.p0, x.p1, y.p0, y.p1 = b.x0, b.x1, b.y0, b.y1

	yTicks(p, logTicks(y.lo, y.hi), y, b)
	for _, t := range linearTicks(x.lo, x.hi, 12) {
		at := x.at(t.at)
		p.line(rule, 0.8, at, b.y0, at, b.y1)
		p.line(ink, 0.9, at, b.y0-5, at, b.y0)
		p.text(tickStyle, at, b.y0-16, 0.5, t.label)
	}
	micronTicks(p, y, b)
	p.line(ink, 0.9, b.x0, b.y1, b.x0, b.y0, b.x1, b.y0)
	p.text(style{12, true, traceInk[Pressure]}, b.x0, b.y1+9, 0, Pressure.title())
	p.text(style{12, true, traceInk[Glass]}, (b.x0+b.x1)/2, b.y0-34, 0.5, Glass.title())

	pieces := paths(r, x, y)
	ptLimits(p, r, x, y, b)
	for _, pc := range pieces {
		c := colourOf(pc.phase)
		if len(pc.xy) == 2 {
			p.dot(c, pc.xy[0], pc.xy[1], 1.2)
			continue
		}
		p.line(c, 2.2, pc.xy...)
	}
	arrows(p, pieces)
	ends(p, pieces)
	ptLabels(p, r, x, y, b, pieces)
	legend(p, r, right-legendW+78, b.y1)
	key(p, r, b.x1, b.y0-33)
}

// piece is a part of the path in one phase.
type piece struct {
	phase phase.ID
	xy    []float64
}

// paths is the path, cut where the phase changes and where there is no reading.
// Points closer than half a pixel to the one before are left out.
func paths(r *Run, x, y axis) []piece {
	var out []piece
	var cur piece
	finish := func() {
		if len(cur.xy) > 0 {
			out = append(out, cur)
		}
		cur = piece{}
	}
	last := math.Inf(-1)
	i := 0
	for _, pt := range r.Points {
		for i < len(r.Phases) && pt.T >= r.Phases[i].To {
			i++
		}
		id := phase.Idle
		if i < len(r.Phases) && pt.T >= r.Phases[i].From {
			id = r.Phases[i].Phase
		}
		px, py := x.at(pt.of(Glass)), y.at(pt.of(Pressure))
		if px != px || py != py {
			finish()
			continue
		}
		if pt.T-last > r.maxGap() {
			finish()
		}
		last = pt.T
		n := len(cur.xy)
		if n > 0 && id != cur.phase {
			x0, y0 := cur.xy[n-2], cur.xy[n-1]
			finish()
			cur.xy = append(cur.xy, x0, y0) // joins the pieces
			n = 2
		}
		cur.phase = id
		if n >= 2 && math.Hypot(px-cur.xy[n-2], py-cur.xy[n-1]) < onePx/2 {
			continue
		}
		cur.xy = append(cur.xy, px, py)
	}
	finish()
	return out
}

// arrows sets direction ticks along the path, 80 points apart.
func arrows(p *pen, pieces []piece) {
	const apart, span = 80.0, 6.0
	gone := apart / 2
	for _, pc := range pieces {
		bx, by := math.NaN(), math.NaN() // a place some points back: gives a steady direction
		for i := 0; i+1 < len(pc.xy); i += 2 {
			x, y := pc.xy[i], pc.xy[i+1]
			if bx != bx {
				bx, by = x, y
				continue
			}
			d := math.Hypot(x-bx, y-by)
			if d < span {
				continue
			}
			gone += d
			if gone >= apart {
				gone = 0
				ux, uy := (x-bx)/d, (y-by)/d
				p.shape(colourOf(pc.phase), x+6*ux, y+6*uy, x-4*ux-5*uy, y-4*uy+5*ux, x-4*ux+5*uy, y-4*uy-5*ux)
			}
			bx, by = x, y
		}
	}
}

// ends marks where the path begins and ends. The two are often near each other,
// with the air let in again, so that each word looks for a place that lies on
// neither, nor on the path.
func ends(p *pen, pieces []piece) {
	if len(pieces) == 0 {
		return
	}
	f, l := pieces[0].xy, pieces[len(pieces)-1].xy
	first, last := [2]float64{f[0], f[1]}, [2]float64{l[len(l)-2], l[len(l)-1]}
	p.dot(ink, first[0], first[1], 4.2)
	p.dot(paper, first[0], first[1], 2.4)
	p.dot(ink, last[0], last[1], 4.2)
	lines := make([][]float64, len(pieces))
	for i := range pieces {
		lines[i] = pieces[i].xy
	}
	word := func(at, other [2]float64, text string) {
		s := style{10.5, true, ink}
		w := p.width(s, text)
		var places [][2]float64
		for d := 8.0; d < 40; d += 8 {
			places = append(places, [2]float64{d, -3.5}, [2]float64{-d - w, -3.5}, [2]float64{-w / 2, d}, [2]float64{-w / 2, -d - 8},
				[2]float64{d, d - 4}, [2]float64{-d - w, d - 4})
		}
		for _, crossing := range []bool{false, true} {
			for _, o := range places {
				box := p.box(s, at[0]+o[0], at[1]+o[1], 0, text)
				dot := rect{other[0] - 6, other[1] - 6, other[0] + 6, other[1] + 6}
				if p.free(box.grow(2)) && !dot.meets(box) && (crossing || !crosses(lines, box)) {
					p.text(s, at[0]+o[0], at[1]+o[1], 0, text)
					return
				}
			}
		}
	}
	word(first, last, "start")
	word(last, first, "end")
}

// visited is the range of q, in page places, in the phases in; ok is false if
// there was no reading.
func visited(r *Run, in []phase.ID, q Quantity, a axis) (lo, hi float64, ok bool) {
	lo, hi = math.Inf(1), math.Inf(-1)
	i := 0
	for _, pt := range r.Points {
		for i < len(r.Phases) && pt.T >= r.Phases[i].To {
			i++
		}
		if i >= len(r.Phases) || pt.T < r.Phases[i].From || !slices.Contains(in, r.Phases[i].Phase) {
			continue
		}
		if v := a.at(pt.of(q)); v == v {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	return lo - 24, hi + 24, hi >= lo
}

// bounds calls f for each bound of the limits that can be drawn: its line as a
// rectangle without area, and which side is wrong.
func bounds(r *Run, x, y axis, f func(line rect, upright, goal bool, side float64, text string)) {
	for _, l := range r.Limits {
		if l.Quantity == Current {
			continue
		}
		other, along, across := Glass, x, y
		if l.Quantity == Glass {
			other, along, across = Pressure, y, x
		}
		lo, hi, ok := visited(r, l.Phases, other, along)
		if !ok {
			continue
		}
		lo, hi = max(lo, along.p0), min(hi, along.p1)
		for i, v := range []float64{l.Quantity.shown(l.Low), l.Quantity.shown(l.High)} {
			if !(v >= across.lo && v <= across.hi) {
				continue
			}
			at := across.at(v)
			text := fmt.Sprintf("%s %s %s", l.Title, []string{"≥", "≤"}[i], l.Quantity.say(v))
			side := float64(2*i - 1)
			if l.Quantity == Glass {
				f(rect{at, lo, at, hi}, true, l.Goal, side, text)
			} else {
				f(rect{lo, at, hi, at}, false, l.Goal, side, text)
			}
		}
	}
}

func ptLimits(p *pen, r *Run, x, y axis, b rect) {
	bounds(r, x, y, func(l rect, _, goal bool, side float64, _ string) { p.limit(l, side, goal, b) })
}

func ptLabels(p *pen, r *Run, x, y axis, b rect, pieces []piece) {
	lines := make([][]float64, len(pieces))
	for i := range pieces {
		lines[i] = pieces[i].xy
	}
	bounds(r, x, y, func(l rect, _, _ bool, _ float64, _ string) { // keep clear of these too
		var dense []float64
		n := math.Ceil((l.x1 - l.x0 + l.y1 - l.y0) / 2)
		for i := 0.0; i <= n; i++ {
			dense = append(dense, l.x0+(l.x1-l.x0)*i/max(n, 1), l.y0+(l.y1-l.y0)*i/max(n, 1))
		}
		lines = append(lines, dense)
	})
	bounds(r, x, y, func(l rect, upright, _ bool, side float64, text string) {
		w := p.width(limitStyle, text)
		var at [][2]float64
		if upright {
			for dy := 4.0; dy < 80; dy += 13 { // above the end of the line, then below its other end
				at = append(at, [2]float64{l.x0 - w/2, l.y1 + dy}, [2]float64{l.x0 - w - 4, l.y1 - dy - 8}, [2]float64{l.x0 - w/2, l.y0 - dy - 8})
			}
		} else {
			up, down := 4.0, -limitStyle.size
			if side > 0 {
				up += zone
			} else {
				down -= zone
			}
			for d := 0.0; d < 30; d += 13 {
				for _, xx := range []float64{(l.x0 + l.x1 - w) / 2, l.x0, l.x1 - w, l.x1 + 6, l.x1 + 60, l.x1 + 120, l.x0 - w - 6} {
					at = append(at, [2]float64{xx, l.y0 + up + d}, [2]float64{xx, l.y0 + down - d})
				}
			}
		}
		for _, crossing := range []bool{false, true} {
			for _, a := range at {
				a[0] = min(max(a[0], b.x0+4), b.x1-w-4)
				box := p.box(limitStyle, a[0], a[1], 0, text)
				if box.y0 < b.y0 || box.y1 > b.y1 || !p.free(box.grow(2)) || !crossing && crosses(lines, box) {
					continue
				}
				p.text(limitStyle, a[0], a[1], 0, text)
				return
			}
		}
	})
}

// legend lists the phases in the order of their first coming.
func legend(p *pen, r *Run, x, top float64) {
	type row struct {
		id    phase.ID
		times int
		took  float64
	}
	var rows []row
	for _, s := range r.Phases {
		i := slices.IndexFunc(rows, func(o row) bool { return o.id == s.Phase })
		if i < 0 {
			rows = append(rows, row{id: s.Phase})
			i = len(rows) - 1
		}
		rows[i].times++
		rows[i].took += s.To - s.From
	}
	p.text(style{12, true, ink}, x, top-10, 0, "Phase and time in it")
	for i, o := range rows {
		y := top - 32 - float64(i)*19
		c := colourOf(o.id)
		p.fill(rect{x, y - 2, x + 22, y + 9}, c)
		p.shape(on(c), x+8, y+0.3, x+15, y+3.5, x+8, y+6.7)
		p.text(style{11, false, ink}, x+30, y, 0, o.id.String())
		took := Clock(o.took)
		if o.times > 1 {
			took += fmt.Sprintf(" in %d", o.times)
		}
		p.text(tickStyle, x+100, y, 0, took)
	}
}
