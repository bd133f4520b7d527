package envelope

import (
	"math"
	"strings"
	"testing"

	"tipoff/logger/tube"
)

// The bench's own warm-up takes the shells longer, by what it says of their heat, and
// the heating band says whose it is. The closed form: with the same power the time goes as the heat.
func TestBandByTheBenchsOwnWarmup(t *testing.T) {
	card := tube.Card{Outside: 15e-3, Bore: 12.8e-3, Length: 1.8, Glass: "soda-lime", Coating: "clear", Gas: "neon",
		Electrode: tube.Electrode{Rating: 0.06, ShellArea: 20e-4, ShellMass: 6e-3}}
	before := Compute(card, true, Bench{})
	after := Compute(card, true, Bench{Warmup: Learned{X: 1.25, U: 0.15, Runs: 7}})
	a, _ := before.Limit(HeatingBand)
	b, _ := after.Limit(HeatingBand)
	if !strings.Contains(b.Formula, "1.2 times") && !strings.Contains(b.Formula, "1.3 times") || !strings.Contains(b.Formula, "7 runs of this bench") || b.Basis != FromBench {
		t.Errorf("the band does not say so: %s, %s", b.Basis, b.Formula)
	}
	if strings.Contains(a.Formula, "of this bench") || a.Basis == FromBench {
		t.Errorf("without it: %s, %s", a.Basis, a.Formula)
	}
	s0, s1 := before.shell, after.shell
	w0, w1 := s0.warming(0.575, 0.9, 180), s1.warming(0.575, 0.9, 180)
	if math.Abs(w1/w0-1.25) > 1e-9 || !(b.High < a.High) || !(s1.doubt < s0.doubt) {
		t.Errorf("warming %.1f s, then %.1f s; band up to %.3f, then %.3f °C/s; doubt %.2f, then %.2f", w0, w1, a.High, b.High, s0.doubt, s1.doubt)
	}
}

// Of a scaling in powers of length and bore: 1.8 m of 12.8 mm itself is 1; half as long
// a tube has 2^2 with a power of -2; what the power is uncertain by counts for the length only.
func TestScaling(t *testing.T) {
	s := Scaling{FromBore: 12.8e-3, Length: -2, Bore: 1, Doubt: 0.3}
	for _, c := range []struct{ length, bore, x, u float64 }{
		{1.8, 12.8e-3, 1, 0}, {0.9, 12.8e-3, 4, 0.3 * math.Ln2}, {1.8, 6.4e-3, 0.5, 0}, {3.6, 25.6e-3, 0.5, 0.3 * math.Ln2},
	} {
		if x, u := s.to(c.length, c.bore); math.Abs(x-c.x) > 1e-12 || math.Abs(u-c.u) > 1e-12 {
			t.Errorf("%g m, %g m: %g ± %g, want %g ± %g", c.length, c.bore, x, u, c.x, c.u)
		}
	}
	if x, u := (Scaling{}).to(0.9, 6.4e-3); x != 2 || u != 0 {
		t.Errorf("without powers it goes as 1 over the length: %g ± %g", x, u)
	}
}
