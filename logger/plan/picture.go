package plan

import (
	"fmt"
	"math"
	"slices"

	"tipoff/logger/chart"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/model"
	"tipoff/logger/phase"
)

// quantities are the roles of limits that the chart can draw.
var quantities = map[frame.Role]chart.Quantity{frame.Pressure: chart.Pressure, frame.Glass: chart.Glass, frame.Current: chart.Current}

// goals are limits to be reached or met once.
var goals = []string{envelope.GlassTarget, envelope.PreheatEnd, envelope.StrikeWindow, envelope.ShellCurrent, envelope.TipOffGlass}

// Picture is the predicted run as a chart: kind [chart.Predicted].
func (c *Chosen) Picture(e *envelope.Envelope) *chart.Run {
	pr := &c.Prediction
	r := &chart.Run{
		Title:    "Rehearsal of " + e.Card.Name,
		Subtitle: fmt.Sprintf("%s · %.0f of 100 modelled runs end inside the limits · %s", e.Card.Words(), 100*c.Confidence, c.Basis()),
	}
	points := func(p *model.Point) chart.Point {
		return chart.Point{T: p.T, Pressure: p.Pressure, Glass: p.Glass, Current: p.Current}
	}
	for i := range pr.Points {
		p := &pr.Points[i]
		r.Points = append(r.Points, points(p))
		f := chart.Forecast{Low: points(&pr.Low[i]), High: points(&pr.High[i]), Shell: p.Shell, ShellLow: pr.Low[i].Shell, ShellHigh: pr.High[i].Shell,
			Wanted: c.Tube.ShellBright}
		f.Low.T, f.High.T = p.T, p.T
		r.Forecast = append(r.Forecast, f)
		if n := len(r.Phases); n > 0 && r.Phases[n-1].Phase == p.Phase {
			r.Phases[n-1].To = p.T
		} else {
			if n > 0 {
				r.Phases[n-1].To = p.T
			}
			r.Phases = append(r.Phases, chart.Span{Phase: p.Phase, From: p.T, To: p.T})
		}
	}
	r.Duration = r.Points[len(r.Points)-1].T
	arc := []phase.ID{phase.Dry, phase.Bombard, phase.Shells}
	for _, l := range e.Limits {
		q, ok := quantities[l.Role]
		if !ok || l.Unknown != "" || !slices.ContainsFunc(l.Phases, func(id phase.ID) bool { return slices.Contains(arc, id) }) {
			continue
		}
		if l.ID == envelope.SputterPressure {
			continue // the shell window says it where it matters
		}
		r.Limits = append(r.Limits, chart.Limit{Title: l.Title, Quantity: q, Low: l.Low, High: l.High, Phases: l.Phases, Goal: slices.Contains(goals, l.ID)})
	}
	for _, s := range c.Steps() {
		r.Alarms = append(r.Alarms, chart.Alarm{T: s.At, Text: s.Text})
	}
	return r
}

// Step is something to do in the plan.
type Step struct {
	At   float64 // s from the first strike, by the model
	Text string
}

// Steps are what to do, in order, with the times that the model expects.
func (c *Chosen) Steps() []Step {
	p := &c.Plan
	var list []Step
	add := func(at float64, format string, args ...any) {
		list = append(list, Step{at, fmt.Sprintf(format, args...)})
	}
	first := func(id phase.ID) float64 {
		for i := range c.Prediction.Points {
			if c.Prediction.Points[i].Phase == id {
				return c.Prediction.Points[i].T
			}
		}
		return math.NaN()
	}
	say := envelope.Say
	add(0, "strike at %s of air, choke to %s", say(p.DryPressure, "Pa"), milliamps(p.DryCurrent))
	if at := first(phase.PumpOut); at == at {
		add(at, "glass reads %s: arc off, pump out for %.0f s", say(p.DryUntil, "°C"), p.PumpOut)
	}
	if at := first(phase.Bombard); at == at {
		add(at, "strike at %s of air, choke to %s", say(p.Pressure, "Pa"), milliamps(p.Current))
	}
	if at := first(phase.Shells); at == at {
		add(at, "glass reads %s: pump down to %s, choke to %s", say(p.ShellsAt, "°C"), say(p.ShellPressure, "Pa"), milliamps(p.ShellCurrent))
	}
	if at := first(phase.FinalPump); at == at {
		add(at, "after %.0f s, %.0f s of it orange, and %s: arc off; at %s at once", p.ShellHold, p.Glow, say(p.Reach, "°C"), say(p.StopAt, "°C"))
	}
	return list
}

// Row is one number of the predicted run, in words.
type Row struct{ What, Best, Low, High string }

// Table is what the model expects of the plan, with the interval that holds 95
// of 100 modelled runs.
func (c *Chosen) Table() []Row {
	pr := &c.Prediction
	row := func(what, unit string, of func(*model.Outcome) float64) Row {
		say := func(x float64) string { return envelope.Say(x, unit) }
		return Row{what, say(of(&pr.Best)), say(pr.Quantile(0.025, of)), say(pr.Quantile(0.975, of))}
	}
	return []Row{
		row("glass at the end of drying", "°C", func(o *model.Outcome) float64 { return o.DryPeak }),
		row("drying takes", "s", func(o *model.Outcome) float64 { return o.DryTime }),
		row("fastest heating", "°C/s", func(o *model.Outcome) float64 { return o.Rate }),
		row("main bombard takes", "s", func(o *model.Outcome) float64 { return o.MainTime }),
		row("shells take", "s", func(o *model.Outcome) float64 { return o.ShellTime }),
		row("shells orange for", "s", func(o *model.Outcome) float64 { return o.Glow }),
		row("hottest shell", "°C", func(o *model.Outcome) float64 { return o.Shell }),
		row("highest glass reading", "°C", func(o *model.Outcome) float64 { return o.Peak }),
	}
}
