package thermocouple

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"os"
	"strconv"
	"testing"
)

const letters = "BEJKNRST"

// Every printed row of the NIST tables (SRD 60) to its last digit.
func TestNISTTables(t *testing.T) {
	f, err := os.Open("../../testdata/its90/its90_table_checks.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, r := range rows[1:] {
		c, err1 := strconv.ParseFloat(r[1], 64)
		want, err2 := strconv.ParseFloat(r[2], 64)
		if err1 != nil || err2 != nil {
			t.Fatal(r, err1, err2)
		}
		got, err := Type(r[0][0]).EMF(c)
		if err != nil || math.Abs(got*1e3-want) > 0.00050001 {
			t.Errorf("type %s at %g °C: %.6f mV (%v), table %.3f mV", r[0], c, got*1e3, err, want)
		}
		n++
	}
	if n != 12026 { // physics.md §1
		t.Errorf("%d rows checked, want 12026", n)
	}
}

func TestCoefficients(t *testing.T) {
	b, err := os.ReadFile("../../testdata/its90/its90_coefficients.json")
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		Types map[string]struct {
			Forward []struct {
				Max float64   `json:"t_max"`
				C   []float64 `json:"c"`
			}
			Inverse []struct {
				Max float64   `json:"E_max"`
				D   []float64 `json:"d"`
			}
		}
	}
	if err := json.Unmarshal(b, &d); err != nil {
		t.Fatal(err)
	}
	if len(d.Types) != len(letters) {
		t.Fatalf("%d types in the file", len(d.Types))
	}
	for name, want := range d.Types {
		f := Type(name[0]).function()
		if len(f.fwd) != len(want.Forward) || len(f.inv) != len(want.Inverse) {
			t.Fatalf("type %s: number of ranges differs", name)
		}
		for i, w := range want.Forward {
			if f.fwd[i].to != w.Max || !equal(f.fwd[i].c, w.C) {
				t.Errorf("type %s: range %d differs", name, i)
			}
		}
		for i, w := range want.Inverse {
			if f.inv[i].to != w.Max || !equal(f.inv[i].d, w.D) {
				t.Errorf("type %s: inverse range %d differs", name, i)
			}
		}
	}
}

func equal(a, b []float64) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// The inverse undoes the function to 1e-6 °C from end to end.
func TestRoundTrip(t *testing.T) {
	for _, l := range letters {
		typ := Type(l)
		lo, hi := typ.function().min, typ.function().max
		if l == 'B' {
			lo = 43
		}
		worst, at, worstS := 0.0, 0.0, 0.0
		const n = 40000
		for i := 0; i <= n; i++ {
			c := lo + (hi-lo)*float64(i)/n
			e, err := typ.EMF(c)
			if err != nil {
				t.Fatalf("%s %g: %v", typ, c, err)
			}
			got, s, err := typ.Solve(e)
			if err != nil {
				t.Fatalf("type %s at %g °C, %g mV: %v", typ, c, e*1e3, err)
			}
			if d := math.Abs(got - c); d > worst {
				worst, at = d, c
			}
			want, _ := typ.Seebeck(c)
			worstS = math.Max(worstS, math.Abs(s/want-1))
		}
		if worst > 1e-6 || worstS > 1e-4 {
			t.Errorf("type %s: worst %.2g °C at %g °C, slope %.2g", typ, worst, at, worstS)
		}
		t.Logf("type %s: worst %.2g °C at %g °C; slope %.2g", typ, worst, at, worstS)
	}
}

