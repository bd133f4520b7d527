package chain

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/calib/gauge"
	"tipoff/calib/thermocouple"
)

const (
	ms   = time.Millisecond
	torr = 101325.0 / 760
)

// ads is an ADS1115 input, ±4.096 V: 125 µV a code (chips.md §1); accuracy
// figures as an example of its data sheet's kind.
func ads() Input {
	return Input{Kind: Voltage, Scale: 125e-6, Integer: true, RawMin: -32768, RawMax: 32767, Interval: 10 * ms,
		Acc: Accuracy{Offset: 375e-6, Gain: 1e-3, Nonlinearity: 125e-6}}
}

// frg is the FRG-700 (Varian manual p.26): 6.8 V at 1 mbar, 0.6 V a decade,
// divided by 3.
func frg() Spec {
	return Spec{Kind: SpecLogLinear, Params: Params{VoltsAt: 6.8, PaAt: 100, VoltsPerDecade: 0.6, Divider: 3,
		UnderVolts: 1.82, OverVolts: 8.6, AccuracyFraction: 0.15, GasDependent: true}}
}

// k31855 is a MAX31855K input: 0.25 °C a code, cold junction 0.0625 °C a code.
func k31855() Input {
	return Input{Kind: Thermocouple, Scale: 0.25, AuxScale: 0.0625, Integer: true, Interval: 100 * ms,
		Sensitivity: 41.276e-6, Type: 'K', Acc: Accuracy{Offset: 2, ColdJunction: 2}}
}

