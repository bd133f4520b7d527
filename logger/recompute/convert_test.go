package recompute

import (
	"math"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/calib/chain"
	"tipoff/calib/gauge"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// What a chain indicates leads back to the raw number that was pushed into it.
func TestInverse(t *testing.T) {
	volts := chain.Input{Kind: chain.Voltage, Scale: 125e-6, Offset: 3, Integer: true, Interval: 10 * time.Millisecond}
	ratio := chain.Input{Kind: chain.Ratio, Scale: 1.0 / 4096, Integer: true, Interval: 10 * time.Millisecond}
	tc := chain.Input{Kind: chain.Thermocouple, Scale: 0.25, AuxScale: 0.0625, Sensitivity: 41.276e-6, Type: 'K', Integer: true, Interval: 100 * time.Millisecond}
	for _, c := range []struct {
		name string
		role string
		spec chain.Spec
		in   chain.Input
		raws []float64
	}{
		{"log-linear", "pressure", chain.Spec{Kind: chain.SpecLogLinear, Params: chain.Params{VoltsAt: 6.8, PaAt: 100, VoltsPerDecade: 0.6, Divider: 3}}, volts, []float64{9000, 15000.25, 20000}},
		{"linear", "pressure", chain.Spec{Kind: chain.SpecLinear, Params: chain.Params{Volts1: 0, Pa1: 0, Volts2: 10, Pa2: 2666, Divider: 3, ZeroPa: 5, Span: 1.1}}, volts, []float64{100, 12000.5, 26000}},
		{"mantissa-exponent", "pressure", chain.Spec{Kind: chain.SpecMantissaExponent, Params: chain.Params{VoltsAt: 3, PaAt: 133.3, VoltsPerDecade: 0.5, Divider: 1.5}}, volts, []float64{3000, 9000.5, 15000.25}},
		{"linear at a reference", "pressure", chain.Spec{Kind: chain.SpecLinear, Params: chain.Params{Volts1: 5, Pa1: 0, Volts2: 0, Pa2: 100, Reference: 5}}, ratio, []float64{1, 2048, 4000.5}},
		{"table", "pressure", chain.Spec{Kind: chain.SpecTable, Params: chain.Params{Table: [][2]float64{{0.4, 0.1}, {1, 3}, {2, 90}, {3.5, 1e5}}}}, volts, []float64{4000, 9000.5, 26000}},
		{"falling table", "pressure", chain.Spec{Kind: chain.SpecTable, Params: chain.Params{Table: [][2]float64{{0.4, 1e5}, {1, 900}, {2, 9}, {3.5, 0.1}}}}, volts, []float64{4000, 9000.5, 26000}},
		{"thermocouple chip that divides", "glass", chain.Spec{Kind: chain.SpecThermocouple}, tc, []float64{80, 900.5, 1200}},
	} {
		back := inverse(c.spec, c.in)
		for _, raw := range c.raws {
			ch, err := chain.New(c.role, c.spec, c.in, 50)
			if err != nil {
				t.Fatalf("%s: %v", c.name, err)
			}
			ch.Push(0, raw, 400, 0)
			_, indicated, _ := ch.Take(0)
			got, ok := back(indicated.X)
			if !ok || math.Abs(got-raw) > 1e-6 {
				t.Errorf("%s: raw %v indicates %v, which leads back to %v, %v", c.name, raw, indicated.X, got, ok)
			}
		}
	}
	if inverse(chain.Spec{Kind: chain.SpecNone}, chain.Input{Kind: chain.Number, Scale: 1}) != nil {
		t.Error("a transmitted number needs no way back")
	}
}

func current(ratio, burden, accuracy float64) chain.Spec {
	return chain.Spec{Kind: chain.SpecCurrent, Params: chain.Params{Ratio: ratio, Burden: burden, CurrentAccuracy: accuracy}}
}

// A current is rescaled by ratio and burden: 1000:1 over 800 Ω to 500:1 over
// 100 Ω is (500/100)/(1000/800) = 4. Its uncertainty is hand-calculated.
func TestRescale(t *testing.T) {
	in := chain.Input{Kind: chain.Voltage, Scale: 1e-3, Interval: 250 * time.Microsecond, Waveform: true}
	c, err := newChannel("i", frame.Current, current(1000, 800, 0.01), current(500, 100, 0.03), nil, nil, in, 50)
	if err != nil {
		t.Fatal(err)
	}
	r := frame.Reading{Value: calib.Value{X: 0.1, U: 0.002}, Indicated: calib.Value{X: 0.1, U: 0.001, Q: calib.Undersampled}}
	c.rescale(&r)
	wantU := math.Sqrt(0.004*0.004 + 0.03*0.03*0.4*0.4/3)
	if c.how != Rescaled || math.Abs(r.Value.X-0.4) > 1e-12 || math.Abs(r.Value.U-wantU) > 1e-12 || r.Value.Q != calib.Undersampled {
		t.Errorf("%s: %+v, want 0.4 A ± %v", c.how, r.Value, wantU)
	}
	// Where there was no reading there is none.
	r = frame.Reading{Value: calib.Value{X: math.NaN(), Q: calib.NoReading}, Indicated: calib.Value{X: math.NaN(), Q: calib.NoReading}}
	if c.rescale(&r); r.Value.Good() || r.Value.Q != calib.NoReading {
		t.Errorf("no reading became %+v", r.Value)
	}
	if c, err = newChannel("i", frame.Current, chain.Spec{Kind: chain.SpecNone}, current(500, 100, 0), nil, nil, in, 50); err != nil || c.how != AsRecorded || c.why == "" {
		t.Errorf("a current without a calibration before: %+v, %v", c, err)
	}
}

// A current measured on the primary side: 3-4-5 in quadrature, twice the burden
// halves the primary current. 10 A recorded are 5 A, less 3 A magnetising 4 A of
// load, over 100 turns 40 mA.
func TestRescalePrimary(t *testing.T) {
	in := chain.Input{Kind: chain.Voltage, Scale: 1e-3, Interval: 250 * time.Microsecond, Waveform: true}
	primary := func(burden, magnetising, turns float64) chain.Spec {
		s := current(100, burden, 0.01)
		s.Params.PrimarySide, s.Params.TurnsRatio, s.Params.Magnetising = true, turns, magnetising
		return s
	}
	c, err := newChannel("i", frame.Current, primary(1, 1, 65), primary(2, 3, 100), nil, nil, in, 50)
	if err != nil {
		t.Fatal(err)
	}
	r := frame.Reading{Value: calib.Value{X: 0.15, U: 0.002}, Indicated: calib.Value{X: 10, U: 0.02}}
	c.rescale(&r)
	if math.Abs(r.Indicated.X-5) > 1e-12 || math.Abs(r.Indicated.U-0.01) > 1e-12 || math.Abs(r.Value.X-0.04) > 1e-12 || !(r.Value.U > 0.0001) {
		t.Errorf("%+v", r)
	}
}

// The gas stored with a frame is what its gauge is corrected for again; without
// it, or while the run had no card, that of phase and card (INFICON BCG450 p.54:
// neon 1.4).
func TestStoredGas(t *testing.T) {
	volts := chain.Input{Kind: chain.Voltage, Scale: 125e-6, Integer: true, Interval: 16 * time.Millisecond}
	spec := chain.Spec{Kind: chain.SpecLinear, Params: chain.Params{Volts2: 1, Pa2: 10, AccuracyFraction: 0.01, GasDependent: true}}
	for _, c := range []struct {
		gas    gauge.Gas
		known  bool
		phase  phase.ID
		factor float64
		want   gauge.Gas
	}{
		{gauge.Neon, true, phase.Bombard, 1.4, gauge.Neon},
		{gauge.Air, true, phase.Fill, 1, gauge.Air},
		{gauge.Mixture, true, phase.Fill, 1.7, gauge.Argon},
		{gauge.Air, false, phase.Fill, 1.7, gauge.Argon},
		{gauge.Air, false, phase.Evacuate, 1, gauge.Air},
		{gauge.Air, false, phase.Bombard, 0.75, gauge.Moist},
	} {
		p, err := newChannel("p", frame.Pressure, spec, spec, nil, nil, volts, 50)
		if err != nil {
			t.Fatal(err)
		}
		conv := &converter{layout: frame.NewLayout(100*time.Millisecond, []frame.Channel{{Name: "p", Role: frame.Pressure}}),
			channels: []channel{p}, cardGas: gauge.Argon}
		f := &frame.Frame{At: time.Second, Gas: c.gas, GasKnown: c.known}
		v := calib.Value{X: 8, U: 0.1}
		f.Readings[0] = frame.Reading{Value: v, Indicated: v, Raw: 6400, Aux: math.NaN(), Samples: 1}
		conv.convert(f, c.phase)
		if got := f.Readings[0].Value.X; math.Abs(got-8*c.factor) > 1e-9 || f.Gas != c.want || !f.GasKnown {
			t.Errorf("%v stored %v, %v: %g Pa in %v; want %g", c.gas, c.known, c.phase, got, f.Gas, 8*c.factor)
		}
	}
}

// Converting a frame allocates nothing.
func TestConvertAllocates(t *testing.T) {
	c, f := fixture(t)
	if n := testing.AllocsPerRun(1000, func() { step(c, f) }); n != 0 {
		t.Errorf("%v allocations a frame", n)
	}
}

func BenchmarkConvert(b *testing.B) {
	c, f := fixture(b)
	b.ReportAllocs()
	for b.Loop() {
		step(c, f)
	}
}

func fixture(t testing.TB) (*converter, *frame.Frame) {
	t.Helper()
	volts := chain.Input{Kind: chain.Voltage, Scale: 125e-6, Integer: true, Interval: 16 * time.Millisecond}
	pirani := func(divider float64) chain.Spec {
		return chain.Spec{Kind: chain.SpecLogLinear, Params: chain.Params{VoltsAt: 6.8, PaAt: 100, VoltsPerDecade: 0.6, Divider: divider, AccuracyFraction: 0.3}}
	}
	wave := chain.Input{Kind: chain.Voltage, Scale: 1e-3, Interval: 250 * time.Microsecond, Waveform: true}
	c := &converter{layout: frame.NewLayout(100*time.Millisecond, []frame.Channel{{Name: "p", Role: frame.Pressure}, {Name: "i", Role: frame.Current}})}
	p, err := newChannel("p", frame.Pressure, pirani(3), pirani(4), nil, nil, volts, 50)
	if err != nil {
		t.Fatal(err)
	}
	i, err := newChannel("i", frame.Current, current(1000, 800, 0.01), current(500, 800, 0.01), nil, nil, wave, 50)
	if err != nil {
		t.Fatal(err)
	}
	c.channels = []channel{p, i}
	return c, new(frame.Frame)
}

func step(c *converter, f *frame.Frame) {
	f.At += 100 * time.Millisecond
	pa := 100 * math.Pow(10, (12000*125e-6*3-6.8)/0.6)
	v, a := calib.Value{X: pa, U: 0.1 * pa}, calib.Value{X: 0.4, U: 0.001}
	f.Readings[0] = frame.Reading{Value: v, Indicated: v, Raw: 12000, Aux: math.NaN(), Samples: 6}
	f.Readings[1] = frame.Reading{Value: a, Indicated: a, Raw: 2048, Aux: math.NaN(), Samples: 400}
	c.convert(f, 0)
}
