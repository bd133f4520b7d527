package bench_test

import (
	"strings"
	"testing"
	"time"

	"tipoff/drivers/plant"
	"tipoff/logger/bench"
	"tipoff/logger/envelope"
)

// What is told of a thermocouple that comes off the glass in the main bombard, on the
// demo's bench through its drivers: within 5 s, as a trouble of the glass channel with
// what to do, in the status as well, and gone when the next arc shows it well tied.
// Nothing is told of the tube before, which is well tied all the time.
func TestThermocoupleThatComesOffIsTold(t *testing.T) {
	if testing.Short() {
		t.Skip("computes whole runs")
	}
	r := newRig(t, 1, nil)
	var fell, told, cleared, mended time.Duration
	var early, hint string
	var arcs int
	lit := false
	r.until(t, 75*time.Minute, func() bool {
		s := r.bench.Snapshot()
		if s == nil {
			return false
		}
		x := r.show.State()
		if x.Lit && !lit {
			arcs++
		}
		lit = x.Lit
		now := ""
		for _, tr := range s.Troubles {
			if tr.Kind.Code == "glass-unseen" && tr.Subject == "glass" && !tr.Hidden {
				now, hint = tr.Cause, tr.Hint
			}
		}
		switch {
		case fell == 0:
			early += now
			// The second arc of the first tube, well on its way.
			if arcs >= 2 && x.Lit && x.Junction > 130 && x.Phase == "bombard" {
				fell = s.Now
				r.show.SetFault(plant.Fault{ThermocoupleOff: true})
			}
		case told == 0:
			if now != "" {
				told = s.Now
				if !strings.Contains(now, "sees nothing of it") || s.Ceiling.Seating.String() != "off" {
					t.Errorf("told %q, seating %v", now, s.Ceiling.Seating)
				}
			}
		case mended == 0:
			if s.Now > told+10*time.Second {
				mended = s.Now
				r.show.SetFault(plant.Fault{})
			}
		case now == "":
			cleared = s.Now
		}
		return cleared > 0
	})
	if early != "" {
		t.Errorf("told while it was on the glass: %s", early)
	}
	if fell == 0 || told == 0 || told-fell > 5*time.Second {
		t.Errorf("came off at %v, told at %v", fell, told)
	}
	if !strings.Contains(hint, "has the thermocouple fallen off the glass?") {
		t.Errorf("what to do: %q", hint)
	}
	if mended == 0 || cleared == 0 {
		t.Errorf("mended at %v, trouble gone at %v", mended, cleared)
	}
}

// A bench that has learned its heating, with what 'tipoff learn' found from nine runs of
// the demo, doubts none of the next tubes' thermocouples, which are well tied, and does
// judge them.
func TestLearnedHeatingDoubtsNoGoodThermocouple(t *testing.T) {
	if testing.Short() {
		t.Skip("computes whole runs")
	}
	r := newRig(t, 11, func(o *bench.Options) {
		o.Envelope.Heating = envelope.Heating{PerMetre: 187, Pressure: 0.474, Current: 0.681, Bore: -0.455, U: 0.05}
	})
	seated := map[string]bool{}
	r.until(t, 100*time.Minute, func() bool {
		s := r.bench.Snapshot()
		if s == nil {
			return false
		}
		switch s.Ceiling.Seating {
		case envelope.Loose, envelope.Off:
			t.Fatalf("%v, tube %s: seating %s", s.Now, s.Run.Tube, s.Ceiling.Seating)
		case envelope.Seated:
			seated[s.Run.Tube] = true
		}
		return len(seated) >= 3
	})
	if len(seated) < 3 {
		t.Errorf("tubes whose thermocouple was found well tied: %v", seated)
	}
}