func must(t testing.TB, role string, s Spec, in Input) Chain {
	t.Helper()
	c, err := New(role, s, in, 50)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestPressureRows(t *testing.T) {
	for _, w := range []struct{ volts, pa float64 }{ // FRG-700 table, mbar·100
		{2, 1e-6}, {4.4, 1e-2}, {5, 0.1}, {5.6, 1}, {6.2, 10}, {6.8, 100}, {7.4, 1000}, {8, 1e4}, {8.6, 1e5},
	} {
		in := ads()
		in.Integer = false // exact volts
		c := must(t, "pressure", frg(), in)
		c.Push(ms, w.volts/3/125e-6, math.NaN(), 0)
		v, ind, n := c.Take(2 * ms)
		if n != 1 || math.Abs(v.X/w.pa-1) > 1e-9 || v.X != ind.X || !(v.U > 0.15/math.Sqrt(3)*w.pa) {
			t.Errorf("%g V: %+v, want %g Pa", w.volts, v, w.pa)
		}
	}
	var c Chain
	for volts, q := range map[float64]calib.Quality{1.5: calib.UnderRange, 9: calib.OverRange} {
		c = must(t, "pressure", frg(), ads())
		c.Push(ms, math.Round(volts/3/125e-6), math.NaN(), 0)
		if v, _, _ := c.Take(2 * ms); v.Q != q || v.Good() {
			t.Errorf("%g V: %v", volts, v)
		}
	}
	// Argon at 0.1 mbar indicated: factor 1.7 (INFICON), indicated unchanged.
	c = must(t, "pressure", frg(), ads())
	c.SetGas(gauge.Argon)
	c.Push(ms, math.Round(6.2/3/125e-6), math.NaN(), 0)
	v, ind, _ := c.Take(2 * ms)
	if math.Abs(v.X/ind.X-1.7) > 1e-9 || math.Abs(ind.X/10-1) > 2e-3 || v.U/v.X <= ind.U/ind.X {
		t.Errorf("argon: %+v from %+v", v, ind)
	}
	// Neon at 12 mbar: what was indicated, as uncertain as it is large.
	c.SetGas(gauge.Neon)
	c.Push(3*ms, math.Round(7.45/3/125e-6), math.NaN(), 0)
	c.Push(4*ms, math.Round(7.45/3/125e-6), math.NaN(), 0)
	c.Take(5 * ms)
	c.Push(6*ms, math.Round(7.45/3/125e-6), math.NaN(), 0)
	if v, ind, _ = c.Take(7 * ms); v.X != ind.X || v.U < v.X || v.Q != calib.Correcting || !ind.Good() {
		t.Errorf("neon: %+v %+v", v, ind)
	}
}

// A table without bounds, over the logarithm of volts, at 0 V and below (its plug is
// out): no pressure, and that no certain one.
func TestTableWithoutVolts(t *testing.T) {
	for name, c := range map[string]struct {
		rows [][2]float64
		want calib.Quality
	}{
		"rising":  {[][2]float64{{0.1, 0.01}, {0.5, 0.25}, {1, 1}, {3, 9}}, calib.UnderRange},
		"falling": {[][2]float64{{0.1, 100}, {0.5, 4}, {1, 1}, {3, 0.1}}, calib.OverRange},
	} {
		ch := must(t, "pressure", Spec{Kind: SpecTable, Params: Params{Table: c.rows, AccuracyFraction: 0.1}}, ads())
		for i, raw := range []float64{0, -8, 8000} { // 8000 codes are 1 V
			at := time.Duration(i+1) * time.Second
			ch.Push(at, raw, math.NaN(), 0)
			v, _, _ := ch.Take(at + ms)
			if raw <= 0 && (v.Good() || v.Q&c.want == 0) || raw > 0 && math.Abs(v.X-1) > 1e-6 {
				t.Errorf("%s: code %g: %+v", name, raw, v)
			}
		}
	}
}

// CDG: 6 V of a 10 Torr head are 6 Torr (INFICON CDG020D p.12); zero and span.
func TestLinear(t *testing.T) {
	s := Spec{Kind: SpecLinear, Params: Params{Volts2: 10, Pa2: 10 * torr, Divider: 4, ZeroPa: 0.1 * torr, Span: 1.01, AccuracyFraction: 0.002}}
	in := ads()
	in.Integer = false
	c := must(t, "pressure", s, in)
	c.Push(ms, 6.0/4/125e-6, math.NaN(), 0)
	v, ind, _ := c.Take(2 * ms)
	if math.Abs(ind.X-6*torr) > 1e-9 || math.Abs(v.X-5.9*1.01*torr) > 1e-9 {
		t.Errorf("%+v %+v", v, ind)
	}
	// GUM, by hand: 1.5 V; offset 375 µV, gain 1 mV/V, INL 125 µV, all /√3, times 4·Torr; 0.2 % of 6 Torr.
	uv := math.Sqrt((375e-6*375e-6 + 1.5e-3*1.5e-3 + 125e-6*125e-6) / 3)
	want := 1.01 * torr * math.Hypot(4*uv, 0.002*6/math.Sqrt(3))
	if math.Abs(v.U/want-1) > 1e-9 {
		t.Errorf("u = %g, want %g", v.U, want)
	}
}

// chips.md §2: readings of a MAX31855K at a cold junction of 25 °C.
func TestThermocoupleRows(t *testing.T) {
	for _, w := range [][2]float64{{25, 25}, {50, 50.220}, {100, 99.993}, {225, 227.837}, {250, 253.289}, {400, 401.932}} {
		c := must(t, "glass", Spec{Kind: SpecThermocouple, Params: Params{Class: "IEC 2", Mounting: 3}}, k31855())
		c.Push(ms, w[0]*4, 400, 0)
		v, ind, n := c.Take(2 * ms)
		if n != 1 || math.Abs(v.X-w[1]) > 0.00051 || ind.X != w[0] {
			t.Errorf("%g: %+v %+v", w[0], v, ind)
		}
		tol := math.Max(2.5, 0.0075*v.X) // IEC 60584-1 class 2
		s, _ := thermocouple.Type('K').Seebeck(v.X)
		scj, _ := thermocouple.Type('K').Seebeck(25)
		want := math.Sqrt((sq(41.276e-6/s)*(4+0.25*0.25/4) + sq(scj/s*2) + tol*tol + 9) / 3)
		if math.Abs(v.U-want) > 1e-6 {
			t.Errorf("%g: u %g, want %g", w[0], v.U, want)
		}
	}
	// A chip that linearises is taken at its word.
	in := Input{Kind: Thermocouple, Scale: 1.0 / 128, AuxScale: 1.0 / 64, Integer: true, Interval: 100 * ms, Type: 'K', Acc: Accuracy{ColdJunction: 0.7}}
	c := must(t, "glass", Spec{Kind: SpecThermocouple}, in)
	c.Push(ms, 250*128, 25*64, 0)
	if v, _, _ := c.Take(2 * ms); v.X != 250 || !(v.U > 0.3 && v.U < 0.5) {
		t.Errorf("%+v", v)
	}
	// Open circuit shows at once, silence only after the limit.
	c.Push(100*ms, 0, 0, calib.SensorFault)
	if v, _, _ := c.Take(101 * ms); v.Q != calib.SensorFault || v.Good() {
		t.Errorf("%+v", v)
	}
	c.Push(200*ms, 251*128, 25*64, 0)
	c.Take(201 * ms)
	if v, _, n := c.Take(450 * ms); v.X != 251 || n != 0 {
		t.Errorf("not held: %+v", v)
	}
	if v, _, _ := c.Take(550 * ms); v.Q != calib.NoReading || v.Good() {
		t.Errorf("held too long: %+v", v)
	}
}

// One wild sample is left out and told; a step is neither hidden nor marked.
func TestSpikeAndStep(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	c := must(t, "pressure", Spec{Kind: SpecLinear, Params: Params{Volts2: 1, Pa2: 1000}}, ads())
	at := time.Duration(0)
	level := 1.0
	frame := func(wild int) calib.Value {
		for i := range 10 {
			at += 10 * ms
			x := level + 300e-6*r.NormFloat64()
			if i == wild {
				x += 0.5
			}
			c.Push(at, math.Round(x/125e-6), math.NaN(), 0)
		}
		v, _, _ := c.Take(at + ms)
		return v
	}
	for range 20 {
		if v := frame(-1); math.Abs(v.X-1000) > 0.6 || v.Q != 0 {
			t.Fatalf("%+v", v)
		}
	}
	for wild := range 9 {
		if v := frame(wild); math.Abs(v.X-1000) > 0.6 || v.Q != calib.Spike {
			t.Errorf("spike at %d: %+v", wild, v)
		}
	}
	frame(9) // the last sample of a frame: told by the next
	if v := frame(-1); v.Q != calib.Spike || math.Abs(v.X-1000) > 0.6 {
		t.Errorf("spike at the end: %+v", v)
	}
	level = 1.3
	v := frame(-1)
	if math.Abs(v.X-1300) > 1 || v.Q != 0 {
		t.Errorf("step: %+v", v)
	}
	if v := frame(-1); math.Abs(v.X-1300) > 0.6 || v.Q != 0 || v.U > 1.5 {
		t.Errorf("after the step: %+v", v)
	}
	// A ramp of many sigmas a sample passes unharmed.
	n := 0
	for range 5 {
		for range 10 {
			at += 10 * ms
			level += 0.02
			c.Push(at, math.Round(level/125e-6), math.NaN(), 0)
		}
		v, _, k := c.Take(at + ms)
		n += k
		if v.Q != 0 || math.Abs(v.X-(level-0.09)*1000) > 21 {
			t.Errorf("ramp: %+v at %g", v, level)
		}
	}
	if n < 49 {
		t.Errorf("%d of 50 samples of a ramp counted", n)
	}
}

// The noise estimated in place is the noise there is.
func TestTypeA(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	in := ads()
	in.Acc = Accuracy{Offset: 1e-12}
	c := must(t, "pressure", Spec{Kind: SpecLinear, Params: Params{Volts2: 1, Pa2: 1}}, in)
	var u, ss float64
	const frames = 400
	for i := range frames {
		for k := range 25 {
			c.Push(time.Duration(i*100+k*4)*ms, math.Round((1+2e-3*r.NormFloat64())/125e-6), math.NaN(), 0)
		}
		v, _, _ := c.Take(time.Duration(i*100+99) * ms)
		u += v.U * v.U / frames
		ss += sq(v.X-1) / frames
	}
	if ratio := math.Sqrt(u / ss); ratio < 0.9 || ratio > 1.12 || math.Abs(math.Sqrt(u)/(2e-3/5)-1) > 0.1 {
		t.Errorf("estimated %g, found %g", math.Sqrt(u), math.Sqrt(ss))
	}
}

func TestCurrent(t *testing.T) {
	in := Input{Kind: Voltage, Scale: 125e-6, Offset: 0, Integer: true, RawMin: -32768, RawMax: 32767,
		Interval: 250 * time.Microsecond, Waveform: true, Acc: Accuracy{Gain: 1e-3}}
	s := Spec{Kind: SpecCurrent, Params: Params{Ratio: 2000, Burden: 23.3345, CurrentAccuracy: 0.01}}
	run := func(amps, bias float64) (calib.Value, int) {
		c := must(t, "current", s, in)
		if _, ok := c.(Waveform); !ok {
			t.Fatal("no waveform")
		}
		n := 0
		for i := range 4000 {
			at := time.Duration(i) * 250 * time.Microsecond
			volts := bias + amps*math.Sqrt2*math.Sin(2*math.Pi*50.1*at.Seconds())/2000*23.3345
			c.Push(at, math.Max(-32768, math.Min(32767, math.Round(volts/125e-6))), math.NaN(), 0)
			if i%400 == 399 {
				_, _, k := c.Take(at)
				n += k
			}
		}
		v, _, _ := c.Take(time.Second)
		return v, n
	}
	// physics.md §3.3: 100 A rms at 2000 turns and 23.33 Ω swings 1.65 V.
	v, n := run(99.9, 1.65)
	if math.Abs(v.X/99.9-1) > 2e-4 || v.Q != 0 || n != 4000 {
		t.Errorf("%+v %d", v, n)
	}
	if want := 99.9 * math.Sqrt((1e-6+1e-4)/3); math.Abs(v.U/want-1) > 0.01 {
		t.Errorf("u %g, want %g", v.U, want)
	}
	if v, _ := run(200, 1.65); v.Q&calib.Clipped == 0 {
		t.Errorf("%+v", v)
	}
	if v, _ := run(0, 1.65); !v.Good() || v.X > 0.02 {
		t.Errorf("off: %+v", v)
	}
	// Silence.
	c := must(t, "current", s, in)
	if v, _, _ := c.Take(0); v.Q != calib.NoReading {
		t.Error(v)
	}
}

func TestNumbers(t *testing.T) {
	c := must(t, "pressure", Spec{Kind: SpecNone, Params: Params{AccuracyFraction: 0.01}}, Input{Kind: Number, Unit: "Torr", Scale: 1})
	c.Push(0, 9, math.NaN(), 0)
	if v, _, _ := c.Take(ms); math.Abs(v.X-9*torr) > 1e-9 || math.Abs(v.U-0.09*torr/math.Sqrt(3)) > 1e-9 {
		t.Errorf("%+v", v)
	}
	c = must(t, "glass", Spec{Kind: SpecNone}, Input{Kind: Number, Unit: "°F", Scale: 1})
	c.Push(0, 212, math.NaN(), 0)
	if v, _, _ := c.Take(ms); math.Abs(v.X-100) > 1e-9 || !math.IsNaN(v.U) {
		t.Errorf("%+v", v)
	}
	c = must(t, "current", Spec{Kind: SpecNone}, Input{Kind: Number, Unit: "mA", Scale: 1})
	c.Push(0, 60, math.NaN(), 0)
	if v, _, _ := c.Take(ms); math.Abs(v.X-0.06) > 1e-15 {
		t.Errorf("%+v", v)
	}
	c.Push(2*ms, math.NaN(), math.NaN(), 0)
	if v, _, n := c.Take(3 * ms); v.X != 0.06 || n != 0 {
		t.Errorf("a sample that is no number: %+v", v)
	}
	in := ads()
	c = must(t, "pressure", Spec{Kind: SpecLinear, Params: Params{Volts2: 1, Pa2: 1, FrozenFor: time.Second}}, in)
	for i := range 200 {
		c.Push(time.Duration(i)*10*ms, 8000, math.NaN(), 0)
		v, _, _ := c.Take(time.Duration(i) * 10 * ms)
		if frozen := v.Q&calib.Frozen != 0; frozen != (i > 100) {
			t.Fatalf("sample %d: %+v", i, v)
		}
	}
}

// JCGM 101: the chain's errors drawn at random, the interval it states holds the
// truth in 95 % of the draws.
func TestCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	rect := func(a float64) float64 { return a * (2*r.Float64() - 1) }
	count := func(draw func() (v calib.Value, truth float64)) float64 {
		in := 0
		const n = 20000
		for range n {
			v, truth := draw()
			if math.Abs(v.X-truth) <= 1.96*v.U {
				in++
			}
		}
		return float64(in) / n * 100
	}
	pressure := ads()
	pressure.Acc = Accuracy{Offset: 2e-3, Gain: 1e-3, Nonlinearity: 1e-3, Reference: 1e-3, Noise: 2e-3}
	s := Spec{Kind: SpecLinear, Params: Params{Volts2: 10, Pa2: 1333.22, Divider: 4, AccuracyFraction: 0.0015, AccuracyAbs: 1}}
	p := count(func() (calib.Value, float64) {
		c := must(t, "pressure", s, pressure)
		truth := 200 + 1000*r.Float64()
		// The gauge's errors, then the converter's.
		shown := (truth + rect(1)) * (1 + rect(0.0015))
		v := shown / 1333.22 * 10 / 4
		v = v*(1+rect(1e-3))*(1+rect(1e-3)) + rect(2e-3) + rect(1e-3)
		c.Push(ms, math.Round((v+2e-3*r.NormFloat64())/125e-6), math.NaN(), 0)
		x, _, _ := c.Take(2 * ms)
		return x, truth
	})
	glass := k31855()
	glass.Acc = Accuracy{Offset: 2, ColdJunction: 2, Noise: 0.5}
	g := count(func() (calib.Value, float64) {
		c := must(t, "glass", Spec{Kind: SpecThermocouple, Params: Params{Class: "IEC 2", Mounting: 3}}, glass)
		truth := 60 + 250*r.Float64()
		cj := 25.0
		junction := truth + rect(3)
		e, _ := thermocouple.Type('K').EMF(junction + rect(math.Max(2.5, 0.0075*junction)))
		ecj, _ := thermocouple.Type('K').EMF(cj)
		shownCJ := cj + rect(2)
		reading := shownCJ + (e-ecj)/41.276e-6 + rect(2) + 0.5*r.NormFloat64()
		c.Push(ms, math.Round(reading*4), math.Round(shownCJ*16), 0)
		x, _, _ := c.Take(2 * ms)
		return x, truth
	})
	t.Logf("pressure %.2f %%, glass %.2f %%", p, g)
	if p < 94 || p > 96 || g < 94 || g > 96 {
		t.Errorf("coverage: pressure %.2f %%, glass %.2f %%", p, g)
	}
}

