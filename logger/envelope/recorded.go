package envelope

import (
	"math"

	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// Uncertainties are the standard uncertainties of an observation's values, in
// their units. NaN counts as 0: a limit is then judged by the value alone.
type Uncertainties struct{ Pressure, Glass, Current float64 }

// UncertaintiesOf are those of the values of a frame that [phase.Observe] takes. It
// allocates nothing.
func UncertaintiesOf(l *frame.Layout, f *frame.Frame) Uncertainties {
	return Uncertainties{
		Pressure: f.Of(l, frame.Pressure).U,
		Glass:    f.Of(l, frame.Glass).U,
		Current:  f.Of(l, frame.Current).U,
	}
}

// Check takes a recorded run through a checker: its observations with an uncertainty
// each, and the phases found in it.
func Check(env *Envelope, obs []phase.Observation, u []Uncertainties, segments []phase.Segment) *Checker {
	c := NewChecker(env)
	// Where nothing shows when tip-off began it was at any time between the gas and
	// the vent (rectangular, GUM 4.3.7).
	for i, s := range segments {
		if s.Habit && i > 0 {
			c.tipOffU = (s.To - segments[i-1].From).Seconds() / math.Sqrt(12)
		}
	}
	cursor := phase.NewCursor(segments)
	for i, o := range obs {
		c.Step(o, u[i], cursor.At(o.At))
	}
	return c
}
