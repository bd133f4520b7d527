package chain

import (
	"errors"
	"math"
	"testing"
	"time"

	"tipoff/calib"
)

// k31856 is a MAX31856 input: 1/128 °C a code, linearised, cold junction 1/64 °C.
func k31856() Input {
	return Input{Kind: Thermocouple, Scale: 1.0 / 128, AuxScale: 1.0 / 64, Integer: true, Interval: 100 * ms, Type: 'K',
		Acc: Accuracy{Offset: 0.2, ColdJunction: 0.7}}
}

// A junction on a wall that is heated at 3 °C/s from rest, after 3 s in the
// steady ramp 9 °C low (closed form: wall = 3·t, junction = wall - 9·(1-exp(-t/3))).
// The value is the wall, what is indicated the junction. It is marked only where
// the correction is more than 15 °C.
func TestLag(t *testing.T) {
	for _, rate := range []float64{3, 6} {
		c := must(t, "glass", Spec{Kind: SpecThermocouple, Params: Params{Lag: 3 * time.Second, LagAccuracy: 0.1, MaxRate: 15}}, k31856())
		plain := must(t, "glass", Spec{Kind: SpecThermocouple, Params: Params{MaxRate: 15}}, k31856())
		for i := range 400 {
			x := float64(i)*0.1 - 10 // s from the beginning of the ramp
			wall, junction := 25.0, 25.0
			if x > 0 {
				wall += rate * x
				junction = wall - 3*rate*(1-math.Exp(-x/3))
			}
			at := time.Duration(i) * 100 * ms
			for _, c := range []Chain{c, plain} {
				c.Push(at, math.Round(junction*128), 25*64, 0)
			}
			v, ind, n := c.Take(at + ms)
			p, pind, _ := plain.Take(at + ms)
			if n == 0 {
				continue
			}
			if p.X != pind.X || p.Q != 0 || p.X != ind.X {
				t.Fatalf("without lag: %+v, indicated %+v and %+v", p, pind, ind)
			}
			// A sample that had to wait is averaged with the next: half an interval.
			if math.Abs(ind.X-junction) > 1.0/256+0.06*rate {
				t.Fatalf("indicated %.3f, junction %.3f", ind.X, junction)
			}
			if x < 0 || x > 2 {
				if d := math.Abs(v.X - wall); d > 0.5 || d > 2*v.U {
					t.Fatalf("%.1f s: %.2f ± %.2f, wall %.2f", x, v.X, v.U, wall)
				}
			}
			if x > 15 {
				want := calib.Quality(0)
				if rate > 5 {
					want = calib.Correcting
				}
				// rate·u(tau) = rate · 0.3 s is in it.
				if v.Q != want || v.U < math.Hypot(p.U, rate*0.3) || v.U > p.U+rate*0.3+2 {
					t.Fatalf("%.1f s: %v, u %.2f, without lag %.2f", x, v.Q, v.U, p.U)
				}
			}
		}
	}
}

// Seating: junction at 20 + 0.9·(220 - 20) = 200 °C on glass at 220 °C in a room
// of 20 °C, by the definition.
func TestSeating(t *testing.T) {
	c := must(t, "glass", Spec{Kind: SpecThermocouple, Params: Params{Seating: 0.9}}, k31856())
	c.Push(ms, 200*128, 20*64, 0)
	v, ind, _ := c.Take(2 * ms)
	// GUM by hand: (u/0.9)² and 5 K of doubt of the room times (1/0.9 - 1), rectangular.
	want := math.Hypot(ind.U/0.9, (1/0.9-1)*5/math.Sqrt(3))
	if math.Abs(v.X-220) > 1e-9 || ind.X != 200 || math.Abs(v.U-want) > 0.02 || v.Q != calib.Correcting {
		t.Errorf("%+v, indicated %+v, want 220 ± %.3f", v, ind, want)
	}
	c = must(t, "glass", Spec{Kind: SpecThermocouple, Params: Params{Seating: 0.97}}, k31856())
	c.Push(ms, (20+0.97*200)*128, 20*64, 0)
	if v, _, _ = c.Take(2 * ms); math.Abs(v.X-220) > 0.01 || v.Q != 0 {
		t.Errorf("%+v, want 220", v)
	}
}

// A sensor that is lost and comes back begins anew instead of bridging.
func TestLagAfterLoss(t *testing.T) {
	c := must(t, "glass", Spec{Kind: SpecThermocouple, Params: Params{Lag: 3 * time.Second}}, k31856())
	at := time.Duration(0)
	push := func(x float64, q calib.Quality) calib.Value {
		at += 100 * ms
		c.Push(at, math.Round(x*128), 25*64, q)
		v, _, _ := c.Take(at + ms)
		return v
	}
	for i := range 100 {
		push(25+0.5*float64(i), 0)
	}
	for range 50 {
		if v := push(0, calib.SensorFault); v.Good() {
			t.Fatalf("%+v while open", v)
		}
	}
	v := push(40, 0)
	for range 3 {
		v = push(40, 0)
	}
	if math.Abs(v.X-40) > 0.5 {
		t.Errorf("after the repair: %+v, want 40", v)
	}
}

func TestLagRefused(t *testing.T) {
	for field, p := range map[string]Params{
		"Lag":         {Lag: time.Minute},
		"LagAccuracy": {Lag: time.Second, LagAccuracy: 0.6},
		"Seating":     {Seating: 1.2},
	} {
		var fe *FieldError
		if _, err := New("glass", Spec{Kind: SpecThermocouple, Params: p}, k31856(), 50); !errors.As(err, &fe) || fe.Field != field {
			t.Errorf("%+v: %v", p, err)
		}
	}
	for field, p := range map[string]Params{
		"Lag": {Lag: -time.Second}, "LagAccuracy": {LagAccuracy: 0.1}, "Seating": {Seating: math.NaN()},
	} {
		var fe *FieldError
		if err := (Spec{Kind: SpecThermocouple, Params: p}).Check(); !errors.As(err, &fe) || fe.Field != field {
			t.Errorf("%+v: %v", p, err)
		}
	}
	var fe *FieldError
	in := Input{Kind: Temperature, Scale: 1}
	if _, err := New("glass", Spec{Kind: SpecThermocouple, Params: Params{Lag: time.Second}}, in, 50); !errors.As(err, &fe) || fe.Field != "Lag" {
		t.Errorf("lag of a finished thermometer: %v", err)
	}
}

func TestLagAllocatesNothing(t *testing.T) {
	c := must(t, "glass", Spec{Kind: SpecThermocouple, Params: Params{Lag: 3 * time.Second, Seating: 0.97}}, k31856())
	at := time.Duration(0)
	if n := testing.AllocsPerRun(1000, func() {
		at += 100 * ms
		c.Push(at, 30*128+math.Round(at.Seconds()), 25*64, 0)
		c.Take(at + ms)
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkThermocoupleLag(b *testing.B) {
	c := must(b, "glass", Spec{Kind: SpecThermocouple, Params: Params{Class: "IEC 2", Mounting: 3, Lag: 3 * time.Second, Seating: 0.97}}, k31856())
	at := time.Duration(0)
	b.ReportAllocs()
	for i := range b.N {
		at += 100 * ms
		c.Push(at, float64(25600+i&15), 25*64, 0)
		c.Take(at)
	}
}