func TestCheck(t *testing.T) {
	for field, s := range map[string]Spec{
		"Kind":           {Kind: "cubic"},
		"Volts2":         {Kind: SpecLinear},
		"Pa2":            {Kind: SpecLinear, Params: Params{Volts2: 1}},
		"PaAt":           {Kind: SpecLogLinear, Params: Params{VoltsPerDecade: 1}},
		"VoltsPerDecade": {Kind: SpecLogLinear, Params: Params{PaAt: 1}},
		"Table":          {Kind: SpecTable, Params: Params{Table: [][2]float64{{1, 1}}}},
		"Class":          {Kind: SpecThermocouple, Params: Params{Class: "IEC 7"}},
		"Type":           {Kind: SpecThermocouple, Params: Params{Type: 'Q'}},
		"OverVolts":      {Kind: SpecNone, Params: Params{UnderVolts: 2, OverVolts: 1}},
		"Divider":        {Kind: SpecNone, Params: Params{Divider: -1}},
		"Mounting":       {Kind: SpecNone, Params: Params{Mounting: math.NaN()}},
	} {
		var e *FieldError
		if err := s.Check(); !errors.As(err, &e) || e.Field != field {
			t.Errorf("%s: %v", field, err)
		}
	}
	in := ads()
	wave := ads()
	wave.Waveform = true
	for _, c := range []struct {
		role string
		s    Spec
		in   Input
		want string
	}{
		{"current", Spec{Kind: SpecCurrent, Params: Params{Burden: 1}}, in, "fast enough"},
		{"current", Spec{Kind: SpecCurrent, Params: Params{Burden: 1, Bias: 9}}, wave, "Bias"},
		{"current", Spec{Kind: SpecCurrent}, wave, "Burden"},
		{"pressure", Spec{Kind: SpecNone}, in, "gives volts"},
		{"pressure", frg(), k31855(), "thermocouple"},
		{"glass", Spec{Kind: SpecThermocouple}, in, "linear"},
		{"glass", Spec{Kind: SpecThermocouple, Params: Params{Type: 'J'}}, k31855(), "Type"},
		{"pressure", Spec{Kind: SpecNone}, Input{Kind: Number, Unit: "mA", Scale: 1}, "unit"},
		{"pressure", frg(), Input{Kind: Ratio, Scale: 1}, "Reference"},
		{"pressure", frg(), Input{Kind: Voltage}, "scale"},
	} {
		if _, err := New(c.role, c.s, c.in, 50); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.role, err, c.want)
		}
	}
}

