package gauge

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"tipoff/calib"
	"tipoff/calib/unit"
)

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s: %.9g, want %.9g", what, got, want)
	}
}

// Every vacuum row of testdata/physics_checks.csv that speaks of a gauge.
func TestCheckRows(t *testing.T) {
	f, err := os.Open("../../testdata/physics_checks.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, r := range rows {
		want, _ := strconv.ParseFloat(r[3], 64)
		switch {
		case r[1] == "Pirani factor p=C*indicated":
			g, err := ParseGas(strings.Split(r[2], ";")[0])
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range []float64{1, 10, 100} {
				c := g.Correct(p)
				near(t, r[2], c.Factor, want, 1e-12)
				if c.Q != 0 {
					t.Errorf("%s at %g Pa: %v", g, p, c.Q)
				}
			}
		case strings.HasPrefix(r[1], "log gauge 0.6 V/decade"):
			u, err := strconv.ParseFloat(strings.Fields(r[2][2:])[0], 64)
			if err != nil {
				t.Fatal(r, err)
			}
			p, _ := LogLinear{Volts: 6.8, Pa: 100, VoltsPerDecade: 0.6}.Pressure(u)
			near(t, r[1]+r[2], p, want*100, 1e-9)
		case r[1] == "linear diaphragm gauge": // 6 V of 10 V, 10 Torr full scale
			l, err := NewLinear(0, 0, 10, 10*unit.Torr)
			if err != nil {
				t.Fatal(err)
			}
			p, s := l.Pressure(6)
			near(t, r[1], p, want*unit.Torr, 1e-12)
			near(t, "slope", s, unit.Torr, 1e-12)
		case r[1] == "mantissa/exponent output":
			m := MantissaExponent{Volts: 0, Pa: 1e-6 * unit.Torr, VoltsPerDecade: 0.5}
			p, _ := m.Pressure(2.35)
			near(t, "back", m.Output(p), 2.35, 1e-9)
			near(t, r[1], p, want*unit.Torr, 1e-6)
		case r[1] == "DBP column per Torr":
			near(t, r[1], DibutylPhthalate().Height(unit.Torr, 20)*1000, want, 1e-4)
		default:
			continue
		}
		n++
	}
	if n != 10+9+3 {
		t.Errorf("%d rows checked", n)
	}
}

// The other units of the FRG-700's table (Varian manual p.26): c = 5.6 V for Pa,
// 6.875 V for Torr; and TPR 271's 1 V per decade.
func TestLogLinearUnits(t *testing.T) {
	p, _ := LogLinear{Volts: 5.6, Pa: 1, VoltsPerDecade: 0.6}.Pressure(6.8)
	near(t, "Pa", p, 100, 1e-9)
	p, _ = LogLinear{Volts: 6.875, Pa: unit.Torr, VoltsPerDecade: 0.6}.Pressure(6.8)
	near(t, "Torr", p, 100, 2e-3) // 6.875 is rounded
	// 10 mV is 2.3 % at 1 V per decade, 3.9 % at 0.6 V (physics.md §4.2, c).
	for v, want := range map[float64]float64{1: 0.023, 0.6: 0.0384} {
		p, s := LogLinear{Volts: 5, Pa: 3, VoltsPerDecade: v}.Pressure(4)
		near(t, "10 mV", s*0.01/p, want, 0.005)
	}
}

