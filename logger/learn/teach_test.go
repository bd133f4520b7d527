package learn

import (
	"math"
	"testing"
	"time"

	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

// line is a stretch of a made-up run: ten observations a second for so long, at a
// phase, pressure (Pa) and current (A).
type line struct {
	seconds  float64
	id       phase.ID
	pressure float64
	current  float64
}

func scripted(lines []line) *Record {
	r := &Record{Run: "r", Card: tube.Card{Outside: 15e-3, Bore: 12.8e-3, Length: 2, Glass: "soda-lime", Gas: "neon", Electrode: tube.Electrode{Rating: 0.06}},
		Room: math.NaN()}
	at := time.Duration(0)
	for _, l := range lines {
		end := at + time.Duration(l.seconds*1e9)
		if n := len(r.Phases); n > 0 && r.Phases[n-1].Phase == l.id {
			r.Phases[n-1].To = end
		} else {
			r.Phases = append(r.Phases, phase.Segment{Phase: l.id, From: at, To: end})
		}
		for ; at < end; at += 100 * time.Millisecond {
			r.Observations = append(r.Observations, phase.Observation{At: at, Pressure: l.pressure, Glass: 21, Current: l.current})
		}
	}
	return r
}

// An arc counts as held at the least pressure over three seconds, and as lost if it
// goes out within a bombard and is struck again at less air.
func TestHeldAndLost(t *testing.T) {
	for name, c := range map[string]struct {
		lines []line
		held  float64
		lost  []float64
	}{
		"held":               {[]line{{20, phase.Bombard, 400, 0.3}}, 800, nil},
		"a flash":            {[]line{{2, phase.Bombard, 400, 0.3}, {20, phase.Bombard, 400, 0}}, 0, nil},
		"short at more":      {[]line{{20, phase.Bombard, 300, 0.3}, {2, phase.Bombard, 500, 0.3}, {20, phase.Bombard, 300, 0.3}}, 600, nil},
		"lost":               {[]line{{20, phase.Bombard, 600, 0.3}, {5, phase.Bombard, 500, 0}, {20, phase.Bombard, 500, 0.3}}, 1200, []float64{1200}},
		"switched off":       {[]line{{20, phase.Bombard, 600, 0.3}, {5, phase.Bombard, 600, 0}, {20, phase.Bombard, 600, 0.3}}, 1200, nil},
		"off for long":       {[]line{{20, phase.Bombard, 600, 0.3}, {70, phase.Bombard, 500, 0}, {20, phase.Bombard, 500, 0.3}}, 1200, nil},
		"pumped out between": {[]line{{20, phase.Dry, 600, 0.3}, {5, phase.PumpOut, 5, 0}, {20, phase.Bombard, 400, 0.3}}, 1200, nil},
		"a lamp that burns":  {[]line{{20, phase.Age, 1200, 0.03}}, 0, nil},
		"no reading":         {[]line{{20, phase.Bombard, math.NaN(), 0.3}}, 0, nil},
	} {
		var got Taught
		got.holds(scripted(c.lines))
		if math.Abs(got.Held-c.held) > 1e-9 || len(got.Lost) != len(c.lost) || len(c.lost) > 0 && math.Abs(got.Lost[0]-c.lost[0]) > 1e-9 {
			t.Errorf("%s: held %g, lost %v; want %g, %v", name, got.Held, got.Lost, c.held, c.lost)
		}
	}
}

// A pump-down of known rate, p = p₀ exp(−kt) (physics.md 4.3), gives k; one in
// which the stopcock is opened over some seconds gives what it comes to.
func TestPumpRate(t *testing.T) {
	for _, opening := range []float64{0.01, 3} {
		const k = 0.6
		r := scripted([]line{{40, phase.Evacuate, 0, 0}})
		sum := 0.0
		for i := range r.Observations {
			o := &r.Observations[i]
			o.Pressure = 101325 * math.Exp(-sum)
			sum += 0.1 * k * min(1, o.At.Seconds()/opening)
		}
		var got Taught
		got.pump(r)
		if got.Pump == nil || math.Abs(got.Pump.Rate-k) > 1e-6 || math.Abs(got.Pump.Volume-math.Pi/4*12.8e-3*12.8e-3*2) > 1e-12 {
			t.Errorf("opened over %g s: %+v, want %g 1/s", opening, got.Pump, k)
		}
	}
	var got Taught
	got.pump(scripted([]line{{40, phase.Evacuate, 200, 0}}))
	if got.Pump != nil {
		t.Errorf("a pressure that stands tells of a pump: %+v", got.Pump)
	}
}
