package chart

import (
	"fmt"
	"image/color"
	"math"
)

// Forecast is one moment of a run that is yet to be: what 95 of 100 runs lie
// between, and the electrode shells, which no ordinary bench measures.
type Forecast struct {
	Low, High           Point   // T of Low is the moment
	Shell               float64 // °C
	ShellLow, ShellHigh float64
	Wanted              float64 // where the shells are wanted, °C; 0: nothing is drawn
}

var shellInk = hex(0x780808)

// drawForecast draws a predicted run: glass on top, as that is what decides,
// then the shells beside which it has to arrive, pressure and current; each line
// in its band of 95 %. Alarms of r are the points at which to do something.
func drawForecast(p *pen, r *Run) {
	x := axis{lo: 0, hi: r.end(), p0: left, p1: right}
	heading(p, r)
	ribbon(p, r, x)
	rows := (min(len(r.Alarms), maxAlarmNotes) + 1) / 2
	bottom := 62 + 15*float64(rows)
	// Glass, shells, pressure, current.
	share := []float64{0.34, 0.24, 0.24, 0.18}
	room := panelsTop - bottom - 3*titleRoom
	top := panelsTop
	boxes := make([]rect, len(share))
	for i, s := range share {
		boxes[i] = rect{left, top - room*s, right, top}
		top -= room*s + titleRoom
	}
	var panels []panel
	for i, q := range []Quantity{Glass, Pressure, Current} {
		box := boxes[[]int{0, 2, 3}[i]]
		pn := panel{q: q, box: box, y: forecastScale(r, q)}
		pn.y.p0, pn.y.p1 = box.y0, box.y1
		pn.lines = traces(r.Points, q, x, pn.y, r.maxGap())
		panels = append(panels, pn)
	}
	shells := panel{box: boxes[1], y: axis{lo: 0, hi: 1200, p0: boxes[1].y0, p1: boxes[1].y1}}
	for i := range panels {
		ground(p, r, x, &panels[i])
	}
	shellGround(p, r, x, &shells)
	for i := range panels {
		band(p, r, x, &panels[i])
	}
	timeAxis(p, x, boxes, 16, runAxis)
	for i := range panels {
		limitZones(p, r, x, &panels[i])
	}
	pointers(p, r.Alarms[:min(len(r.Alarms), maxAlarmNotes)], x, bottom, pale, ink)
	for i := range panels {
		strokeTraces(p, &panels[i])
	}
	shellLine(p, r, x, &shells)
	for i := range panels {
		limitLabels(p, r, x, &panels[i])
	}
	forecastNotes(p, r, bottom)
	key(p, r, right, bottom-30)
	s := style{9.5, false, pale}
	p.fill(rect{left, bottom - 31, left + 29, bottom - 22}, tint(traceInk[Glass], 0.25))
	p.text(s, left+34, bottom-30, 0, "95 of 100 modelled runs, phase beside phase; how long they take is in the table")
}

// forecastScale is [scale] with the band in it.
func forecastScale(r *Run, q Quantity) axis {
	wide := *r
	wide.Points = append([]Point(nil), r.Points...)
	for _, f := range r.Forecast {
		wide.Points = append(wide.Points, f.Low, f.High)
	}
	return scale(&wide, q)
}

func band(p *pen, r *Run, x axis, pn *panel) {
	ribbonOf(p, tint(traceInk[pn.q], 0.25), len(r.Forecast), func(i int) (at, lo, hi float64) {
		f := &r.Forecast[i]
		return x.at(f.Low.T), pn.y.at(f.Low.of(pn.q)), pn.y.at(f.High.of(pn.q))
	})
}

// ribbonOf fills the area between two lines.
func ribbonOf(p *pen, c color.NRGBA, n int, get func(i int) (at, lo, hi float64)) {
	var up, down []float64
	for i := range n {
		at, lo, hi := get(i)
		if at != at || lo != lo || hi != hi {
			continue
		}
		up = append(up, at, hi)
		down = append(down, at, lo)
	}
	if len(up) < 4 {
		return
	}
	for i := len(down) - 2; i >= 0; i -= 2 {
		up = append(up, down[i], down[i+1])
	}
	p.shape(c, up...)
}

func shellGround(p *pen, r *Run, x axis, pn *panel) {
	b := pn.box
	for _, sp := range r.Phases {
		if x0, x1 := x.at(sp.From), x.at(sp.To); x1 > x0 {
			p.fill(rect{x0, b.y0, x1, b.y1}, tint(colourOf(sp.Phase), 0.085))
		}
	}
	yTicks(p, linearTicks(pn.y.lo, pn.y.hi, int((b.y1-b.y0)/26)), pn.y, b)
	p.text(style{12, true, shellInk}, left, b.y1+7, 0, "Electrode shells by the model, °C (not measured)")
	p.line(ink, 0.9, b.x0, b.y1, b.x0, b.y0, b.x1, b.y0)
	ribbonOf(p, tint(shellInk, 0.25), len(r.Forecast), func(i int) (at, lo, hi float64) {
		f := &r.Forecast[i]
		return x.at(f.Low.T), pn.y.at(f.ShellLow), pn.y.at(f.ShellHigh)
	})
}

func shellLine(p *pen, r *Run, x axis, pn *panel) {
	var xy []float64
	orange := math.NaN()
	for i := range r.Forecast {
		f := &r.Forecast[i]
		if y := pn.y.at(f.Shell); y == y {
			xy = append(xy, x.at(f.Low.T), y)
		}
		if f.Wanted > 0 {
			orange = f.Wanted
		}
	}
	if orange == orange {
		y := pn.y.at(orange)
		p.dashed(limitInk, 1.2, pn.box.x0, y, pn.box.x1, y)
		p.text(limitStyle, pn.box.x0+6, y+4, 0, "orange: the coating turns to oxide from "+number(orange)+" °C")
	}
	p.line(shellInk, 1.6, xy...)
}

func forecastNotes(p *pen, r *Run, bottom float64) {
	head := style{10.5, true, ink}
	w := (right - left) / 2
	y0 := bottom - 46
	rows := (min(len(r.Alarms), maxAlarmNotes) + 1) / 2
	for i, a := range r.Alarms {
		if i == maxAlarmNotes {
			break
		}
		// Down the columns, as a recipe is read.
		x := left + float64(i/rows)*w
		y := y0 - 15*float64(i%rows)
		p.text(head, x, y, 0, fmt.Sprintf("%d  %s", i+1, Clock(a.T)))
		p.text(noteStyle, x+58, y, 0, p.fit(noteStyle, w-66, a.Text))
	}
}
