package config

import (
	"math"
	"strings"
	"testing"
	"time"

	"tipoff/calib/chain"
	"tipoff/calib/unit"
	"tipoff/drivers/registry"
)

const gaugeBench = `[bench]
name = "b"
mains = "50 Hz"
manifold_volume = "1 L"
[store]
directory = "/x"
[[channel]]
name = "p"
role = "pressure"
driver = "ads1115"
bus = "/dev/i2c-1"
address = "0x48"
input = "ain0"
range = "6.144 V"
[channel.calibration]
`

// The kinds that gauges' data sheets speak of, from the words of bench.toml to a
// pressure. What the signal means is by definition, the mantissa and exponent by
// the row of testdata/physics_checks.csv (2.35 V is 0.073 Torr, Teledyne-Hastings
// 2002: 0.5 V per decade, 1 Torr at 3 V).
func TestGaugeKinds(t *testing.T) {
	for _, c := range []struct {
		keys       string
		volts, pa  float64 // a point
		tolerance  float64
		low, high  float64 // range in Pa
		underVolts float64 // a voltage below the range
	}{
		{`kind = "4-20 mA"
shunt = "250 ohm"
pressure_4ma = "0 Torr"
pressure_20ma = "10 Torr"
shunt_accuracy = "0.1 %"
`, 3, 5 * unit.Torr, 1e-9, -0.25 * unit.Torr, 10.625 * unit.Torr, 0.85},
		{`kind = "ratiometric"
supply = "5 V"
ratio_1 = "10 %"
pressure_1 = "0 Torr"
ratio_2 = "90 %"
pressure_2 = "20 Torr"
under_range = "5 %"
over_range = "95 %"
`, 2.5, 10 * unit.Torr, 1e-9, -1.25 * unit.Torr, 21.25 * unit.Torr, 0.2},
		{`kind = "mantissa-exponent"
volts_at = "3 V"
pressure_at = "1 Torr"
slope = "0.5 V/decade"
under_range = "0.5 V"
over_range = "4.5 V"
`, 2.35, 0.0730 * unit.Torr, 1e-9, 1e-5 * unit.Torr, 1e3 * unit.Torr, 0.4},
	} {
		b, err := Parse("b.toml", []byte(gaugeBench+c.keys), registry.All())
		if err != nil {
			t.Error(err)
			continue
		}
		spec := b.Channels[0].Calibration
		if r := spec.Range(); math.Abs(r.Low-c.low) > 1e-6*math.Abs(c.low) || math.Abs(r.High-c.high) > 1e-6*c.high {
			t.Errorf("%s: range %+v, want %g to %g", c.keys, r, c.low, c.high)
		}
		at := func(volts float64) (chain.Chain, float64, float64) {
			ch, err := chain.New("pressure", spec, chain.Input{Kind: chain.Voltage, Scale: 1}, 50)
			if err != nil {
				t.Fatal(err)
			}
			ch.Push(time.Second, volts, math.NaN(), 0)
			v, _, _ := ch.Take(time.Second)
			return ch, v.X, v.U
		}
		if _, x, _ := at(c.volts); math.Abs(x/c.pa-1) > c.tolerance {
			t.Errorf("%s: %g V is %g Pa, want %g", c.keys, c.volts, x, c.pa)
		}
		if _, x, _ := at(c.underVolts); x == x {
			t.Errorf("%s: %g V is not under range", c.keys, c.underVolts)
		}
		if strings.Contains(c.keys, "shunt_accuracy") {
			// ±0.1 % of 12 mA is 0.012 of the 16 mA that are 10 Torr.
			want := 0.001 * 12 / 16 * 10 * unit.Torr / math.Sqrt(3)
			if _, _, u := at(c.volts); math.Abs(u/want-1) > 1e-9 {
				t.Errorf("the shunt's share is %g Pa, want %g", u, want)
			}
		}
	}
}

// Each mistake in them is one line that names the key and what is allowed.
func TestGaugeKindMistakes(t *testing.T) {
	for _, c := range []struct{ keys, key string }{
		{"kind = \"4-20 mA\"\npressure_4ma = \"0 Torr\"\npressure_20ma = \"10 Torr\"\n", "shunt"},
		{"kind = \"4-20 mA\"\nshunt = \"250 V\"\npressure_4ma = \"0 Torr\"\npressure_20ma = \"10 Torr\"\n", "shunt"},
		{"kind = \"4-20 mA\"\nshunt = \"250 ohm\"\npressure_4ma = \"1 Torr\"\npressure_20ma = \"1 Torr\"\n", "pressure_20ma"},
		{"kind = \"4-20 mA\"\nshunt = \"250 ohm\"\npressure_4ma = \"1 Torr\"\npressure_20ma = \"2 Torr\"\nunder_range = \"22 mA\"\n", "under_range"},
		{"kind = \"4-20 mA\"\nshunt = \"250 ohm\"\npressure_4ma = \"1 Torr\"\npressure_20ma = \"2 Torr\"\nvolts_1 = \"1 V\"\n", "volts_1"},
		{"kind = \"ratiometric\"\nratio_1 = \"10 %\"\npressure_1 = \"0 Torr\"\nratio_2 = \"90 %\"\npressure_2 = \"20 Torr\"\n", "supply"},
		{"kind = \"ratiometric\"\nsupply = \"5 V\"\nratio_1 = \"10 %\"\npressure_1 = \"0 Torr\"\nratio_2 = \"10 %\"\npressure_2 = \"20 Torr\"\n", "ratio_2"},
		{"kind = \"ratiometric\"\nsupply = \"5 V\"\nratio_1 = \"0.5 V\"\npressure_1 = \"0 Torr\"\nratio_2 = \"90 %\"\npressure_2 = \"20 Torr\"\n", "ratio_1"},
		{"kind = \"ratiometric\"\nsupply = \"5 V\"\nratio_1 = \"10 %\"\npressure_1 = \"0 Torr\"\nratio_2 = \"90 %\"\npressure_2 = \"20 Torr\"\nunder_range = \"5 %\"\n", "under_range"},
		{"kind = \"mantissa-exponent\"\nvolts_at = \"3 V\"\npressure_at = \"1 Torr\"\nslope = \"0 V/decade\"\n", "slope"},
	} {
		_, err := Parse("b.toml", []byte(gaugeBench+c.keys), registry.All())
		if err == nil || !strings.Contains(err.Error(), c.key) || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), "allowed") {
			t.Errorf("%q: %v, want a line about %s", c.keys, err, c.key)
		}
	}
}
