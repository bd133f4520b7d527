package chart

import (
	"cmp"
	"fmt"
	"image/color"
	"slices"
)

// The time chart's places on the page.
const (
	left      = 58.0
	right     = pageW - 74
	ribbonY0  = 690.0
	ribbonY1  = 708.0
	panelsTop = 652.0
	titleRoom = 24.0 // above each panel
)

var (
	titleStyle = style{20, true, ink}
	subStyle   = style{11.5, false, pale}
	tickStyle  = style{10.5, false, pale}
	noteStyle  = style{10.5, false, ink}
	limitStyle = style{10, true, limitInk}
)

func heading(p *pen, r *Run) {
	p.text(titleStyle, left, pageH-36, 0, p.fit(titleStyle, right-left, r.Title))
	first, rest := p.wrap(subStyle, right-left, r.Subtitle)
	p.text(subStyle, left, pageH-54, 0, p.fit(subStyle, right-left, first))
	if len(r.Also) == 0 { // those stand there on the chart of an envelope
		p.text(subStyle, left, pageH-68, 0, p.fit(subStyle, right-left, rest))
	}
}

// panel is one of the stacked drawings.
type panel struct {
	q     Quantity
	box   rect
	y     axis
	lines [][]float64
}

func drawTime(p *pen, r *Run) {
	x := axis{lo: 0, hi: r.end(), p0: left, p1: right}
	heading(p, r)
	ribbon(p, r, x)

	alarmRows := (min(len(r.Alarms), maxAlarmNotes) + 1) / 2
	bottom := 52.0
	if alarmRows > 0 {
		bottom += 12 + 15*float64(alarmRows)
	}
	panels := layPanels(r, x, bottom)
	for i := range panels {
		ground(p, r, x, &panels[i])
	}
	for i := range panels {
		corridor(p, r, x, &panels[i])
	}
	var boxes []rect
	for i := range panels {
		boxes = append(boxes, panels[i].box)
	}
	timeAxis(p, x, boxes, 16, runAxis)
	for i := range panels {
		limitZones(p, r, x, &panels[i])
	}
	pointers(p, r.Alarms, x, bottom, limitInk, limitInk)
	for i := range panels {
		strokeTraces(p, &panels[i])
	}
	for i := range panels {
		limitLabels(p, r, x, &panels[i])
	}
	alarmNotes(p, r, bottom)
	key(p, r, right, bottom-30)
	corridorKey(p, r, left, bottom-30)
}

func layPanels(r *Run, x axis, bottom float64) []panel {
	share := [quantities]float64{0.40, 0.36, 0.24}
	room := panelsTop - bottom - 2*titleRoom
	top := panelsTop
	var out []panel
	for q := range quantities {
		h := room * share[q]
		pn := panel{q: q, box: rect{left, top - h, right, top}, y: scale(r, q)}
		pn.y.p0, pn.y.p1 = pn.box.y0, pn.box.y1
		pn.lines = traces(r.Points, q, x, pn.y, r.maxGap())
		out = append(out, pn)
		top -= h + titleRoom
	}
	return out
}

// ribbon draws the phases as a band of colour. A name that does not fit into
// its piece stands above it, on a stem.
func ribbon(p *pen, r *Run, x axis) {
	s := style{10.5, true, paper}
	above := style{9.5, false, ink}
	const rows = 4
	type stem struct {
		at, to float64 // places of the stem and of the end of its text
		row    int
	}
	var stems []stem
	// From the last to the first: a text reaches to the right of its stem, so it
	// has to stand above every stem that it would cross.
	for _, sp := range slices.Backward(r.Phases) {
		x0, x1 := x.at(sp.From), x.at(sp.To)
		if !(x1 > x0) {
			continue
		}
		c := colourOf(sp.Phase)
		p.fill(rect{x0, ribbonY0, x1, ribbonY1}, c)
		if x1 < right {
			p.line(paper, 0.8, x1, ribbonY0, x1, ribbonY1)
		}
		name := sp.Phase.String()
		s.col = on(c)
		if w := p.width(s, name); w+6 <= x1-x0 {
			p.text(s, (x0+x1)/2, ribbonY0+5.4, 0.5, name)
			continue
		}
		mid := (x0 + x1) / 2
		from := min(mid+3, pageW-8-p.width(above, name))
		n := stem{at: mid, to: from + p.width(above, name) + 4}
		for _, o := range stems {
			if o.at < n.to && o.row >= n.row {
				n.row = o.row + 1
			}
		}
		if n.row >= rows {
			continue // no room; the colour and the legend of the other chart remain
		}
		stems = append(stems, n)
		y := ribbonY1 + 5 + float64(n.row)*11
		p.line(c, 0.9, mid, ribbonY1, mid, y+7)
		p.text(above, from, y, 0, name)
	}
}