// The Seebeck coefficient is the slope of the function.
func TestSeebeck(t *testing.T) {
	for c, want := range map[float64]float64{200: 39.97, 225: 40.28, 250: 40.71, 300: 41.45} { // physics.md §1 (c)
		if s, err := Type('K').Seebeck(c); err != nil || math.Abs(s*1e6-want) > 0.005 {
			t.Errorf("K at %g °C: %g µV/°C, want %g (%v)", c, s*1e6, want, err)
		}
	}
	for _, l := range letters {
		lo, hi := Type(l).function().min, Type(l).function().max
		for c := lo + 1; c < hi-1; c += 7.3 {
			a, _ := Type(l).EMF(c - 0.01)
			b, _ := Type(l).EMF(c + 0.01)
			s, _ := Type(l).Seebeck(c)
			if math.Abs((b-a)/0.02-s) > 2e-9 {
				t.Errorf("type %c at %g: slope %g, difference quotient %g", l, c, s, (b-a)/0.02)
			}
		}
	}
}

// Printed values of other sources: thermibel.be p=3243 at 350 °C and the library
// thermocouple-its90 (physics.md §1, a).
func TestIndependentValues(t *testing.T) {
	for _, w := range []struct {
		typ   Type
		c, mv float64
	}{
		{'B', 350, 0.596}, {'E', 350, 24.964}, {'J', 350, 19.090}, {'K', 350, 14.293}, {'N', 350, 11.136},
		{'R', 350, 2.896}, {'S', 350, 2.786}, {'T', 350, 17.819}, {'K', 300, 12.209}, {'T', -150, -4.648}, {'S', 1400, 14.373},
	} {
		if e, err := w.typ.EMF(w.c); err != nil || math.Abs(e*1e3-w.mv) > 0.00051 {
			t.Errorf("%s at %g °C: %g mV, want %g (%v)", w.typ, w.c, e*1e3, w.mv, err)
		}
	}
}

// junction is the temperature of the measuring junction, °C, when the wires give emf
// volts against a cold junction at cj °C: the EMFs are added, not the temperatures.
func junction(t Type, emf, cj float64) (float64, error) {
	e, err := t.EMF(cj)
	if err != nil {
		return math.NaN(), err
	}
	return t.Temperature(emf + e)
}

// chips.md §2: chip that divides by 41.276 µV/°C, cold junction 25 °C (c).
func TestMAX31855Correction(t *testing.T) {
	for _, w := range [][2]float64{
		{25, 25.000}, {50, 50.220}, {100, 99.993}, {150, 150.531}, {200, 202.128}, {225, 227.837},
		{250, 253.289}, {300, 303.438}, {400, 401.932}, {500, 499.110},
	} {
		got, err := junction('K', Unlinearise(w[0], 25, 41.276e-6), 25)
		if err != nil || math.Abs(got-w[1]) > 0.00051 {
			t.Errorf("reading %g °C: %.4f, want %.3f (%v)", w[0], got, w[1], err)
		}
	}
	// The other way: what the chip reads at a true temperature.
	for _, w := range [][2]float64{{0, 0.767}, {100, 100.007}, {225, 222.230}, {250, 246.754}, {500, 500.919}, {1000, 1000.757}} {
		e, _ := Type('K').EMF(w[0])
		cj, _ := Type('K').EMF(25)
		if got := 25 + (e-cj)/41.276e-6; math.Abs(got-w[1]) > 0.00051 {
			t.Errorf("at %g °C the chip reads %.4f, want %.3f", w[0], got, w[1])
		}
	}
}

