package chart

import "tipoff/logger/phase"

// column is how wide a phase is on the chart of an envelope, as a time, s: the
// phases stand side by side, because how long they take is not known yet.
const column = 60

// drawEnvelope draws the limits of a tube before its run: the phases side by
// side, and in each the bounds of pressure, glass temperature and current, with
// a band for what they are uncertain by.
func drawEnvelope(p *pen, r *Run) {
	steps := *r
	steps.Points, steps.Alarms, steps.Phases = nil, nil, nil
	for id := range phase.ID(phase.Count) {
		if r.bounded(id) {
			from := float64(column * len(steps.Phases))
			steps.Phases = append(steps.Phases, Span{id, from, from + column})
		}
	}
	steps.Duration = float64(column * len(steps.Phases))
	x := axis{lo: 0, hi: steps.end(), p0: left, p1: right}
	heading(p, r)
	also(p, r)
	ribbon(p, &steps, x)
	panels := layPanels(&steps, x, 40)
	for i := range panels {
		ground(p, &steps, x, &panels[i])
		for _, s := range steps.Phases[min(1, len(steps.Phases)):] {
			at := x.at(s.From)
			p.line(rule, 0.6, at, panels[i].box.y0, at, panels[i].box.y1)
		}
		doubt(p, &steps, x, &panels[i])
	}
	for i := range panels {
		limitZones(p, &steps, x, &panels[i])
	}
	for i := range panels {
		limitLabels(p, &steps, x, &panels[i])
	}
	key(p, &steps, right, 14)
	s := style{9.5, false, pale}
	p.fill(rect{left, 13, left + 29, 21}, tint(limitInk, 0.22))
	p.text(s, left+34, 14, 0, "what the limit itself is uncertain by, 95 %")
}

func (r *Run) bounded(id phase.ID) bool {
	for _, l := range r.Limits {
		for _, in := range l.Phases {
			if in == id && (l.Low == l.Low || l.High == l.High) {
				return true
			}
		}
	}
	return false
}

// doubt draws the band of two standard uncertainties about each bound.
func doubt(p *pen, r *Run, x axis, pn *panel) {
	for _, l := range r.Limits {
		if l.Quantity != pn.q {
			continue
		}
		for _, s := range r.stretches(l.Phases) {
			for _, b := range [][2]float64{{l.Low, l.ULow}, {l.High, l.U}} {
				v, u := b[0], b[1]
				if !(u > 0) {
					continue
				}
				lo, hi := pn.q.shown(v-2*u), pn.q.shown(v+2*u)
				if pn.y.log {
					// Where the scale is one of ratios the doubt is one too.
					ratio := 1 + 2*u/v
					lo, hi = pn.q.shown(v)/ratio, pn.q.shown(v)*ratio
				}
				if lo, hi = max(lo, pn.y.lo), min(hi, pn.y.hi); hi > lo {
					p.fill(rect{x.at(s.From), pn.y.at(lo), x.at(s.To), pn.y.at(hi)}, tint(limitInk, 0.22))
				}
			}
		}
	}
}

// also writes the limits that have no place on the axes below the heading, as
// many as there is room for.
func also(p *pen, r *Run) {
	s := style{10, false, pale}
	const lines = 3
	y := pageH - 72.0
	at := 0
	for n := 0; n < lines && at < len(r.Also); n++ {
		text := r.Also[at]
		for at++; at < len(r.Also) && p.width(s, text+" · "+r.Also[at]) <= right-left; at++ {
			text += " · " + r.Also[at]
		}
		if n == lines-1 && at < len(r.Also) {
			text += " · …"
		}
		p.text(s, left, y, 0, p.fit(s, right-left, text))
		y -= 13.5
	}
}
