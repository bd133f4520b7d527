package plant

import (
	"math"
	"testing"
	"time"
)

// quiet is a bench whose walls and valves give off nothing, with a tube whose
// walls are bare.
func quiet() Config {
	c := Default()
	b, t := &c.Bench, &c.Tube
	b.Leak, b.Outgassing, b.OilMemory, b.PumpHalf, b.Drift = 0, 0, 0, 0, 0
	b.Ambient = 20
	t.Layers, t.Binder, t.Carbonate, t.Leak = 0, 0, 0, 0
	return c
}

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s: got %.5g, want %.5g within %.2g %%", what, got, want, rel*100)
	}
}

// Closed manifold and tube at different pressures come to V-weighted mean and
// keep each gas to the last digit.
func TestClosedSystemKeepsItsGas(t *testing.T) {
	c := quiet()
	p := New(c, nil)
	g := &p.gas
	p.wall = wall{}
	g.t = [NumSpecies]float64{Air: 4000, Water: 100, Carbon: 30}
	g.m = [NumSpecies]float64{Air: 10, FillGas: 900}
	amount := func(s int) float64 { return g.t[s]*g.vt + g.m[s]*g.vm }
	var before [NumSpecies]float64
	for s := range before {
		before[s] = amount(s)
	}
	p.Advance(time.Minute)
	total := 0.0
	for s := range before {
		if math.Abs(amount(s)-before[s]) > 1e-12*before[s] {
			t.Errorf("%v: %.15g before, %.15g after", Species(s), before[s], amount(s))
		}
		total += before[s]
		if g.t[s] < 0 || g.m[s] < 0 {
			t.Errorf("%v negative", Species(s))
		}
	}
	near(t, "common pressure in the tube", g.pt, total/(g.vt+g.vm), 1e-6)
	near(t, "common pressure in the manifold", g.pm, total/(g.vt+g.vm), 1e-6)
}

// Handbook, item 9: an empty manifold follows p_u + (p0 - p_u) exp(-S t/V).
func TestPumpDown(t *testing.T) {
	c := quiet()
	c.Bench.Stopcock = 1e3 // no restriction
	c.Bench.Ultimate = 5
	p := New(c, Hands(func(_ time.Duration, _ Sight, h *Controls) { h.Sealed, h.Main = true, 1 }))
	b := c.Bench
	for s := 1; s <= 20; s++ {
		at := time.Duration(s) * time.Second / 2
		p.Advance(at)
		want := b.Ultimate + (Atmosphere-b.Ultimate)*math.Exp(-b.PumpSpeed*at.Seconds()/b.Manifold)
		near(t, at.String(), p.State().ManifoldPressure, want, 1e-3)
	}
}

// physics.md 4.3: a closed volume rises by q t/V. Published figure (liwo.com,
// quoted there): 1 mbar l/s lifts 1 l by 1 mbar in 1 s.
func TestRateOfRise(t *testing.T) {
	c := quiet()
	c.Bench.Manifold, c.Bench.Leak = 1e-3, 0.1 // 1 mbar l/s
	p := New(c, Hands(func(_ time.Duration, _ Sight, h *Controls) { h.Sealed = true }))
	p.gas.m = [NumSpecies]float64{}
	p.Advance(time.Second)
	near(t, "after 1 s", p.State().ManifoldPressure, 100, 2e-3)
}

// physics.md 4.7: 5 mm x 100 mm, molecular 0.1515 l/s, viscous 0.843 l/s at a
// mean of 1 mbar (the notes' own computation from the published rule).
func TestTubulation(t *testing.T) {
	p := New(quiet(), nil)
	near(t, "molecular", p.gas.molecular*1e3, 0.1515, 0.01)
	near(t, "viscous at 1 mbar", p.gas.viscous*100*1e3, 0.843, 0.01)
}

// The gauge on the manifold reads lower than the tube while the tube gives off
// gas and the pump is open: by Q/C (handbook, item 2).
func TestGaugeReadsLow(t *testing.T) {
	c := quiet()
	c.Tube.Leak = 1e-4
	p := New(c, Hands(func(_ time.Duration, _ Sight, h *Controls) { h.Main = 1 }))
	p.Advance(90 * time.Second)
	s := p.State()
	mean := (s.TubePressure + s.ManifoldPressure) / 2
	// Knudsen's interpolation, physics.md 4.7 (cm, mbar, l/s).
	d, l, pb := 0.5, 10.0, mean/100
	cond := (135*d*d*d*d*pb/l + 12.1*d*d*d/l*(1+192*d*pb)/(1+237*d*pb)) * 1e-3
	near(t, "pressure difference", s.TubePressure-s.ManifoldPressure, 1e-4/cond, 0.05)
	if s.ManifoldPressure > 0.7*s.TubePressure {
		t.Errorf("manifold %.3g Pa is not well below the tube's %.3g Pa", s.ManifoldPressure, s.TubePressure)
	}
}