// physics.md §4.6 (c), density 1046.5: mm per Torr at five temperatures.
func TestUTube(t *testing.T) {
	o := DibutylPhthalate()
	for c, mm := range map[float64]float64{15: 12.938, 20: 12.991, 25: 13.044, 30: 13.098, 35: 13.153} {
		near(t, "mm per Torr", o.Height(unit.Torr, c)*1000, mm, 5e-5)
		col := o.Pressure(mm/1000, c)
		near(t, "Torr", col.Pa, unit.Torr, 5e-5)
		d := 1e-3
		near(t, "per °C", col.PerDegree, (o.Pressure(mm/1000, c+d).Pa-o.Pressure(mm/1000, c-d).Pa)/(2*d), 1e-6)
		near(t, "per m", col.PerMetre, col.Pa/(mm/1000), 1e-12)
		p := Oil{o.Density + 1, o.Expansion}.Pressure(mm/1000, c).Pa - col.Pa
		near(t, "per kg/m³", col.PerKgM3, p, 1e-9)
	}
	// Meniscus 0.5 mm = 38 mTorr.
	near(t, "meniscus", o.Pressure(0.0005, 20).Pa/unit.Torr, 0.0385, 0.01)
}

func TestTable(t *testing.T) {
	// Rows of the FRG-700: an exact exponential, so the curve must be it.
	var rows [][2]float64
	for _, u := range []float64{2, 4.4, 5, 5.6, 6.2, 6.8, 7.4, 8, 8.6} {
		rows = append(rows, [2]float64{u, 100 * math.Pow(10, (u-6.8)/0.6)})
	}
	tab, err := NewTable(rows)
	if err != nil {
		t.Fatal(err)
	}
	for u := 1.9; u < 8.8; u += 0.013 {
		p, s := tab.Pressure(u)
		want := 100 * math.Pow(10, (u-6.8)/0.6)
		near(t, "table", p, want, 1e-9)
		near(t, "table slope", s, want*math.Ln10/0.6, 1e-6)
	}
	// A power law over positive volts is straight in log-log.
	tab, err = NewTable([][2]float64{{0.1, 0.01}, {0.5, 0.25}, {1, 1}, {3, 9}, {10, 100}})
	if err != nil {
		t.Fatal(err)
	}
	p, s := tab.Pressure(2)
	near(t, "square law", p, 4, 1e-9)
	near(t, "square law slope", s, 4, 1e-9)
	if p, _ := tab.Pressure(-1); p != 0 {
		t.Error(p)
	}
	// A knee (type of a Pirani): through its rows, monotone between them.
	knee := [][2]float64{{0.37, 0.1}, {0.4, 1}, {0.55, 10}, {1.6, 100}, {4, 1000}, {5.2, 1e4}, {5.5, 1e5}}
	if tab, err = NewTable(knee); err != nil {
		t.Fatal(err)
	}
	for _, r := range knee {
		p, _ := tab.Pressure(r[0])
		near(t, "row", p, r[1], 1e-9)
	}
	last := 0.0
	for u := 0.3; u < 5.6; u += 0.001 {
		p, s := tab.Pressure(u)
		if p <= last || s <= 0 {
			t.Fatalf("not monotone at %g V: %g after %g", u, p, last)
		}
		last = p
	}
	for _, bad := range [][][2]float64{{{1, 1}}, {{1, 1}, {1, 2}}, {{1, 1}, {2, 0}}, {{1, 1}, {2, 2}, {3, 1}}, {{math.NaN(), 1}, {2, 2}}} {
		if _, err := NewTable(bad); err == nil {
			t.Errorf("%v accepted", bad)
		}
	}
}

// FRG-700 (Varian manual p.26): 0.5..1.82 V under-range, 8.6..9.5 V over-range.
func TestBounds(t *testing.T) {
	b := Bounds{1.82, 8.6}
	for v, want := range map[float64]calib.Quality{1.5: calib.UnderRange, 1.82: 0, 8.6: 0, 9: calib.OverRange, math.NaN(): calib.UnderRange} {
		if got := b.Check(v, false); got != want {
			t.Errorf("%g V: %v, want %v", v, got, want)
		}
	}
	if b.Check(9, true) != calib.UnderRange || (Bounds{}).Check(-5, false) != 0 {
		t.Error("falling or absent bounds")
	}
}

