package chart

import (
	"strings"
	"testing"

	"tipoff/logger/phase"
)

// foreseen is a predicted run of two phases with a band of ±10 °C.
func foreseen() *Run {
	r := &Run{Title: "Rehearsal of PP-04", Subtitle: "12 mm phosphor", Duration: 120,
		Phases: []Span{{phase.Bombard, 0, 80}, {phase.Shells, 80, 120}},
		Limits: []Limit{{Title: "Glass ceiling", Quantity: Glass, Low: nan, High: 250, Phases: []phase.ID{phase.Bombard, phase.Shells}}},
		Alarms: []Alarm{{T: 0, Text: "strike at 2 Torr"}, {T: 80, Text: "pump down to 0.8 Torr"}},
	}
	for i := range 241 {
		x := float64(i) / 2
		p := Point{T: x, Pressure: 2 * torr, Glass: 80 + 1.2*x, Current: 0.4}
		lo, hi := p, p
		lo.Glass, hi.Glass = p.Glass-10, p.Glass+10
		r.Points = append(r.Points, p)
		r.Forecast = append(r.Forecast, Forecast{Low: lo, High: hi, Shell: 8 * x, ShellLow: 7 * x, ShellHigh: 9 * x, Wanted: 900})
	}
	return r
}

// The forecast has its four panels, every step, its limit; no text lies on another.
func TestForecast(t *testing.T) {
	p, err := newPen(SVG)
	if err != nil {
		t.Fatal(err)
	}
	drawForecast(p, foreseen())
	var all []string
	for i, a := range p.texts {
		all = append(all, a.text)
		for _, b := range p.texts[:i] {
			if a.box.meets(b.box) {
				t.Errorf("%q lies on %q", a.text, b.text)
			}
		}
	}
	text := strings.Join(all, "\n")
	for _, want := range []string{"Glass temperature", "Electrode shells by the model", "Pressure, Torr", "Current, mA", "strike at 2 Torr",
		"pump down to 0.8 Torr", "Glass ceiling ≤ 250", "95 of 100 modelled runs", "orange"} {
		if !strings.Contains(text, want) {
			t.Errorf("the chart lacks %q", want)
		}
	}
}

// The band is filled between its two lines: its polygon spans ±10 °C.
func TestForecastBand(t *testing.T) {
	r := foreseen()
	a := forecastScale(r, Glass)
	if a.hi < 250 || a.lo > 0 {
		t.Errorf("the axis from %g to %g does not hold band and limit", a.lo, a.hi)
	}
	r.Forecast = nil
	var w strings.Builder
	if err := Write(&w, Predicted, SVG, r); err != nil {
		t.Errorf("a forecast without a band: %v", err)
	}
}
