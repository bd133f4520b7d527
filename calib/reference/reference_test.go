package reference

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"tipoff/calib/unit"
)

// rows are the checks on a topic from the handbook's check file.
func rows(t *testing.T, topic string) [][]string {
	t.Helper()
	f, err := os.Open("testdata/physics_checks.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]string
	for _, r := range all {
		if r[0] == topic {
			out = append(out, r)
		}
	}
	if len(out) == 0 {
		t.Fatalf("no rows on %q", topic)
	}
	return out
}

// TestWater goes through the handbook's rows on water. The rows of IF97 are
// another formula: physics.md §8.1 says that Wagner and Pruss differ from it by
// less than 0.013 % in pressure, which near 500 K is 0.008 °C.
func TestWater(t *testing.T) {
	seen := 0
	for _, r := range rows(t, "water") {
		var want, x float64
		if _, err := fmt.Sscan(r[3], &want); err != nil {
			t.Fatalf("%v: %v", r, err)
		}
		if _, err := fmt.Sscan(r[2], &x); err != nil {
			t.Fatalf("%v: %v", r, err)
		}
		var got, tolerance float64
		var err error
		switch {
		case r[1] == "boiling point":
			got, _, err = BoilingPoint(x * 100)
			tolerance = 0.002
		case strings.Contains(r[1], "psat"):
			got, _ = saturation(x - 273.15)
			tolerance = want * 1.3e-4
		case strings.Contains(r[1], "Tsat"):
			got, _, err = BoilingPoint(x * 1e6)
			got += 273.15
			tolerance = 0.008
		default:
			continue
		}
		seen++
		if err != nil || math.Abs(got-want) > tolerance {
			t.Errorf("%s at %s: %v (%v); want %v ± %v", r[1], r[2], got, err, want, tolerance)
		}
	}
	if seen != 16 {
		t.Errorf("%d rows seen, want 16", seen)
	}
}

// saturation is the vapour pressure of water in Pa at c °C and its derivative in
// Pa/°C by the formula that BoilingPoint inverts.
func saturation(c float64) (pa, perDegree float64) {
	ln, slope := lnPressure(c + zeroK)
	pa = criticalPa * math.Exp(ln)
	return pa, pa * slope
}

// The inverse undoes the formula, and the derivatives are those of differences.
func TestWaterInverse(t *testing.T) {
	for c := 0.02; c < 370; c += 3.7 {
		p, dp := saturation(c)
		back, dc, err := BoilingPoint(p)
		if err != nil || math.Abs(back-c) > 1e-7 {
			t.Errorf("%v °C comes back as %v (%v)", c, back, err)
		}
		if math.Abs(dp*dc-1) > 1e-6 {
			t.Errorf("at %v °C the derivatives' product is %v", c, dp*dc)
		}
		hi, _ := saturation(c + 1e-4)
		if d := (hi - p) / 1e-4; math.Abs(d/dp-1) > 1e-4 {
			t.Errorf("at %v °C the derivative is %v, the difference says %v", c, dp, d)
		}
	}
}

// TestStandardAtmosphere compares with rows of ISO 2533:1975, table 5 (from memory).
func TestStandardAtmosphere(t *testing.T) {
	for h, want := range map[float64]float64{-500: 107477.5, 0: 101325, 1000: 89874.6, 2000: 79495.2, 5000: 54019.9, 11000: 22632.0} {
		got, err := StandardPressure(h)
		if err != nil || math.Abs(got/want-1) > 1e-5 {
			t.Errorf("at %v m: %v Pa (%v); want %v", h, got, err, want)
		}
	}
}

// TestUTube uses the handbook's row (physics_checks.csv, "DBP column per Torr")
// and its values at other temperatures (physics.md §4.6).
func TestUTube(t *testing.T) {
	for _, r := range []struct{ oil, mm float64 }{{20, 12.991}, {15, 12.938}, {25, 13.044}, {30, 13.098}, {35, 13.153}} {
		p, err := UTube(r.mm*10e-3, r.oil, Point{})
		if err != nil || math.Abs(p.X/unit.Torr-10) > 10*0.0005/13 {
			t.Errorf("%v mm at %v °C: %v Torr (%v); want 10", r.mm*10, r.oil, p.X/unit.Torr, err)
		}
	}
	p, err := UTube(0.13, 20, Point{X: 101325, U: 115})
	if want := 101325 - 1046.5*9.80665*0.13; err != nil || math.Abs(p.X-want) > 1e-6 {
		t.Errorf("against the room: %v (%v); want %v", p.X, err, want)
	}
	if p.U < 115 || p.U > 116 {
		t.Errorf("against the room u = %v; want that of the barometer and a little", p.U)
	}
}

func TestPoints(t *testing.T) {
	room, err := Barometer(101325)
	if err != nil {
		t.Fatal(err)
	}
	b, err := Boiling(room)
	// 200 Pa of barometer are 0.055 °C (physics.md §8.1: 0.368 °C from 1000 to 1013.25 hPa).
	if want := math.Hypot(0.2, 0.0555) / math.Sqrt(3); err != nil || math.Abs(b.X-99.974) > 0.001 || math.Abs(b.U-want) > 0.002 {
		t.Errorf("boiling point %+v (%v); want 99.974 with u %v", b, err, want)
	}
	high, err := Altitude(350)
	if err != nil {
		t.Fatal(err)
	}
	a, err := Boiling(high)
	if err != nil || !(a.X > 98.7 && a.X < 98.9) || a.U < 4*b.U {
		t.Errorf("boiling at 350 m: %+v (%v); want about 98.8 and a large u", a, err)
	}
	if i := Ice(); i.X != 0 || i.U <= 0 {
		t.Errorf("ice point %+v", i)
	}
}

func TestRefuses(t *testing.T) {
	nan := math.NaN()
	for name, f := range map[string]func() error{
		"sea level in Torr": func() error { _, err := Barometer(760); return err },
		"no barometer":      func() error { _, err := Barometer(nan); return err },
		"space":             func() error { _, err := Altitude(20000); return err },
		"mountain":          func() error { _, err := Altitude(9000); return err },
		"no altitude":       func() error { _, err := StandardPressure(nan); return err },
		"no height":         func() error { _, err := UTube(nan, 20, Point{}); return err },
		"hot oil":           func() error { _, err := UTube(0.1, 90, Point{}); return err },
		"below zero":        func() error { _, err := UTube(11, 20, Point{X: 101325}); return err },
		"vacuum":            func() error { _, _, err := BoilingPoint(1); return err },
		"boiling in space":  func() error { _, err := Boiling(Point{X: 2}); return err },
	} {
		if f() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
