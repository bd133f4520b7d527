package frame

import (
	"math"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/calib/gauge"
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

// A fine gauge that reads 4 % low and goes over range at 1333 Pa, and one that goes
// under range at 10 Pa from above: swept up and down, the combined pressure has no
// step beyond what the pressure itself does, and is the same both ways.
func TestHandOver(t *testing.T) {
	fine := gauge.Range{Low: -20, High: 1333}
	wide := gauge.Range{Low: 10, High: 1e5}
	l := NewLayout(100*time.Millisecond, []Channel{
		{Name: "wide", Role: Pressure, Range: wide}, {Name: "fine", Role: Pressure, Range: fine},
	})
	at := func(p float64) calib.Value {
		var f Frame
		put := func(i int, x, u float64, r gauge.Range) {
			v := calib.Value{X: x, U: u}
			switch {
			case x > r.High:
				v = calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.OverRange}
			case x < r.Low:
				v = calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.UnderRange}
			}
			f.Readings[i].Value, f.Readings[i].Indicated = v, v
		}
		put(0, 1.03*p, 0.05*p, wide)
		put(1, 0.96*p, 0.002*p+0.5, fine)
		return f.Of(l, Pressure)
	}
	const steps = 40000
	sweep := func(i int) float64 { return 2 * math.Pow(1e4, float64(i)/steps) } // 2 Pa to 20 kPa
	var up [steps + 1]calib.Value
	for i := range up {
		up[i] = at(sweep(i))
		if !up[i].Good() || !(up[i].U > 0) {
			t.Fatalf("%g Pa: %+v", sweep(i), up[i])
		}
		if i == 0 {
			continue
		}
		grown := sweep(i)/sweep(i-1) - 1
		// 7 % are handed over within a quarter of the pressure: 0.5 % for 1 %.
		if d := up[i].X/up[i-1].X - 1; d < -grown || d > 3*grown {
			t.Fatalf("at %g Pa the pressure grows by %.4f %%, the reading by %.4f %%: %+v after %+v", sweep(i), 100*grown, 100*d, up[i], up[i-1])
		}
		if r := up[i].U / up[i-1].U; r < 0.9 || r > 1.1 {
			t.Fatalf("at %g Pa U leaps from %g to %g", sweep(i), up[i-1].U, up[i].U)
		}
	}
	for i := steps; i >= 0; i-- {
		if v := at(sweep(i)); v != up[i] {
			t.Fatalf("%g Pa: %+v on the way down, %+v up", sweep(i), v, up[i])
		}
	}
	if v := at(500); math.Abs(v.X-480) > 1 {
		t.Errorf("in the middle of the fine gauge's range: %+v", v)
	}
	if v := at(5000); v.X != 5150 {
		t.Errorf("above the fine gauge's range: %+v", v)
	}
	// Gauges that contradict each other by far more than they claim: U says so.
	var f Frame
	f.Readings[0].Value, f.Readings[0].Indicated = calib.Value{X: 100, U: 1}, calib.Value{X: 100}
	f.Readings[1].Value, f.Readings[1].Indicated = calib.Value{X: 120, U: 1}, calib.Value{X: 120}
	if v := f.Of(l, Pressure); math.Abs(v.X-110) > 1e-9 || v.U < 8 {
		t.Errorf("100 ± 1 and 120 ± 1 are %+v", v)
	}
}

func TestOfAllocatesNothing(t *testing.T) {
	l := NewLayout(time.Second, []Channel{{Role: Pressure, Range: gauge.Range{Low: 1, High: 100}}, {Role: Pressure}})
	var f Frame
	f.Readings[0].Value, f.Readings[0].Indicated = calib.Value{X: 90, U: 1}, calib.Value{X: 90}
	f.Readings[1].Value = calib.Value{X: 95, U: 5}
	if n := testing.AllocsPerRun(100, func() { sink = f.Of(l, Pressure) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

var sink calib.Value

// The contactor's contact is on where it was closed for more than half of the frame;
// without one, or without a reading, it is unknown. Another contact does not count.
func TestContactor(t *testing.T) {
	l := NewLayout(time.Second, []Channel{{Name: "door", Role: Contact, Purpose: Stopcock}, {Name: "k1", Role: Contact, Purpose: Contactor}})
	var f Frame
	for x, want := range map[float64]Switch{0: SwitchOff, 0.4: SwitchOff, 0.6: SwitchOn, 1: SwitchOn} {
		f.Readings[0].Value, f.Readings[1].Value = calib.Value{X: 1 - x}, calib.Value{X: x}
		if got := f.Contactor(l); got != want {
			t.Errorf("closed for %v of the frame: %v, want %v", x, got, want)
		}
	}
	for purpose, want := range map[Purpose]Switch{Contactor: SwitchOn, Stopcock: SwitchOff, Torch: SwitchUnknown} {
		f.Readings[0].Value, f.Readings[1].Value = calib.Value{}, calib.Value{X: 1}
		if got := f.Switch(l, purpose); got != want {
			t.Errorf("%v: %v, want %v", purpose, got, want)
		}
	}
	f.Readings[1].Value = calib.Value{X: 1, Q: calib.NoReading}
	if got := f.Contactor(l); got != SwitchUnknown {
		t.Errorf("without a reading: %v", got)
	}
	if got := f.Contactor(NewLayout(time.Second, l.Channels[:1])); got != SwitchUnknown {
		t.Errorf("without a contactor's contact: %v", got)
	}
}
