package envelope

import (
	"encoding/json"
	"math"
	"os"
	"testing"
)

// Paschen minima: computed from each gas's A, B and gamma in
// testdata/physics_checks.csv; and for air the published 327 V at 0.567 Torr cm
// (literature lists), which the set 15, 365, 0.01 misses by 7 % in voltage and
// by half in pressure times gap, as the lists note too.
func TestPaschenMinima(t *testing.T) {
	tab := loadTables()
	for gas, want := range map[string]struct{ volts, at float64 }{
		"air": {305.3, 0.836}, "nitrogen": {345.5, 1.063}, "neon": {316.5, 2.851}, "argon": {192.0, 1.091}, "helium": {345.0, 4.48},
	} {
		least, at := math.Inf(1), 0.0
		for x := 0.1; x < 20; x += 0.0005 {
			if v := tab.paschen(gas, x*torr/100); v < least {
				least, at = v, x
			}
		}
		near(t, gas+", minimum", least, want.volts, 0.1)
		near(t, gas+", where", at, want.at, 0.006)
		if gas == "air" {
			near(t, "air, published", least, 327, 0.08*327)
		}
	}
	if x := tab.paschen("steam", 1); x == x {
		t.Errorf("a gas that is not in the table breaks down at %v V", x)
	}
}

// Glass points: borosilicate 510 °C (Corning 7740, makers' tables); lead 395 and
// lamp soda-lime 473 °C are common practice, from memory (physics.md 6.1).
func TestGlassPoints(t *testing.T) {
	tab := loadTables()
	for glass, want := range map[string]float64{"borosilicate": 510, "lead": 395, "soda-lime": 473} {
		near(t, glass, tab.glass[glass].strain, want, 0)
	}
	// Makers' figures differ by 10 °C: rectangular, 10/√3.
	near(t, "uncertainty", tab.glass["lead"].strainU, 10/math.Sqrt(3), 0.05)
}

// Carbonate: BaCO3's balance after Basu and Searcy (1976) in Torr, physics.md
// 7.2; and 1 mg of BaCO3 is 0.0926 Torr L of carbon dioxide at 20 °C (molar mass
// 197.34, 62.36 L Torr/(mol K)).
func TestCarbonate(t *testing.T) {
	tab := loadTables()
	for celsius, want := range map[float64]float64{700: 0.0010, 800: 0.0185, 900: 0.206, 1000: 1.57} {
		near(t, "balance", tab.carbonDioxide(celsius)/torr, want, 0.03*want)
	}
	near(t, "1 mg, Torr L", tab.coatingGas(1e-6)*1000/torr, 0.0926, 0.0001)
}

// Flushes: by hand after the handbook's item 11, (p_b/p_f)ⁿ. 10 micron before a 9
// Torr fill are 1111 ppm; a flush to 5 Torr leaves 1 part in 500 of them, 2.2 ppm.
// 3 micron before it are 333 ppm and need none.
func TestFlushes(t *testing.T) {
	e := Compute(neon15(), true, Bench{})
	f, _ := e.Fact("flushes")
	near(t, "flushes", f.Value, 1, 0)
	share, _ := e.Fact("flush-share")
	near(t, "what one leaves", share.Value, 1.0/500, 1e-9)
	for _, c := range []struct{ base, want float64 }{{3, 333.3e-6}, {10, 1111e-6}} {
		g := oldGas{up: true, low: c.base * micron, share: 1}
		x, _, _ := g.left(9 * torr)
		near(t, "without a flush", x, c.want, 1e-6)
		g.share = c.base * micron / (5 * torr)
		x, _, _ = g.left(9 * torr)
		near(t, "with one", x, c.want*c.base/5000, 1e-9)
	}
	// 1 micron/min for 5 minutes in a 10 Torr fill: 500 ppm (handbook item 12).
	g := oldGas{up: true, low: 5 * micron, share: 1}
	x, _, _ := g.left(10 * torr)
	near(t, "5 micron in 10 Torr", x, 500e-6, 1e-9)
}

// The heat balance of a shell against scipy's solve_ivp (testdata/shell.py).
func TestShellAgainstScipy(t *testing.T) {
	data, err := os.ReadFile("testdata/shell.json")
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Cases []struct {
			Area, Mass, Amps, Torr, Glass float64
			Seconds                       *float64
		}
	}
	if err := json.Unmarshal(data, &ref); err != nil || len(ref.Cases) < 5 {
		t.Fatalf("%d cases: %v", len(ref.Cases), err)
	}
	card := neon15()
	for _, c := range ref.Cases {
		card.Electrode.ShellArea, card.Electrode.ShellMass = c.Area, c.Mass
		s := shellOf(loadTables(), &card.Electrode, true)
		got := s.warming(c.Amps, c.Torr, c.Glass)
		if c.Seconds == nil {
			if !math.IsInf(got, 1) {
				t.Errorf("%+v: bright after %v s, scipy has never", c, got)
			}
			continue
		}
		near(t, "seconds to bright", got, *c.Seconds, 2e-3**c.Seconds)
	}
}

// The stall rate against trade.md 9's model (h 8, emissivity 0.9, 2850 kg/m³ and
// 850 J/(kg K)): a 12 mm tube at 300 W/m rises by 3.0 °C/s at 100 °C and 2.0 at
// 200, so 1.0 °C/s at 100 °C is what only just gets to 200.
func TestStallRate(t *testing.T) {
	g, a := glassRow{density: 2850, heat: 850}, airOf(loadTables(), Learned{}) // 8 and 0.88
	near(t, "stall rate", a.stallRate(perArea(g, 0.012, 0.010), 100, 200, 22), 1.0, 0.06)
}

// The column's field obeys E/N = f(N d) (handbook, bench as equations 4): a tube
// of half the bore at twice the pressure has twice the field. It is 40 V/cm at 5
// Torr in 13 mm, some tens as the handbook has it.
func TestHoldPressure(t *testing.T) {
	tab := loadTables()
	volts := func(field float64) float64 { return (field*100*1.5 + 500) / 0.6 } // over 1.5 m
	p, u := tab.holdPressure(volts(40), 1.5, 0.013)
	near(t, "40 V/cm holds, Torr", p/torr, 5, 0.05)
	if !(u > 0.2*p) {
		t.Errorf("± %v: too sure of a field that is from memory", u/p)
	}
	half, _ := tab.holdPressure(volts(80), 1.5, 0.0065)
	near(t, "similarity", half/p, 2, 1e-9)
}
