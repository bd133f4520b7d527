package model

import (
	"math"
	"testing"

	"tipoff/logger/phase"
)

// Closed forms: with heat as p^½ I^½ d^-1, the column's voltage goes as p^½ I^-½ d^-1 L. Four
// times the pressure then goes with half the length, a quarter of the pressure with half the
// bore, and as much more pressure as current.
func TestHoldGoesByVoltage(t *testing.T) {
	p := Handbook(Bench{})
	p.Theta[PressureExponent], p.Theta[CurrentExponent], p.Theta[BoreExponent] = 0.5, 0.5, -1
	for _, c := range []struct{ length, bore, current, want float64 }{
		{UsualLength, UsualBore, UsualCurrent, 1}, {UsualLength / 2, UsualBore, UsualCurrent, 4},
		{UsualLength, UsualBore / 2, UsualCurrent, 0.25}, {UsualLength, UsualBore, 2 * UsualCurrent, 2},
	} {
		if got := p.HoldShare(c.length, c.bore, c.current); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%+v: %g", c, got)
		}
	}
	if got, want := p.HoldAt(0.9, UsualBore), 4*p.Value(HoldPressure)/1.8; math.Abs(got-want) > 1e-9 {
		t.Errorf("holds up to %g Pa, want %g", got, want)
	}
}

// Gay-Lussac: a tube as large as the manifold, from 20 °C to twice the absolute
// temperature, keeps half of its amount for each of the manifold: 2 / 1.5 = 4/3.
func TestJumpByGayLussac(t *testing.T) {
	j := Jump{Wall: 20, Hot: 293.15}
	if got := j.Expect(1e-3, 1e-3, 1); math.Abs(got-4.0/3) > 1e-12 {
		t.Errorf("ratio %g, want 4/3", got)
	}
	if got := j.Expect(1e-3, 1e9, 1); math.Abs(got-1) > 1e-9 {
		t.Errorf("ratio %g into a room, want 1", got)
	}
}

// A run whose gauge reads only from some seconds on still tells what the arc held at:
// 250 Pa in a usual tube at the usual current is 250 Pa × 1.8 m.
func TestHeldWithoutTheFirstPressure(t *testing.T) {
	s := Series{Tube: glass15(UsualLength, 193), Room: 22}
	for i := range 30 {
		x := Sample{T: float64(i), Phase: phase.Bombard, Pressure: 250, Glass: 22 + float64(i), Current: UsualCurrent, Shell: math.NaN()}
		if i < 5 {
			x.Pressure = math.NaN()
		}
		s.Samples = append(s.Samples, x)
	}
	if held := observe(&s).held; math.Abs(held-250*UsualLength) > 1e-6 {
		t.Errorf("held at %g Pa m, want %g", held, 250*UsualLength)
	}
}
