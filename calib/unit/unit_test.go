package unit

import (
	"errors"
	"math"
	"strings"
	"testing"
)

// The right-hand sides are worked by hand from the definitions of the units:
// Torr = 101325/760 Pa, inch = 25.4 mm, °C = (°F-32)/1.8 = K-273.15, mbar = 100 Pa.
func TestParse(t *testing.T) {
	for _, c := range []struct {
		in   string
		dim  Dimension
		want float64
	}{
		{"15 mm", Length, 0.015},
		{"1.2 m", Length, 1.2},
		{"1 in", Length, 0.0254},
		{"0.8 L", Volume, 0.0008},
		{"60 mA", Current, 0.06},
		{"4.1 mA", Current, 0.0041},
		{"760 Torr", Pressure, 101325},
		{"9 Torr", Pressure, 911925.0 / 760},
		{"5 micron", Pressure, 506.625 / 760},
		{"5 mTorr", Pressure, 506.625 / 760},
		{"2 mbar", Pressure, 200},
		{"230 C", Temperature, 230},
		{"230 °C", Temperature, 230},
		{"446 F", Temperature, 230},
		{"-40 °F", Temperature, -40},
		{"503.15 K", Temperature, 230},
		{"0 K", Temperature, -273.15},
		{"-459.67 F", Temperature, -273.15},
		{"9 F", TempDifference, 5},
		{"9 K", TempDifference, 9},
		{"2 °C/s", TempRate, 2},
		{"50 Hz", Frequency, 50},
		{"100 ms", Duration, 0.1},
		{"2 min", Duration, 120},
		{"1.5 L/s", VolumeRate, 0.0015},
		{"3.6 m3/h", VolumeRate, 0.001},
		{"15 kV", Voltage, 15000},
		{"3.3 V", Voltage, 3.3},
		{"6 g", Mass, 0.006},
		{"15 mg", Mass, 15e-6},
		{"20 cm2", Area, 0.002},
		{"20 cm²", Area, 0.002},
		{"1000:1", Ratio, 1000},
		{"90 %", Ratio, 0.9},
		{"0.9", Ratio, 0.9},
		{"0.9 ohm", Resistance, 0.9},
		{"1 V/decade", VoltPerDecade, 1},
		{"1 micron/min", PressureRate, 101325.0 / 760 / 60000},
		{"1 Torr/V", PressurePerVolt, 101325.0 / 760},
		{" 15mm ", Length, 0.015},
		{"1.5e1 mm", Length, 0.015},
		{"−5 °C", Temperature, -5},
	} {
		got, err := Parse(c.in, c.dim)
		if err != nil {
			t.Errorf("Parse(%q, %v): %v", c.in, c.dim, err)
			continue
		}
		if math.Abs(got-c.want) > 2.3e-16*math.Abs(c.want) {
			t.Errorf("Parse(%q, %v) = %v, want %v", c.in, c.dim, got, c.want)
		}
	}
}

func TestParseErrors(t *testing.T) {
	for _, c := range []struct {
		in   string
		dim  Dimension
		want string // part of the message
	}{
		{"15", Length, `found "15" (no unit); allowed: a length in mm, cm, m, in or µm`},
		{"", Length, "not a number with a unit"},
		{"mm", Length, "not a number"},
		{"NaN mm", Length, "not a number"},
		{"inf mm", Length, "not a number"},
		{"0x10 mm", Length, `unknown unit "x10 mm"`},
		{"1e999 mm", Length, "too large"},
		{"1,5 mm", Length, "decimals are written with a point"},
		{"5 micron", Length, `"micron" is a unit of pressure`},
		{"5 mA", Pressure, `"mA" is a unit of current`},
		{"5 TORR", Pressure, `unknown unit "TORR"`},
		{"-1 K", Temperature, "below absolute zero"},
		{"5 blah", Ratio, `a ratio as "0.9"`},
		{"5 m", Area, "an area in cm2"},
		{"1 mm", 0, "is a unit of length"},
	} {
		_, err := Parse(c.in, c.dim)
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("Parse(%q, %v): error %v, want an *Error", c.in, c.dim, err)
		} else if !strings.Contains(e.Error(), c.want) {
			t.Errorf("Parse(%q, %v): %q lacks %q", c.in, c.dim, e, c.want)
		}
	}
}

