package envelope

import (
	"math"
	"testing"
	"time"

	"tipoff/logger/phase"
)

func TestHeatingNeedsACardAndCorrectedReadings(t *testing.T) {
	for _, c := range []struct{ card, corrected, taught bool }{{false, true, false}, {true, false, false}, {true, true, true}} {
		f := NewForesight(Compute(neon15(), c.card, Bench{LagCorrected: c.corrected, Heating: Heating{PerMetre: 100, Pressure: 0.7, Current: 0.85, Bore: -0.6, U: 0.1}}))
		if f.seat.taught != c.taught {
			t.Errorf("card %v, corrected %v: the taught heating is used: %v", c.card, c.corrected, f.seat.taught)
		}
	}
}

// Half a litre of manifold and half a litre of tube at 20 °C, and the tube's gas at
// 20 °C + 293.15 K when lit: the amount is p0 (V + V)/T = p1 (V/T + V/(2 T)), so the
// pressure rises by 4/3. Gas 293.15 K above its wall conducts 8 π 0.045 W/(m K) ×
// 293.15 K = 331.6 W/m if heated evenly, 283.4 W/m with the profile taken, of which
// three quarters of the column's power is 212.5 W/m: by hand.
func TestColumnsHeatFromThePressureJump(t *testing.T) {
	g := gasHeat{part: 0.5, partDoubt: 0.05, room: 293.15, rest: slope{tau: 1}}
	for i := range 50 {
		g.before(phase.Observation{At: time.Duration(i) * 100 * time.Millisecond, Pressure: 300})
	}
	g.begin()
	for i := range 40 {
		after := time.Duration(i) * 100 * time.Millisecond
		g.during(phase.Observation{Pressure: 400}, after, 100)
	}
	mean, u := g.with(1000, 20) // nothing known beforehand
	near(t, "heat over the guess", math.Exp(mean), 2.125, 0.01)
	// gasDoubt and intoGlassDoubt, and the volume's 5 % and the noise (1.6 % of the
	// jump) times 2·586/586 · ½ of the gas's 586 K for 293 K: by hand.
	near(t, "its standard uncertainty", u, math.Sqrt(0.25*0.25+0.12*0.12+0.105*0.105), 0.005)

	// With a guess as uncertain as it is it counts half.
	if half, left := g.with(u, 20); math.Abs(half-mean/2) > 1e-6 || math.Abs(left-u/math.Sqrt2) > 1e-6 {
		t.Errorf("two equal estimates give %v within %v", half, left)
	}
	// A valve that is open tells nothing.
	for i := range 50 {
		g.before(phase.Observation{At: time.Duration(60+i) * 100 * time.Millisecond, Pressure: 300 * math.Exp(0.01*float64(i))})
	}
	g.begin()
	for i := range 40 {
		g.during(phase.Observation{Pressure: 600}, time.Duration(i)*100*time.Millisecond, 100)
	}
	if m, left := g.with(0.65, 20); m != 0 || left != 0.65 {
		t.Errorf("with the pressure rising by a tenth in a second: %v within %v", m, left)
	}
}

// The handbook's column by hand: 11 V/cm in 13 mm at 1 Torr and 0.3 A gives 0.75 ×
// 1100 V/m × 0.3 A = 247.5 W/m; at 2 Torr 2^0.8 of it, at 0.15 A 2^−0.85.
func TestAnyColumn(t *testing.T) {
	c := anyColumn(loadTables(), 13e-3)
	near(t, "at 1 Torr and 0.3 A", c.at(phase.Observation{Pressure: torr, Current: 0.3}, 20, false), 247.5, 0.01)
	near(t, "at 2 Torr and 0.15 A", c.at(phase.Observation{Pressure: 2 * torr, Current: 0.15}, 20, false), 247.5*1.7411*0.5548, 0.2)
	// The sources' 3 to 40 V/cm are 95 % of the distribution.
	near(t, "field doubt", math.Exp(2*2*fieldDoubt), 40.0/3, 0.3)
}

// A ramp seen by a sensor with a lag that nobody corrects: tied well it is no
// trouble, at a tenth of the rise it is. Closed form of a first-order lag: r (t − τ +
// τ exp(−t/τ)).
func TestSeatingWithoutLagCorrection(t *testing.T) {
	for _, tau := range []float64{1.5, 3, 5} {
		for _, share := range []float64{1, 0.1} {
			f := NewForesight(Compute(neon15(), true, Bench{}))
			for i := range 160 {
				s := float64(i)/10 - 10
				o := phase.Observation{At: time.Duration(i) * 100 * time.Millisecond, Glass: 22, Pressure: 2 * torr, Current: 0}
				if s >= 0 {
					o.Current = 0.3
					o.Glass += share * 3 * (s - tau + tau*math.Exp(-s/tau))
				}
				o.Glass += 0.1 * math.Sin(7*s)
				f.Step(o, Uncertainties{})
			}
			got := f.State().Seating
			if (share == 1) != (got == Seated) {
				t.Errorf("lag %v s, %v of a rise of 3 °C/s: %s", tau, share, got)
			}
		}
	}
}