// ground draws what lies under the lines: phase tints, grid, axis, title.
func ground(p *pen, r *Run, x axis, pn *panel) {
	b := pn.box
	for _, sp := range r.Phases {
		if x0, x1 := x.at(sp.From), x.at(sp.To); x1 > x0 {
			p.fill(rect{x0, b.y0, x1, b.y1}, tint(colourOf(sp.Phase), 0.085))
		}
	}
	var ts []tick
	if pn.y.log {
		ts = logTicks(pn.y.lo, pn.y.hi)
	} else {
		ts = linearTicks(pn.y.lo, pn.y.hi, int((b.y1-b.y0)/26))
	}
	yTicks(p, ts, pn.y, b)
	if pn.q == Pressure {
		micronTicks(p, pn.y, b)
	}
	t := style{12, true, traceInk[pn.q]}
	p.text(t, left, b.y1+7, 0, pn.q.title())
	p.line(ink, 0.9, b.x0, b.y1, b.x0, b.y0, b.x1, b.y0)
}

func yTicks(p *pen, ts []tick, y axis, b rect) {
	clear := b.y0 - 100
	for _, t := range ts {
		at := y.at(t.at)
		if t.label == "" {
			p.line(hairline, 0.5, b.x0, at, b.x1, at)
			p.line(ink, 0.6, b.x0-2.5, at, b.x0, at)
			continue
		}
		p.line(rule, 0.8, b.x0, at, b.x1, at)
		p.line(ink, 0.9, b.x0-5, at, b.x0, at)
		if at-clear > tickStyle.size*1.1 {
			p.text(tickStyle, b.x0-8, at-3.6, 1, t.label)
			clear = at
		}
	}
}

// micronTicks repeats the low decades in microns at the right edge.
func micronTicks(p *pen, y axis, b rect) {
	for _, t := range logTicks(y.lo, y.hi) {
		if m := t.at * 1000; t.label != "" && m > 0.09 && m < 500 {
			at := y.at(t.at)
			p.line(ink, 0.9, b.x1, at, b.x1+5, at)
			p.text(tickStyle, b.x1+8, at-3.6, 0, number(m)+" micron")
		}
	}
}

const runAxis = "time from the start of the run, min:s"

// timeAxis draws the times' lines through boxes, from top to bottom, and the axis
// below them with some n marks.
func timeAxis(p *pen, x axis, boxes []rect, n int, title string) {
	last := boxes[len(boxes)-1]
	for _, t := range timeTicks(x.hi, n) {
		at := x.at(t.at)
		for _, b := range boxes {
			p.line(rule, 0.6, at, b.y0, at, b.y1)
			p.line(ink, 0.9, at, b.y0-4, at, b.y0)
		}
		p.text(tickStyle, at, last.y0-15, 0.5, t.label)
	}
	p.text(noteStyle, (left+right)/2, last.y0-30, 0.5, title)
}

func strokeTraces(p *pen, pn *panel) {
	for _, l := range pn.lines {
		if len(l) == 2 {
			p.dot(traceInk[pn.q], l[0], l[1], 1.1)
			continue
		}
		p.line(traceInk[pn.q], 1.6, l...)
	}
}

