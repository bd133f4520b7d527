package frame

import (
	"math"
	"testing"
	"time"

	"tipoff/calib"
)

func TestCombinedPressure(t *testing.T) {
	l := NewLayout(100*time.Millisecond, []Channel{
		{Name: "wide", Role: Pressure}, {Name: "fine", Role: Pressure}, {Name: "tube", Role: Glass}, {Name: "end", Role: Glass},
	})
	var f Frame
	set := func(i int, x, u float64, q calib.Quality) { f.Readings[i].Value = calib.Value{X: x, U: u, Q: q} }

	// Weighted mean of two results with known uncertainties: closed form
	// (x1/u1² + x2/u2²)/(1/u1² + 1/u2²), u = (1/u1² + 1/u2²)^-½.
	set(0, 120, 20, 0)
	set(1, 100, 5, 0)
	got := f.Of(l, Pressure)
	wantX := (120.0/400 + 100.0/25) / (1.0/400 + 1.0/25)
	wantU := 1 / math.Sqrt(1.0/400+1.0/25)
	if math.Abs(got.X-wantX) > 1e-9 || math.Abs(got.U-wantU) > 1e-9 {
		t.Errorf("combined %v ± %v, want %v ± %v", got.X, got.U, wantX, wantU)
	}

	set(1, math.NaN(), math.NaN(), calib.OverRange)
	if got := f.Of(l, Pressure); got.X != 120 {
		t.Errorf("with the fine gauge over range: %v, want the wide gauge's 120", got.X)
	}
	set(0, math.NaN(), math.NaN(), calib.NoReading)
	if got := f.Of(l, Pressure); got.Good() {
		t.Errorf("with no gauge: %v is good", got)
	}

	set(2, 150, 1, 0)
	set(3, 220, 1, 0)
	if got := f.Of(l, Glass); got.X != 220 {
		t.Errorf("glass %v, want the hotter sensor's 220", got.X)
	}
	set(3, math.NaN(), math.NaN(), calib.SensorFault)
	if got := f.Of(l, Glass); got.X != 150 {
		t.Errorf("glass %v, want the remaining sensor's 150", got.X)
	}
	if got := f.Of(l, Current); got.Good() {
		t.Errorf("current without a channel: %v is good", got)
	}
}
