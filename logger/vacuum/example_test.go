package vacuum

import (
	"math"
	"testing"
)

// A pump whose speed falls as p/(p + half), as a rotary pump's near its base (physics
// of drivers/plant; Pa, m³/s), against a known inflow: what it draws at the base is the
// inflow exactly. Speed times base is too high by (p + half)/p. The truth lies within
// two standard uncertainties of the load, which is nearer to it.
func TestLoadOfAPumpThatTires(t *testing.T) {
	const v, s0, half = 0.7e-3, 1e-3, 0.3
	for _, inflow := range []float64{1e-4, 3e-4, 1e-3} {
		p := 2000.0
		var pts []Point
		const dt = 1e-3
		for i := 0; float64(i)*dt < 60; i++ {
			if i%100 == 0 {
				pts = append(pts, Point{T: float64(i) * dt, P: p})
			}
			p += (inflow - s0*p/(p+half)*p) / v * dt
		}
		d, err := FitPumpDown(pts, Quantity{v, 0})
		if err != nil {
			t.Fatal(err)
		}
		was := d.Speed.X * d.Base.X
		t.Logf("inflow %.2g: load %.3g ± %.2g; speed times base %.3g; base %.3g Pa", inflow, d.Load.X, d.Load.U, was, p)
		if math.Abs(d.Load.X-inflow) > 2*d.Load.U || math.Abs(d.Load.X-inflow) > math.Abs(was-inflow)+0.2*inflow {
			t.Errorf("inflow %.3g Pa m³/s: load %.3g ± %.2g", inflow, d.Load.X, d.Load.U)
		}
	}
}