const zone = 9.0 // depth of the hatching on the wrong side of a limit

func limitZones(p *pen, r *Run, x axis, pn *panel) {
	for _, l := range r.Limits {
		if l.Quantity != pn.q {
			continue
		}
		for _, s := range r.stretches(l.Phases) {
			x0, x1 := x.at(s.From), x.at(s.To)
			for i, v := range []float64{pn.q.shown(l.Low), pn.q.shown(l.High)} {
				if v >= pn.y.lo && v <= pn.y.hi {
					y := pn.y.at(v)
					p.limit(rect{x0, y, x1, y}, float64(2*i-1), l.Goal, pn.box)
				}
			}
		}
	}
}

// limit draws the line of a bound, which is a rectangle without height or
// width, and hatches its wrong side: +1 above or to the right of it.
func (p *pen) limit(line rect, side float64, goal bool, inside rect) {
	if goal {
		p.dashed(limitInk, 1.2, line.x0, line.y0, line.x1, line.y1)
		return
	}
	h := line
	if line.y0 == line.y1 {
		h.y0, h.y1 = min(line.y0, line.y0+zone*side), max(line.y0, line.y0+zone*side)
	} else {
		h.x0, h.x1 = min(line.x0, line.x0+zone*side), max(line.x0, line.x0+zone*side)
	}
	p.hatch(rect{max(h.x0, inside.x0), max(h.y0, inside.y0), min(h.x1, inside.x1), min(h.y1, inside.y1)}, limitInk)
	p.line(limitInk, 1.4, line.x0, line.y0, line.x1, line.y1)
}

// key explains the two kinds of limit lines at the foot of a chart.
func key(p *pen, r *Run, x, y float64) {
	if len(r.Limits) == 0 {
		return
	}
	s := style{9.5, false, pale}
	const goal, keep = "to be reached, or met once", "not to be crossed"
	at := x - p.width(s, goal)
	p.text(s, at, y, 0, goal)
	p.limit(rect{at - 34, y + 3.5, at - 5, y + 3.5}, 1, true, rect{0, 0, pageW, pageH})
	at -= 48 + p.width(s, keep)
	p.text(s, at, y, 0, keep)
	p.limit(rect{at - 34, y + 1, at - 5, y + 1}, 1, false, rect{0, 0, pageW, pageH})
}

func limitLabels(p *pen, r *Run, x axis, pn *panel) {
	var marks [][]float64 // the alarms' dashed lines
	for _, a := range r.Alarms {
		var l []float64
		for y := pn.box.y0; y < pn.box.y1; y += 4 {
			l = append(l, x.at(a.T), y)
		}
		marks = append(marks, l)
	}
	for _, l := range r.Limits {
		if l.Quantity != pn.q {
			continue
		}
		spans := r.stretches(l.Phases)
		slices.SortStableFunc(spans, func(a, b Span) int { return cmp.Compare(b.To-b.From, a.To-a.From) })
		bound(p, x, pn, marks, spans, pn.q.shown(l.High), l.Title+" ≤ ", l.Note, 1)
		bound(p, x, pn, marks, spans, pn.q.shown(l.Low), l.Title+" ≥ ", l.Note, -1)
	}
}