// tradeTube has the glass of trade.md §9's model: density 2850, 850 J/(kg K),
// emissivity 0.9; still air 8 W/(m² K).
func tradeTube(od, wall float64) Config {
	c := quiet()
	c.Bench.Ambient = 22
	c.Tube.Density, c.Tube.HeatCap, c.Tube.Emissive = 2850, 850, 0.9
	c.Tube.Outside, c.Tube.Bore, c.Tube.Length = od, od-2*wall, 1
	return c
}

// trade.md §9, table: rise of 15 mm tube with 300 W on a metre: 2.5 °C/s at 30,
// 2.1 at 100, 1.1 at 200 °C; 5.1, 4.7, 3.7 at 600 W.
func TestHeatingRate(t *testing.T) {
	c := tradeTube(15e-3, 1.1e-3)
	p := New(c, nil)
	if m := p.heat.mass; math.Abs(m-116) > 2 {
		t.Fatalf("heat capacity %.1f J/K per m, trade.md says 116", m)
	}
	for _, r := range []struct{ watts, at, want float64 }{
		{300, 30, 2.5}, {300, 100, 2.1}, {300, 200, 1.1}, {600, 30, 5.1}, {600, 100, 4.7}, {600, 200, 3.7},
	} {
		p.heat.wall = r.at
		p.arc.lit, p.arc.current = true, 1
		p.arc.field = r.watts / p.bench.Efficient
		p.heat.step(p)
		rate := (p.heat.wall - r.at) / p.dt
		if math.Abs(rate-r.want) > 0.12 {
			t.Errorf("%v W at %v °C: %.2f °C/s, trade.md says %.1f", r.watts, r.at, rate, r.want)
		}
	}
}

// trade.md §9: bare in still air from 220 °C, 12 mm takes 116 s to 100 °C and
// 342 s to 40 °C (wall 1.0 mm), 25 mm 157 and 460 s (wall 1.3 mm).
func TestCooling(t *testing.T) {
	for _, r := range []struct{ od, wall, to, want float64 }{
		{12e-3, 1.0e-3, 100, 116}, {12e-3, 1.0e-3, 40, 342}, {25e-3, 1.3e-3, 100, 157}, {25e-3, 1.3e-3, 40, 460},
	} {
		p := New(tradeTube(r.od, r.wall), nil)
		p.heat.wall = 220
		for p.heat.wall > r.to {
			p.Advance(p.now + 100*time.Millisecond)
		}
		near(t, "seconds to cool", p.now.Seconds(), r.want, 0.06)
	}
}

// physics.md 7.2: 1 mg of BaCO3 gives 0.0926 Torr l at 20 °C.
func TestCarbonateStoichiometry(t *testing.T) {
	c := quiet()
	c.Tube.Carbonate = 0.5e-6 // two electrodes: 1 mg in all
	p := New(c, nil)
	p.gas.t, p.gas.m = [NumSpecies]float64{}, [NumSpecies]float64{}
	p.hands.Sealed = true
	for range 3000 { // five minutes at 1050 °C
		p.heat.shell = 1050
		p.wall.slow(p, 0.1)
		p.gas.t[Carbon] = 0 // pumped away
		p.gas.m[Carbon] += p.gas.carbonIn * 0.1 / p.gas.vm
	}
	near(t, "CO2 of 1 mg BaCO3, Torr l", p.gas.m[Carbon]*p.gas.vm/Torr*1e3, 0.0926, 0.002)
	if u := p.wall.unconverted(); u > 1e-3 {
		t.Errorf("%.3g of the carbonate left", u)
	}
}

// physics.md 7.2, BaCO3 row: 0.206 Torr at 900 °C, 1.57 at 1000 °C.
func TestCarbonateEquilibrium(t *testing.T) {
	for _, r := range [][2]float64{{800, 0.0185}, {900, 0.206}, {1000, 1.57}, {1100, 8.9}} {
		ba, _ := carbonateEquilibrium(r[0] + zeroCelsius)
		near(t, "Torr over BaCO3", ba/Torr, r[1], 0.02)
	}
	// The reaction stops when the gas stands at equilibrium.
	p := New(Default(), nil)
	p.heat.shell = 850
	p.gas.t = [NumSpecies]float64{Carbon: 20 * Torr}
	before := p.wall.carb
	p.wall.slow(p, 0.1)
	if p.wall.carb != before {
		t.Error("carbonate gives off gas above its equilibrium pressure")
	}
}

