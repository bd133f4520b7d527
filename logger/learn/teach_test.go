package learn

import (
	"math"
	"testing"
	"time"

	"tipoff/logger/envelope"
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
		"held":          {[]line{{20, phase.Bombard, 400, 0.3}}, 400, nil},
		"a flash":       {[]line{{2, phase.Bombard, 400, 0.3}, {20, phase.Bombard, 400, 0}}, 0, nil},
		"short at more": {[]line{{20, phase.Bombard, 300, 0.3}, {2, phase.Bombard, 500, 0.3}, {20, phase.Bombard, 300, 0.3}}, 300, nil},
		// The gas is cold, at 500 Pa, when the arc is out; then it is drawn off.
		"lost":               {[]line{{20, phase.Bombard, 600, 0.3}, {3, phase.Bombard, 500, 0}, {2, phase.Bombard, 450, 0}, {20, phase.Bombard, 500, 0.3}}, 600, []float64{600}},
		"switched off":       {[]line{{20, phase.Bombard, 600, 0.3}, {5, phase.Bombard, 500, 0}, {20, phase.Bombard, 600, 0.3}}, 600, nil},
		"off for long":       {[]line{{20, phase.Bombard, 600, 0.3}, {70, phase.Bombard, 500, 0}, {2, phase.Bombard, 450, 0}, {20, phase.Bombard, 500, 0.3}}, 600, nil},
		"pumped out between": {[]line{{20, phase.Dry, 600, 0.3}, {5, phase.PumpOut, 5, 0}, {20, phase.Bombard, 400, 0.3}}, 600, nil},
		"a lamp that burns":  {[]line{{20, phase.Age, 1200, 0.03}}, 0, nil},
		"no reading":         {[]line{{20, phase.Bombard, math.NaN(), 0.3}}, 0, nil},
	} {
		got := Taught{Volume: 1e-4}
		got.holds(scripted(c.lines))
		if math.Abs(got.Held.Pressure-c.held) > 1e-9 || len(got.Lost) != len(c.lost) || len(c.lost) > 0 && got.Lost[0] != (Burning{c.lost[0], 0.3}) {
			t.Errorf("%s: held %v, lost %v; want %g, %v", name, got.Held, got.Lost, c.held, c.lost)
		}
	}
}

// A pump-down of known rate, p = p₀ exp(−kt) (physics.md 4.3), gives k times the volume
// for every volume of the manifold; one in which the stopcock is opened over some
// seconds, as the square of the time, gives what it comes to.
func TestPumpRate(t *testing.T) {
	for _, opening := range []float64{0.01, 6} {
		const k = 0.6
		r := scripted([]line{{60, phase.Evacuate, 0, 0}})
		sum := 0.0
		for i := range r.Observations {
			o := &r.Observations[i]
			o.Pressure = 101325 * math.Exp(-sum)
			x := min(1, o.At.Seconds()/opening)
			sum += 0.1 * k * x * x
		}
		got := Taught{Volume: envelope.Volume(r.Card)}
		got.pump(r)
		if got.Pump == nil || math.Abs(got.Volume-math.Pi/4*12.8e-3*12.8e-3*2) > 1e-12 {
			t.Fatalf("opened over %g s: %+v", opening, got)
		}
		for i, v := range volumes {
			d := got.Pump[i]
			if off := d.LogSpeed - math.Log(k*(v+got.Volume)); math.Abs(off) > 2*d.U || math.Abs(off) > 0.1 {
				t.Errorf("opened over %g s, manifold of %g m³: speed off by %.3f, uncertainty %.3f", opening, v, off, d.U)
			}
		}
	}
	got := Taught{Volume: 1e-3}
	got.pump(scripted([]line{{40, phase.Evacuate, 200, 0}}))
	if got.Pump != nil {
		t.Errorf("a pressure that stands tells of a pump: %+v", got.Pump)
	}
}

// A night on a pump that leaks tells no more of the pump than its first minutes, and takes no
// longer to learn from.
func TestPumpDownThatStands(t *testing.T) {
	of := func(seconds float64) *Pump {
		r := scripted([]line{{seconds, phase.Evacuate, 0, 0}})
		for i := range r.Observations {
			o := &r.Observations[i]
			o.Pressure = 60 + 2600*math.Exp(-0.5*o.At.Seconds())
		}
		got := Taught{Volume: envelope.Volume(r.Card)}
		got.pump(r)
		return got.Pump
	}
	short, long := of(fallMost.Seconds()+1), of(3*fallMost.Seconds())
	if short == nil || long == nil || *short != *long {
		t.Errorf("%+v, and after the night %+v", short, long)
	}
}
