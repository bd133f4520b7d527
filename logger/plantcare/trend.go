package plantcare

import (
	"fmt"
	"math"
	"slices"

	"tipoff/calib/unit"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
	"tipoff/logger/vacuum"
)

// Run is what one run tells of the plant, SI; NaN where it tells nothing.
type Run struct {
	ID, Tube string
	Base     float64 // Pa
	Speed    float64 // m³/s
	Load     float64 // Pa·m³/s
	Inflow   float64 // Pa·m³/s, rate of rise times volume
}

// Of takes a run's figures from its run.toml. Like is set beside like: base and
// load come from the last pump-down after the arc, the speed from the first,
// with cold gas in the tube, and the inflow from the last isolation.
func Of(m *journal.Meta) Run { return summary(m.ID, m.Tube, m.Vacuum) }

func summary(id, tube string, list []journal.Vacuum) Run {
	nan := math.NaN()
	r := Run{ID: id, Tube: tube, Base: nan, Speed: nan, Load: nan, Inflow: nan}
	for _, v := range list {
		if v.Phase == phase.Fill.String() || v.Phase == phase.Flush.String() || v.Kind == string(Short) {
			continue // what they leave open hides what a trend is about
		}
		if v.Kind != journal.PumpDown {
			r.Inflow = v.Inflow
			continue
		}
		// A pump-down that ended long before the base tells nothing of it.
		if v.Phase == phase.FinalPump.String() && v.BaseU < v.Base/2 {
			r.Base, r.Load = v.Base, v.Load
		}
		if v.Phase == phase.Evacuate.String() && r.Speed != r.Speed && v.SpeedU < v.Speed/4 {
			r.Speed = v.Speed
		}
	}
	return r
}

// Trend is how one quantity goes over the runs.
type Trend struct {
	Title  string
	Unit   string
	Values []float64 // in Unit, one for each run; NaN where it tells nothing
	Fit    vacuum.Trend
	Known  bool   // there were enough runs for a fit
	Words  string // what it comes to, one sentence
}

// quantities are what is followed, with what a change for the worse may mean.
var quantities = []struct {
	title, unit string
	scale       float64
	of          func(*Run) float64
	worse       string // if it gets worse
	falls       bool   // it gets worse by falling
}{
	{"base pressure", "micron", 1 / unit.Micron, func(r *Run) float64 { return r.Base }, "tired oil or a leaking stopcock?", false},
	{"pumping speed", "L/s", 1000, func(r *Run) float64 { return r.Speed }, "a worn or cold pump, low oil, or a narrowed line?", true},
	{"gas load", "Torr L/s", TorrLitres(1), func(r *Run) float64 { return r.Load }, "a leak, wet tubes or a dirty manifold?", false},
	{"gas coming in while shut", "Torr L/s", TorrLitres(1), func(r *Run) float64 { return r.Inflow }, "a leaking stopcock or joint, or a dirty manifold?", false},
}

// Window is how many runs, the last ones, a trend is told from: what a pump did
// a year ago does not hide what it does now.
const Window = 40

// Trends follows each quantity over runs, oldest first; of more than [Window]
// runs the last are taken.
func Trends(runs []Run) []Trend {
	runs = runs[max(0, len(runs)-Window):]
	var out []Trend
	for _, q := range quantities {
		t := Trend{Title: q.title, Unit: q.unit}
		for i := range runs {
			t.Values = append(t.Values, q.of(&runs[i])*q.scale)
		}
		t.Fit, t.Known = vacuum.FitTrend(t.Values)
		change := 100 * (t.Fit.Last/t.Fit.First - 1)
		way := "risen"
		if change < 0 {
			way = "fallen"
		}
		switch {
		case t.Fit.N == 0:
			t.Words = "no run tells"
		case !t.Known:
			t.Words = fmt.Sprintf("%s tell; six runs are needed for a trend", count(t.Fit.N))
		case !t.Fit.Certain:
			t.Words = "no trend beyond chance"
		default:
			t.Words = fmt.Sprintf("has %s %.0f %% over %s", way, math.Abs(change), count(t.Fit.N))
			if change < 0 == q.falls {
				t.Words += ": " + q.worse
			}
		}
		out = append(out, t)
	}
	return out
}

func count(n int) string {
	if n == 1 {
		return "1 run"
	}
	return fmt.Sprintf("%d runs", n)
}

// Last are the runs that a table shows, at most n, oldest first.
func Last(runs []Run, n int) []Run { return slices.Clone(runs[max(0, len(runs)-n):]) }

// Figure writes a value of a table with three digits, "-" if there is none.
func Figure(x float64) string {
	if math.IsNaN(x) {
		return "-"
	}
	return fmt.Sprintf("%.3g", x)
}