func TestFormat(t *testing.T) {
	for _, c := range []struct {
		v    float64
		dim  Dimension
		want string
	}{
		{0.015, Length, "15 mm"},
		{1.8, Length, "1.8 m"},
		{911925.0 / 760, Pressure, "9 Torr"},
		{101325, Pressure, "760 Torr"},
		{5 * Micron, Pressure, "5 micron"},
		{0.06, Current, "60 mA"},
		{0.0625, Current, "62.5 mA"},
		{1.2, Current, "1.2 A"},
		{229.6, Temperature, "230 °C"},
		{-0.2, Temperature, "0 °C"},
		{15000, Voltage, "15 kV"},
		{0.0008, Volume, "0.8 L"},
		{0.0015, VolumeRate, "1.5 L/s"},
		{0.002, Area, "20 cm2"},
		{15e-6, Mass, "15 mg"},
		{0.9, Ratio, "0.9"},
		{2, TempRate, "2 °C/s"},
		{9.996, TempRate, "10 °C/s"},
		{0.1, Duration, "100 ms"},
		{7200, Duration, "2 h"},
		{0, Current, "0 mA"},
		{math.NaN(), Current, "—"},
	} {
		if got := Format(c.v, c.dim); got != c.want {
			t.Errorf("Format(%v, %v) = %q, want %q", c.v, c.dim, got, c.want)
		}
	}
}

func TestExactRoundTrip(t *testing.T) {
	if got := Exact(9*Torr, Pressure); got != "9 Torr" {
		t.Errorf("Exact(9 Torr) = %q", got)
	}
	values := []float64{0, 1, 0.015, 1.8, 0.1, 1.0 / 3, math.Pi, 1e-6, 123456.789, 9 * Torr, math.MaxFloat64 / 1e9, 1e-300}
	for d := Dimension(1); d < dimensions; d++ {
		for _, v := range values {
			s := Exact(v, d)
			got, err := Parse(s, d)
			if err != nil || got != v {
				t.Errorf("Parse(Exact(%v, %v) = %q) = %v, %v", v, d, s, got, err)
			}
		}
	}
}

// Each unit that a message offers can be read, and each base unit is one.
func TestOfferedUnitsParse(t *testing.T) {
	for d := Dimension(1); d < dimensions; d++ {
		for _, u := range table[d].defs {
			for name := range strings.SplitSeq(u.names, " ") {
				if _, err := Parse("300 "+name, d); err != nil {
					t.Errorf("300 %s as %v: %v", name, d, err)
				}
			}
		}
		if v, err := Parse("300 "+d.Base(), d); err != nil || v != 300 {
			t.Errorf("300 %s as %v = %v, %v", d.Base(), d, v, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"15 mm", "9 Torr", "446 F", "1e999 V", "-1 K", "1000:1", "5 °C/s", "1,5 mm", "−3 mA", "\xff m"} {
		for d := uint8(0); d < 6; d++ {
			f.Add(s, d*3)
		}
	}
	f.Fuzz(func(t *testing.T, s string, dim uint8) {
		d := Dimension(dim)
		v, err := Parse(s, d)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || e.Found != s || e.Allowed == "" {
				t.Fatalf("Parse(%q, %v): unhelpful error %v", s, d, err)
			}
			return
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("Parse(%q, %v) = %v", s, d, v)
		}
		back, err := Parse(Exact(v, d), d)
		if err != nil || back != v {
			t.Fatalf("Parse(Exact(%v, %v) = %q) = %v, %v", v, d, Exact(v, d), back, err)
		}
		Format(v, d)
	})
}