func TestErrors(t *testing.T) {
	check := func(what string, err, want error) {
		t.Helper()
		if !errors.Is(err, want) {
			t.Errorf("%s: %v, want %v", what, err, want)
		}
	}
	_, err := Type('K').Temperature(0.060)
	check("K above", err, ErrRange)
	_, err = Type('K').Temperature(-0.007)
	check("K below", err, ErrRange)
	_, err = Type('K').Temperature(math.NaN())
	check("K NaN", err, ErrRange)
	_, err = Type('K').Temperature(math.Inf(1))
	check("K inf", err, ErrRange)
	_, err = Type('J').Temperature(-0.009)
	check("J below", err, ErrRange)
	_, err = Type('R').Temperature(-0.0003)
	check("R below", err, ErrRange)
	_, err = Type('K').EMF(1372.1)
	check("K EMF", err, ErrRange)
	_, err = Type('K').EMF(math.NaN())
	check("K EMF NaN", err, ErrRange)
	_, err = Type('B').Temperature(-0.001e-3)
	check("B ambiguous", err, ErrAmbiguous)
	_, err = Type('B').Temperature(-0.01e-3)
	check("B below", err, ErrRange)
	_, err = Type('X').EMF(20)
	check("type", err, ErrType)
	if _, err := Parse("Q"); err == nil {
		t.Error("type Q accepted")
	}
	if k, err := Parse("k"); err != nil || k != 'K' {
		t.Error(k, err)
	}
}

// physics_checks.csv, topic "tolerance".
func TestTolerance(t *testing.T) {
	f, err := os.Open("../../testdata/physics_checks.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	class := map[string]Class{"IEC 1": IEC1, "IEC 2": IEC2, "ASTM std": ASTMStandard, "ASTM special": ASTMSpecial}
	n := 0
	for _, r := range rows {
		if r[0] != "tolerance" {
			continue
		}
		n++
		in := r[2] // "K IEC 1 225 C"
		var name string
		for k := range class {
			if len(in) > len(k)+2 && in[2:2+len(k)] == k {
				name = k
			}
		}
		c, err := strconv.ParseFloat(in[3+len(name):len(in)-2], 64)
		if err != nil {
			t.Fatal(r, err)
		}
		want, _ := strconv.ParseFloat(r[3], 64)
		if got, err := Type(in[0]).Tolerance(class[name], c); err != nil || math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: %g, want %g (%v)", in, got, want, err)
		}
	}
	if n != 12 {
		t.Errorf("%d tolerance rows", n)
	}
	if _, err := Type('T').Tolerance(IEC1, 400); !errors.Is(err, ErrRange) {
		t.Error("T class 1 ends at 350 °C")
	}
	for c := range classes {
		if got, err := ParseClass(c.String()); err != nil || got != c {
			t.Error(c, got, err)
		}
	}
	if _, err := ParseClass("IEC 9"); err == nil {
		t.Error("IEC 9 accepted")
	}
}

func TestAllocations(t *testing.T) {
	if n := testing.AllocsPerRun(100, func() { sink, _ = junction('K', 8.2e-3, 25) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func FuzzTemperature(f *testing.F) {
	for _, l := range letters {
		f.Add(byte(l), 1e-3)
		f.Add(byte(l), -5e-3)
	}
	f.Add(byte('E'), -9.8350e-3)
	f.Fuzz(func(t *testing.T, l byte, emf float64) {
		c, err := Type(l).Temperature(emf)
		if err != nil {
			return
		}
		e, err := Type(l).EMF(c)
		if err != nil || math.Abs(e-emf) > 1e-10 {
			t.Errorf("type %c: %g V solved as %g °C, which gives %g V (%v)", l, emf, c, e, err)
		}
	})
}

var sink float64

func BenchmarkTemperature(b *testing.B) {
	for _, l := range "KNT" {
		b.Run(string(l), func(b *testing.B) {
			b.ReportAllocs()
			for i := range b.N {
				sink, _ = Type(l).Temperature(float64(i%16000) * 1e-6)
			}
		})
	}
}

// Whatever reads as a type or a class reads again from its own name.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"K", "t", "", "KK", "IEC 1", "astm SPECIAL", "iec 4"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if typ, err := Parse(s); err == nil {
			if again, err := Parse(typ.String()); err != nil || again != typ {
				t.Errorf("%q: type %v, then %v", s, typ, again)
			}
		}
		if c, err := ParseClass(s); err == nil {
			if again, err := ParseClass(c.String()); err != nil || again != c {
				t.Errorf("%q: class %v, then %v", s, c, again)
			}
		}
	})
}