// bound writes the label of one bound at the best free place near its line:
// clear of other texts, and of the lines of readings if that can be had.
func bound(p *pen, x axis, pn *panel, marks [][]float64, spans []Span, v float64, title, note string, side float64) {
	if v != v || len(spans) == 0 {
		return
	}
	text := title + pn.q.say(v)
	if v < pn.y.lo || v > pn.y.hi {
		text += " (off the scale)"
	}
	text += note
	y := pn.y.at(v)
	w := p.width(limitStyle, text)
	down, up := limitStyle.size*ascent+4, 4.0
	beyond := zone + 3.0
	offsets := []float64{up + beyond - 3, -down}
	if side < 0 {
		offsets = []float64{-down - beyond + 3, up}
	}
	busy := slices.Concat(pn.lines, marks)
	for _, crossing := range []bool{false, true} {
		for _, s := range spans {
			x0, x1 := x.at(s.From), x.at(s.To)
			for _, dy := range append(offsets, offsets[0]+13*side, offsets[1]-13*side) {
				for _, at := range []float64{(x0+x1)/2 - w/2, x0, x1 - w, x1 + 6, x0 - w - 6} {
					at = min(max(at, left+4), right-w-4)
					b := p.box(limitStyle, at, y+dy, 0, text)
					if b.y0 < pn.box.y0 || b.y1 > pn.box.y1 || !p.free(b.grow(2)) {
						continue
					}
					if !crossing && crosses(busy, b) {
						continue
					}
					p.text(limitStyle, at, y+dy, 0, text)
					return
				}
			}
		}
	}
}

// crosses tells whether a line of readings has a corner in b; the lines have
// one in nearly every pixel column.
func crosses(lines [][]float64, b rect) bool {
	b = b.grow(1.5)
	for _, l := range lines {
		for i := 0; i+1 < len(l); i += 2 {
			if l[i] > b.x0 && l[i] < b.x1 && l[i+1] > b.y0 && l[i+1] < b.y1 {
				return true
			}
			if i > 0 && b.cut(l[i-2], l[i-1], l[i], l[i+1]) {
				return true
			}
		}
	}
	return false
}

// cut tells whether a straight line goes through r.
func (r rect) cut(xa, ya, xb, yb float64) bool {
	from, to := 0.0, 1.0 // the part of the line within the bounds so far
	for _, side := range [][3]float64{{xb - xa, r.x0 - xa, r.x1 - xa}, {yb - ya, r.y0 - ya, r.y1 - ya}} {
		d, lo, hi := side[0], side[1], side[2]
		switch {
		case d == 0 && (lo > 0 || hi < 0):
			return false
		case d != 0:
			from, to = max(from, min(lo/d, hi/d)), min(to, max(lo/d, hi/d))
		}
	}
	return from <= to
}

const maxAlarmNotes = 8

// pointers marks each moment with a numbered pointer below the ribbon and a dashed
// line through the panels. Where moments crowd, a pointer stands beside its own, as far
// as its tip still reaches; beyond that the number before says "and on".
func pointers(p *pen, moments []Alarm, x axis, bottom float64, line, fill color.NRGBA) {
	const wide, reach = 14.0, 45.0
	s := style{8.5, true, paper}
	next := -reach
	for i, a := range moments {
		at := x.at(a.T)
		if at != at || i >= 99 {
			continue
		}
		p.dashed(line, 0.8, at, bottom, at, ribbonY0-8)
		place := max(at, next)
		if place-at > reach {
			continue
		}
		top := ribbonY0 - 5
		p.shape(fill, place-wide/2, top, place+wide/2, top, place+wide/2, top-11, at, top-17, place-wide/2, top-11)
		p.text(s, place, top-9.5, 0.5, fmt.Sprint(i+1))
		next = place + wide + 1
	}
}

func alarmNotes(p *pen, r *Run, bottom float64) {
	if len(r.Alarms) == 0 {
		return
	}
	head := style{10.5, true, limitInk}
	w := (right - left) / 2
	y0 := bottom - 46 // below the time axis
	for i, a := range r.Alarms {
		if i == maxAlarmNotes {
			break
		}
		x := left + float64(i%2)*w
		y := y0 - 15*float64(i/2)
		label := fmt.Sprintf("%d  %s", i+1, Clock(a.T))
		text := a.Text
		if i == maxAlarmNotes-1 && len(r.Alarms) > maxAlarmNotes {
			text += fmt.Sprintf("  (and %d more)", len(r.Alarms)-maxAlarmNotes)
		}
		p.text(head, x, y, 0, label)
		p.text(noteStyle, x+72, y, 0, p.fit(noteStyle, w-80, text))
	}
}