// physics.md 5.1, computed row: air 15/365/0.01 at pd 1, 10, 100, 760 Torr cm.
func TestBreakdown(t *testing.T) {
	for _, r := range [][2]float64{{1, 309.7}, {2, 390.0}, {10, 1048.5}, {100, 6310.6}, {760, 35509}} {
		near(t, "breakdown", breakdown(r[0], 1), r[1], 2e-4)
	}
	if !math.IsInf(breakdown(0.01, 1), 1) {
		t.Error("a value left of the curve")
	}
}

// burnAt holds the density of the tube's air at torr and tells whether an arc
// strikes and stays for three seconds.
func burnAt(torr float64) (struck, stays bool, shell float64) {
	c := quiet()
	p := New(c, Hands(func(at time.Duration, _ Sight, h *Controls) {
		h.Bombard, h.Choke = at > time.Second, 0.5
	}))
	for p.Now() < 60*time.Second {
		total := (p.heat.ambient + zeroCelsius) / p.gas.temp // the gauge's pressure, not density
		for i := range p.gas.t {
			p.gas.t[i], p.gas.m[i] = 0, 0
		}
		p.gas.t[Air], p.gas.m[Air] = torr*Torr*total, torr*Torr
		p.Advance(p.Now() + p.step)
		p.heat.wall = 200
		struck = struck || p.arc.lit
	}
	return struck, p.arc.lit && p.arc.current > 0.2, p.heat.shell
}

// Handbook, item 4: too much air, no strike; too little, none either; low
// pressure puts the watts into the shells. Orange is 900 to 1000 °C and more
// (physics.md 7.1).
func TestArcWindowAndShells(t *testing.T) {
	for _, r := range []struct {
		torr         float64
		struck, stay bool
		low, high    float64 // shell, °C
	}{
		{40, false, false, 0, 250},
		{5, true, true, 300, 780},
		{2.5, true, true, 400, 860},
		{0.7, true, true, 900, 1150},
		{0.01, true, false, 0, 2000},
		{0.001, false, false, 0, 250},
	} {
		struck, stays, shell := burnAt(r.torr)
		if struck != r.struck || stays != r.stay {
			t.Errorf("%v Torr: struck %v, stays %v; want %v, %v", r.torr, struck, stays, r.struck, r.stay)
		}
		if shell < r.low || shell > r.high {
			t.Errorf("%v Torr: shells at %.0f °C, want %.0f to %.0f", r.torr, shell, r.low, r.high)
		}
	}
}

// Hot gas: at constant amount the pressure rises when the arc strikes and falls
// back when it stops (handbook, item 2).
func TestPressureJumpsWithTheArc(t *testing.T) {
	p := New(quiet(), Hands(func(at time.Duration, _ Sight, h *Controls) {
		h.Bombard, h.Choke = at > time.Second && at < 4*time.Second, 0.3
	}))
	p.gas.t, p.gas.m = [NumSpecies]float64{Air: 2 * Torr}, [NumSpecies]float64{Air: 2 * Torr}
	p.Advance(900 * time.Millisecond)
	before := p.State().ManifoldPressure
	p.Advance(3900 * time.Millisecond)
	lit := p.State()
	p.Advance(5 * time.Second)
	after := p.State().ManifoldPressure
	if !lit.Lit || lit.ManifoldPressure < 1.1*before || math.Abs(after-before) > 0.02*before {
		t.Errorf("%.1f Pa before, %.1f lit (%v), %.1f after", before, lit.ManifoldPressure, lit.Lit, after)
	}
}

// Every notch shape has an RMS of 1, no mean, and a crest that fits the
// converter: 820 ohm, 1000:1, 1.2 A within Vref/2.
func TestWaveShapes(t *testing.T) {
	for n := range shapes {
		sq, mean, peak := 0.0, 0.0, 0.0
		for _, y := range shapes[n] {
			sq += float64(y * y)
			mean += float64(y)
			peak = max(peak, math.Abs(float64(y)))
		}
		near(t, "rms", math.Sqrt(sq/points), 1, 1e-4)
		if math.Abs(mean/points) > 1e-4 {
			t.Errorf("shape %d has a mean of %g", n, mean/points)
		}
		if peak < 1.42 || peak*1.2*0.82 > 1.65+0.12 {
			t.Errorf("shape %d has a crest of %.2f", n, peak)
		}
	}
}
