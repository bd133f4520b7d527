package chart

import (
	"errors"
	"fmt"
	"image/color"
	"io"
	"math"
)

// AgeingPoint is a recorded moment of an ageing run; NaN where there is no reading.
// Low and High are the least and the greatest since the moment before it.
type AgeingPoint struct {
	T                            float64 // s from the start
	Light, LightLow, LightHigh   float64 // parts of full scale
	Current, CurrentLow, CurHigh float64 // A
	Glass                        float64 // °C
	Lit                          bool    // it burns: the scales are made for these
}

// Ageing is all that the chart of an ageing run shows.
type Ageing struct {
	Title, Subtitle string
	Points          []AgeingPoint
	MaxGap          float64 // s that a line is drawn across
	Wanted          float64 // current asked for, A; 0: none
	// A straight line through the light from DriftFrom (s) on, % of Light an hour; NaN: none.
	Drift, DriftU, DriftFrom, Light float64
	Outs                            [][2]float64 // stretches in which the tube was out, s
}

var lightInk = hex(0x8a5a00)

// ageingPanel is one of the stacked drawings of an ageing run.
type ageingPanel struct {
	title string
	ink   color.NRGBA
	of    func(p *AgeingPoint) (x, low, high float64) // as shown
	box   rect
	y     axis
}

// WriteAgeing draws an ageing run: light, current and glass temperature over hours,
// those of them that were read. It fails if there are no points or w fails.
func WriteAgeing(w io.Writer, format Format, a *Ageing) error {
	if len(a.Points) == 0 {
		return fmt.Errorf("drawing the ageing run: %w", errNoPoints)
	}
	p, err := newPen(format)
	if err != nil {
		return fmt.Errorf("drawing the ageing run: %w", err)
	}
	panels := a.panels()
	if len(panels) == 0 {
		return errors.New("drawing the ageing run: neither light nor current nor glass was read")
	}
	end := max(1, min(a.Points[len(a.Points)-1].T, maxSpan))
	x := axis{lo: 0, hi: end, p0: left, p1: right}
	heading(p, &Run{Title: a.Title, Subtitle: a.Subtitle})
	const bottom, top = 62.0, 700.0
	h := (top-bottom)/float64(len(panels)) - titleRoom
	boxes := make([]rect, len(panels))
	for i := range panels {
		n := &panels[i]
		y1 := top - float64(i)*(h+titleRoom)
		n.box = rect{left, y1 - h, right, y1}
		boxes[i] = n.box
		n.y = a.scale(n)
		n.y.p0, n.y.p1 = n.box.y0, n.box.y1
		a.draw(p, x, n)
	}
	timeAxis(p, x, boxes, 14, "time from the start of the ageing run, h:min:s")
	_, err = p.out.WriteTo(w)
	if err != nil {
		return fmt.Errorf("drawing the ageing run: %w", err)
	}
	return nil
}

func (a *Ageing) panels() []ageingPanel {
	all := []ageingPanel{
		{title: "Light, % of full scale", ink: lightInk, of: func(p *AgeingPoint) (x, low, high float64) {
			return 100 * p.Light, 100 * p.LightLow, 100 * p.LightHigh
		}},
		{title: "Current, mA", ink: traceInk[Current], of: func(p *AgeingPoint) (x, low, high float64) {
			return 1000 * p.Current, 1000 * p.CurrentLow, 1000 * p.CurHigh
		}},
		{title: "Glass, °C", ink: traceInk[Glass], of: func(p *AgeingPoint) (x, low, high float64) {
			return p.Glass, math.NaN(), math.NaN()
		}},
	}
	var out []ageingPanel
	for _, n := range all {
		for i := range a.Points {
			if x, _, _ := n.of(&a.Points[i]); x == x {
				out = append(out, n)
				break
			}
		}
	}
	return out
}

// scale leaves a tenth free above and below what was read while the tube burnt; what
// is beyond is drawn at the edge.
func (a *Ageing) scale(n *ageingPanel) axis {
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range a.Points {
		if !a.Points[i].Lit {
			continue
		}
		x, low, high := n.of(&a.Points[i])
		for _, v := range []float64{x, low, high} {
			if v == v {
				lo, hi = min(lo, v), max(hi, v)
			}
		}
	}
	if hi < lo {
		lo, hi = 0, 1 // it never burnt
	}
	room := max((hi-lo)/10, 0.01*math.Abs(hi), 1e-6)
	return axis{lo: lo - room, hi: hi + room}
}

func (a *Ageing) draw(p *pen, x axis, n *ageingPanel) {
	b := n.box
	for _, o := range a.Outs {
		p.fill(rect{x.at(o[0]), b.y0, x.at(o[1]), b.y1}, tint(limitInk, 0.12))
	}
	yTicks(p, linearTicks(n.y.lo, n.y.hi, int((b.y1-b.y0)/30)), n.y, b)
	p.text(style{12, true, n.ink}, left, b.y1+7, 0, n.title)
	p.line(ink, 0.9, b.x0, b.y1, b.x0, b.y0, b.x1, b.y0)
	gap := a.MaxGap
	if gap <= 0 {
		gap = math.Inf(1)
	}
	// One column of the drawing after the other: thousands of points fall into one.
	type column struct{ at, sum, n, low, high float64 }
	var line []float64
	stroke := func() {
		if len(line) == 2 {
			p.dot(n.ink, line[0], line[1], 1.1)
		} else if len(line) > 2 {
			p.line(n.ink, 1.6, line...)
		}
		line = nil
	}
	edge := func(v float64) float64 { return min(max(v, n.y.lo), n.y.hi) }
	var c column
	flush := func() {
		if c.n == 0 {
			return
		}
		if c.high > c.low {
			p.fill(rect{c.at, n.y.at(edge(c.low)), c.at + 0.8, n.y.at(edge(c.high))}, tint(n.ink, 0.3))
		}
		line = append(line, c.at, n.y.at(edge(c.sum/c.n)))
		c = column{}
	}
	last := math.Inf(-1)
	for i := range a.Points {
		q := &a.Points[i]
		v, low, high := n.of(q)
		if v != v {
			continue
		}
		if q.T-last > gap && !math.IsInf(last, -1) {
			flush()
			stroke()
		}
		last = q.T
		at := math.Floor(x.at(q.T)/0.8) * 0.8
		if c.n > 0 && at != c.at {
			flush()
		}
		if c.n == 0 {
			c = column{at: at, low: v, high: v}
		}
		c.sum, c.n = c.sum+v, c.n+1
		if low == low {
			c.low = min(c.low, low)
		}
		if high == high {
			c.high = max(c.high, high)
		}
	}
	flush()
	stroke()
	switch {
	case n.ink == lightInk && a.Drift == a.Drift:
		mid := (a.DriftFrom + last) / 2
		at := func(t float64) float64 {
			v := 100 * a.Light * (1 + a.Drift/100*(t-mid)/3600)
			return n.y.at(edge(v))
		}
		p.dashed(ink, 1.2, x.at(a.DriftFrom), at(a.DriftFrom), x.at(last), at(last))
		p.text(noteStyle, right, b.y1+7, 1, fmt.Sprintf("over the second half %+.2f ± %.2f %% an hour", a.Drift, 2*a.DriftU))
	case n.ink == traceInk[Current] && a.Wanted > 0:
		if v := 1000 * a.Wanted; v > n.y.lo && v < n.y.hi {
			p.dashed(limitInk, 1.2, left, n.y.at(v), right, n.y.at(v))
		}
		p.text(noteStyle, right, b.y1+7, 1, fmt.Sprintf("wanted %s mA", number(1000*a.Wanted)))
	}
}
