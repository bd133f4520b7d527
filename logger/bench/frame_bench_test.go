package bench_test

import (
	"math"
	"testing"
	"time"

	"tipoff/calib/chain"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

// BenchmarkDecodeToJournal measures what one frame costs from the raw numbers of
// a glass, two pressure and a current channel (one sample each, as a meter gives
// them; the waveform's samples are in calib/chain's benchmark) to the line in the
// run's buffer: values, uncertainties, qualities.
func BenchmarkDecodeToJournal(b *testing.B) {
	volts := chain.Input{Kind: chain.Voltage, Scale: 125e-6, Integer: true, Interval: 100 * time.Millisecond}
	must := func(role string, s chain.Spec, in chain.Input) chain.Chain {
		c, err := chain.New(role, s, in, 50)
		if err != nil {
			b.Fatal(err)
		}
		return c
	}
	chains := []chain.Chain{
		must("pressure", chain.Spec{Kind: chain.SpecLogLinear, Params: chain.Params{VoltsAt: 5.625, PaAt: 133.322, VoltsPerDecade: 1, Divider: 3, AccuracyFraction: 0.15}}, volts),
		must("pressure", chain.Spec{Kind: chain.SpecLinear, Params: chain.Params{Volts2: 10, Pa2: 2666, Divider: 3, AccuracyFraction: 0.005}}, volts),
		must("glass", chain.Spec{Kind: chain.SpecThermocouple, Params: chain.Params{Class: "IEC 2", Mounting: 8, Lag: 3 * time.Second}},
			chain.Input{Kind: chain.Thermocouple, Scale: 1.0 / 128, AuxScale: 1.0 / 64, Type: 'K', Integer: true, Interval: 100 * time.Millisecond}),
		must("current", chain.Spec{Kind: chain.SpecCurrent, Params: chain.Params{CurrentAccuracy: 0.01}},
			chain.Input{Kind: chain.Number, Unit: "mA", Scale: 1, Interval: 100 * time.Millisecond}),
	}
	l := frame.NewLayout(100*time.Millisecond, []frame.Channel{
		{Name: "manifold", Role: frame.Pressure, Integer: true}, {Name: "fill", Role: frame.Pressure, Integer: true},
		{Name: "glass", Role: frame.Glass, Integer: true, HasAux: true}, {Name: "bombarder", Role: frame.Current},
	})
	w, err := journal.Create(b.TempDir()+"/run", journal.Meta{ID: "run", Started: journal.At(0, time.Unix(1.8e9, 0), true)}, l, journal.Options{Patient: true})
	if err != nil {
		b.Fatal(err)
	}
	defer w.Close()
	raw := [...]float64{9000, 12000, 28000, 400}
	var f frame.Frame
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		f.Seq++
		f.At = time.Duration(i) * 100 * time.Millisecond
		for j, c := range chains {
			x, aux := raw[j]+float64(i%7), math.NaN()
			if j == 2 {
				aux = 1600
			}
			c.Push(f.At, x, aux, 0)
			v, ind, n := c.Take(f.At)
			f.Readings[j] = frame.Reading{Value: v, Indicated: ind, Raw: x, Aux: aux, Samples: int32(n)}
		}
		w.Append(&f, phase.Bombard)
	}
}
