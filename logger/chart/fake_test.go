package chart

import (
	"math"

	"tipoff/logger/phase"
)

const torr = 101325.0 / 760 // Pa, the Torr's definition

var nan = math.NaN()

// evening is an invented run with the pressures and temperatures that the
// handbook's table of phases gives, at 10 points a second.
func evening() *Run {
	steps := []struct {
		id       phase.ID
		s        float64
		p0, p1   float64 // Torr
		t0, t1   float64 // °C
		current  float64 // A
		scribble float64
	}{
		{phase.Evacuate, 180, 760, 0.03, 22, 22, 0, 0},
		{phase.LeakTest, 120, 0.03, 0.034, 22, 22, 0, 0},
		{phase.AdmitAir, 15, 0.034, 3, 22, 22, 0, 0},
		{phase.Dry, 90, 3, 4.4, 22, 102, 0.32, 0.02},
		{phase.PumpOut, 60, 4.4, 0.06, 102, 86, 0, 0},
		{phase.AdmitAir, 12, 0.06, 2, 86, 84, 0, 0},
		{phase.Bombard, 95, 2, 2.9, 84, 226, 0.45, 0.03},
		{phase.Shells, 40, 0.9, 1.1, 226, 246, 0.72, 0.04},
		{phase.FinalPump, 150, 1.1, 0.004, 246, 180, 0, 0},
		{phase.Cool, 420, 0.004, 0.003, 180, 62, 0, 0},
		{phase.Flush, 30, 5, 5, 62, 58, 0, 0},
		{phase.Cool, 200, 0.006, 0.003, 58, 34, 0, 0},
		{phase.Fill, 60, 0.003, 9.4, 34, 31, 0, 0},
		{phase.TipOff, 50, 9.4, 9.4, 31, 30, 0, 0},
	}
	r := &Run{Title: "PP-04, run 2026-11-25-001", Subtitle: "bench-1 · 15 mm clear, neon, 1.2 m · 25 November 2026, 18:04 · completed"}
	t := 0.0
	for _, st := range steps {
		r.Phases = append(r.Phases, Span{st.id, t, t + st.s})
		n := int(st.s * 10)
		for i := range n {
			f := float64(i) / float64(n)
			k := f
			if st.p1 < st.p0/10 {
				k = 1 - math.Exp(-6*f)
			}
			w := math.Sin(float64(i)*1.7) + math.Sin(float64(i)*0.31)
			p := math.Exp(math.Log(st.p0)*(1-k)+math.Log(st.p1)*k) * (1 + 0.004*w)
			pt := Point{t + st.s*f, p * torr, st.t0 + (st.t1-st.t0)*f + 0.2*w, st.current + st.scribble*w}
			if st.id == phase.Cool && f > 0.3 && f < 0.4 {
				pt.Pressure = nan
			}
			r.Points = append(r.Points, pt)
		}
		t += st.s
	}
	r.Duration = t
	r.Limits = []Limit{
		{Title: "Glass ceiling", Quantity: Glass, Low: nan, High: 240, Phases: []phase.ID{phase.Dry, phase.Bombard, phase.Shells}, Goal: false},
		{Title: "Drying target", Quantity: Glass, Low: 95, High: nan, Phases: []phase.ID{phase.Dry}, Goal: true},
		{Title: "Strike window", Quantity: Pressure, Low: 1.5 * torr, High: 5 * torr, Phases: []phase.ID{phase.AdmitAir, phase.Dry}, Goal: true},
		{Title: "Base pressure", Quantity: Pressure, Low: nan, High: 0.01 * torr, Phases: []phase.ID{phase.FinalPump}, Goal: true},
		{Title: "Bombard current", Quantity: Current, Low: nan, High: 0.8, Phases: []phase.ID{phase.Bombard, phase.Shells}, Goal: false},
		{Title: "Fill pressure", Quantity: Pressure, Low: 8.5 * torr, High: 9.9 * torr, Phases: []phase.ID{phase.Fill, phase.TipOff}, Goal: true},
	}
	r.Alarms = []Alarm{
		{568, "Glass over its ceiling: glass 242 °C, ceiling 240 °C"},
		{610, "Glass over its ceiling: glass 246 °C, ceiling 240 °C"},
		{905, "Pressure gives no reading"},
	}
	return r
}
