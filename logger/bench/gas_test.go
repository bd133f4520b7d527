package bench

import (
	"testing"

	"tipoff/calib/gauge"
	"tipoff/logger/phase"
)

// What a heat-conduction gauge sees in each step, by handbook.md's table of steps:
// water leaves the glass from drying until the last pumping, rare gas comes with
// the first flush. A mixture, a card without a gas, and no card have no factor.
func TestGasIn(t *testing.T) {
	want := map[phase.ID]gauge.Gas{
		phase.Idle: gauge.Air, phase.Evacuate: gauge.Air, phase.AdmitAir: gauge.Air, phase.Vent: gauge.Air,
		phase.LeakTest: gauge.Moist, phase.Dry: gauge.Moist, phase.PumpOut: gauge.Moist, phase.Bombard: gauge.Moist,
		phase.Shells: gauge.Moist, phase.FinalPump: gauge.Moist, phase.Cool: gauge.Moist,
		phase.Flush: gauge.Neon, phase.Fill: gauge.Neon, phase.TipOff: gauge.Neon, phase.Age: gauge.Neon,
	}
	if len(want) != phase.Count {
		t.Fatalf("%d of %d steps", len(want), phase.Count)
	}
	for p, g := range want {
		if got := GasIn(p, GasOf("neon")); got != g {
			t.Errorf("%v: %v, want %v", p, got, g)
		}
	}
	for _, card := range []string{"", "neon-argon", "anything"} {
		if g := GasOf(card); g != gauge.Mixture || g.Correct(10).U < 0.3 {
			t.Errorf("%q: %v ± %g", card, g, g.Correct(10).U)
		}
	}
}