func TestAllocations(t *testing.T) {
	for name, c := range chains(t) {
		at := time.Duration(0)
		if n := testing.AllocsPerRun(200, func() {
			at += 10 * ms
			c.Push(at, 8000+float64(at%3), 400, 0)
			sink, _, _ = c.Take(at)
		}); n != 0 {
			t.Errorf("%s: %v allocations", name, n)
		}
	}
}

func chains(t testing.TB) map[string]Chain {
	wave := ads()
	wave.Waveform = true
	glass := k31855()
	glass.Scale = 0.025
	return map[string]Chain{
		"pressure": must(t, "pressure", frg(), ads()),
		"table":    must(t, "pressure", Spec{Kind: SpecTable, Params: Params{Table: [][2]float64{{0.37, 0.1}, {0.4, 1}, {0.55, 10}, {1.6, 100}, {4, 1000}}}}, ads()),
		"glass":    must(t, "glass", Spec{Kind: SpecThermocouple, Params: Params{Class: "IEC 2", Mounting: 3}}, glass),
		"current":  must(t, "current", Spec{Kind: SpecCurrent, Params: Params{Ratio: 2000, Burden: 20}}, wave),
	}
}

var sink calib.Value

// BenchmarkConvert is one sample pushed and one value taken, with uncertainty.
func BenchmarkConvert(b *testing.B) {
	for name, c := range chains(b) {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			at := time.Duration(0)
			for i := range b.N {
				at += 10 * ms
				c.Push(at, 8000+float64(i%7), 400, 0)
				sink, _, _ = c.Take(at)
			}
		})
	}
}

func BenchmarkPush(b *testing.B) {
	c := chains(b)["pressure"]
	b.ReportAllocs()
	for i := range b.N {
		c.Push(time.Duration(i)*ms, 8000+float64(i%7), math.NaN(), 0)
	}
}