func TestGasOutsideRange(t *testing.T) {
	in, above, never := Argon.Correct(50), Argon.Correct(300), Argon.Correct(2000)
	if in.Q != 0 || above.Q != calib.Correcting || never.Q != calib.Correcting || never.U != 1 {
		t.Error(in, above, never)
	}
	if !(above.U > 2*in.U && never.U > above.U && Argon.Correct(0.1).U > in.U) {
		t.Error("uncertainty does not grow", in, above, never)
	}
	if a, b := Argon.Correct(100).U, Argon.Correct(100.001).U; math.Abs(a-b) > 1e-4 {
		t.Error("uncertainty steps at the end of the range", a, b)
	}
	if Air.Correct(1e5) != (Correction{Factor: 1}) || Mixture.Correct(10).Q != calib.Correcting {
		t.Error("air or mixture")
	}
	// Moist: from water vapour's factor to air's, all within its half-width (INFICON
	// BCG450 p.54: 0.5 and 1).
	if m := Moist.Correct(10); m.Q != 0 || math.Abs(m.Factor-m.Factor*m.U*math.Sqrt(3)-0.5) > 1e-9 || math.Abs(m.Factor+m.Factor*m.U*math.Sqrt(3)-1) > 1e-9 {
		t.Errorf("moist air: %+v", m)
	}
	for g := range gases {
		if got, ok := GasOf([]byte(g.Symbol())); !ok || got != g {
			t.Error(g, got)
		}
		if got, err := ParseGas(g.String()); err != nil || got != g {
			t.Error(g, got, err)
		}
	}
	if _, err := ParseGas("phlogiston"); err == nil {
		t.Error("accepted")
	}
}

// A gauge has its full weight within its range, none at its ends, and no step
// anywhere.
func TestRangeWeight(t *testing.T) {
	for _, r := range []Range{{0.1, 1000}, {0, 1333}, {-20, 1333}} {
		last := r.Weight(r.Low)
		if last != 0 || r.Weight(r.High) != 0 || r.Weight(2*r.High) != 0 || r.Weight(math.NaN()) != 0 {
			t.Errorf("%+v: %g at the bottom, %g at the top", r, last, r.Weight(r.High))
		}
		if w := r.Weight(r.High / 2); w != 1 {
			t.Errorf("%+v: %g in the middle", r, w)
		}
		for i := range 100001 {
			p := r.Low + (r.High-r.Low)*math.Pow(float64(i)/1e5, 3)
			w := r.Weight(p)
			if math.Abs(w-last) > 0.01 && p > 1.01*r.Low {
				t.Fatalf("%+v: from %g to %g at %g Pa", r, last, w, p)
			}
			last = w
		}
	}
	if (Range{}).Weight(5) != 1 {
		t.Error("a range that is not known")
	}
}

func TestAllocations(t *testing.T) {
	tab, _ := NewTable([][2]float64{{0.1, 1}, {1, 10}, {2, 1000}})
	c := []Characteristic{Linear{0, 0, 3}, LogLinear{6.8, 100, 0.6}, tab, MantissaExponent{0, 1e-6 * unit.Torr, 0.5}}
	if n := testing.AllocsPerRun(100, func() {
		for _, c := range c {
			sink, _ = c.Pressure(0.7)
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

var sink float64

func BenchmarkTable(b *testing.B) {
	tab, _ := NewTable([][2]float64{{0.37, 0.1}, {0.4, 1}, {0.55, 10}, {1.6, 100}, {4, 1000}})
	b.ReportAllocs()
	for i := range b.N {
		sink, _ = tab.Pressure(0.4 + float64(i%1000)*0.003)
	}
}

// Whatever reads as a gas reads again from its own name.
func FuzzParseGas(f *testing.F) {
	for _, s := range []string{"neon", "Ar", " CO2 ", "water vapour", "", "gas 3"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		g, err := ParseGas(s)
		if err != nil {
			return
		}
		if again, err := ParseGas(g.String()); err != nil || again != g {
			t.Errorf("%q: %v, then %v (%v)", s, g, again, err)
		}
	})
}
