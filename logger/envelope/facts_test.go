package envelope

import (
	"math"
	"strings"
	"testing"

	"tipoff/logger/tube"
)

// full is a card that says everything.
func full() tube.Card {
	c := neon15()
	c.Electrode.ShellArea, c.Electrode.ShellMass, c.Electrode.Coating = 13e-4, 3.9e-3, 15e-6
	return c
}

// With a card and a bench that say everything nothing is unknown, and each has
// its uncertainty, or is exact as it is set.
func TestFactsOfAFullCard(t *testing.T) {
	e := Compute(full(), true, Bench{ManifoldVolume: 0.5e-3, OpenCircuit: 12e3})
	for _, l := range e.Limits {
		low, high := l.Doubt()
		if l.Unknown != "" || l.Formula == "" || l.Low == l.Low && !(low > 0) || l.High == l.High && !(high > 0) {
			t.Errorf("%+v", l)
		}
	}
	for _, f := range e.Facts {
		if f.Unknown != "" || !(f.Value > 0) || f.ID != "flushes" && !(f.U > 0) || f.Basis == "" || f.Formula == "" || f.Source == "" ||
			!strings.HasSuffix(f.Reason, ".") || strings.Contains(strings.TrimSuffix(f.Reason, "."), ". ") {
			t.Errorf("%+v", f)
		}
		if strings.Contains(f.Said(), "NaN") || strings.Contains(f.Said(), "not known") {
			t.Errorf("%s: %q", f.ID, f.Said())
		}
	}
	value := func(id string) Fact {
		f, ok := e.Fact(id)
		if !ok {
			t.Fatal(id)
		}
		return f
	}
	// trade.md 5: 129 mL a metre of 15 mm; 9: 116 J/K at 2850 kg/m³ and 850 J/(kg
	// K), here 2470 and 820. The bore is known to √((0.2)² + (2 · 0.1)²)/√3 =
	// 0.163 mm of 12.8, so the volume to 2.6 %.
	v := value("gas-volume")
	near(t, "volume, mL", v.Value*1e6, 1.2*129, 1)
	near(t, "its uncertainty, %", 100*v.U/v.Value, 2.6, 0.1)
	near(t, "heat capacity", value("heat-capacity").Value, 1.2*116*2470*820/(2850*850), 1)
	near(t, "mass, g", value("glass-mass").Value*1000, 1.2*116*2470/2850/0.85, 1)
	near(t, "area, cm²", value("wall-area").Value*1e4, 1.2*471.239, 0.1)
	// 0.0926 Torr L a mg (physics.md 7.2), 15 mg on each of two electrodes.
	near(t, "coating gas, Torr L", value("coating-gas").Value*1000/torr, 30*0.0926, 0.01)
	// 9 Torr at 20 °C read 9.06 at 22 °C.
	near(t, "gauge, Torr", value("fill-gauge").Value/torr, 9*295.15/293.15, 1e-6)
	// 500 ppm of 9 Torr in 300 s is 0.9 micron/min, in 0.654 L 9.8e-6 Torr L/s.
	near(t, "leak", value("leak-allowed").Value*1000/torr, 0.9e-3/60*(0.5+0.15442), 1e-8)
}

// A card with gaps: for each field that is missing, what cannot be known says
// why, and all else is known as with the full card.
func TestCardWithGaps(t *testing.T) {
	all := Compute(full(), true, Bench{ManifoldVolume: 0.5e-3, OpenCircuit: 12e3})
	for name, c := range map[string]struct {
		drop    func(*tube.Card)
		limits  map[string]string // ID to a word of the reason
		facts   map[string]string
		changed []string // known, but by another way
	}{
		"outside": {func(c *tube.Card) { c.Outside = 0 }, map[string]string{FillPressure: "outside diameter"},
			map[string]string{"wall-area": "outside", "glass-mass": "outside", "heat-capacity": "outside", "stall-rate": "outside",
				"leak-allowed": "", "flushes": "fill", "fill-gauge": "fill"}, nil},
		"bore": {func(c *tube.Card) { c.Bore = 0 }, nil, map[string]string{"gas-volume": "bore", "glass-mass": "bore", "heat-capacity": "bore",
			"stall-rate": "bore", "leak-allowed": "bore"}, nil},
		"length": {func(c *tube.Card) { c.Length = 0 }, nil, map[string]string{"gas-volume": "length", "wall-area": "length", "glass-mass": "length",
			"heat-capacity": "length", "leak-allowed": "length"}, nil},
		"glass": {func(c *tube.Card) { c.Glass = "" }, nil, map[string]string{"glass-mass": "glass", "heat-capacity": "glass", "stall-rate": "glass"}, nil},
		"coating": {func(c *tube.Card) { c.Coating = "" }, map[string]string{GlassTarget: "coated"}, map[string]string{"stall-rate": "coating"},
			[]string{HeatingBand}},
		"gas": {func(c *tube.Card) { c.Gas = "" }, map[string]string{FillPressure: "gas"},
			map[string]string{"flushes": "fill", "fill-gauge": "fill"}, nil},
		"rating": {func(c *tube.Card) { c.Electrode.Rating = 0 }, map[string]string{CurrentLimit: "rating", ShellCurrent: "rating"}, nil,
			[]string{HeatingBand}},
		"shell area": {func(c *tube.Card) { c.Electrode.ShellArea = 0 }, nil, nil, nil},
		"shell mass": {func(c *tube.Card) { c.Electrode.ShellMass = 0 }, nil, nil, nil},
		"all of the shell": {func(c *tube.Card) { c.Electrode = tube.Electrode{Coating: 15e-6} },
			map[string]string{CurrentLimit: "rating", ShellCurrent: "rating"}, map[string]string{"shell-area": "rating"}, []string{HeatingBand}},
		"carbonate": {func(c *tube.Card) { c.Electrode.Coating = 0 }, nil, map[string]string{"coating-gas": "carbonate"}, nil},
		"shell and coating": {func(c *tube.Card) { c.Coating, c.Electrode = "", tube.Electrode{Coating: 15e-6} },
			map[string]string{GlassTarget: "coated", CurrentLimit: "rating", ShellCurrent: "rating", HeatingBand: "rating"},
			map[string]string{"shell-area": "rating", "stall-rate": "coating"}, nil},
	} {
		card := full()
		c.drop(&card)
		e := Compute(card, true, Bench{ManifoldVolume: 0.5e-3, OpenCircuit: 12e3})
		if l, _ := Compute(card, true, Bench{MaxCurrent: 1.2}).Limit(CurrentLimit); l.Unknown != "" || (card.Electrode.Rating == 0) != strings.Contains(l.Reason, "not known without their rating") {
			t.Errorf("without %s: the bombarder's own limit: %+v", name, l)
		}
		for i, l := range e.Limits {
			word, gone := c.limits[l.ID]
			if gone != (l.Unknown != "") || !strings.Contains(l.Unknown, word) {
				t.Errorf("without %s: %s: unknown %q", name, l.ID, l.Unknown)
			}
			if l.Unknown == "" && (all.Limits[i].Low == all.Limits[i].Low) != (l.Low == l.Low) && len(c.changed) == 0 {
				t.Errorf("without %s: %s has lost a bound: %s", name, l.ID, l.Formula)
			}
		}
		for _, f := range e.Facts {
			word, gone := c.facts[f.ID]
			if f.ID == "leak-allowed" && name == "outside" {
				continue // it goes by what holds for any tube
			}
			if gone != (f.Unknown != "") || !strings.Contains(f.Unknown, word) {
				t.Errorf("without %s: %s: unknown %q", name, f.ID, f.Unknown)
			}
		}
	}
	// Only what is missing is named.
	for id, want := range map[string]string{"gas-volume": "The card does not give the length.", "glass-mass": "The card does not give glass and length.",
		"stall-rate": "The card does not give the glass.", "leak-allowed": "The card does not give the length."} {
		c := full()
		c.Glass, c.Length = "", 0
		if f, _ := Compute(c, true, Bench{}).Fact(id); f.Unknown != want {
			t.Errorf("%s: %q, want %q", id, f.Unknown, want)
		}
	}
	if f, _ := Compute(full(), true, Bench{}).Fact("leak-allowed"); f.Unknown != "The manifold's volume is not known; bench.toml can give it." {
		t.Errorf("leak without a manifold: %q", f.Unknown)
	}
	upside := full()
	upside.Bore = 2 * upside.Outside
	if f, _ := Compute(upside, true, Bench{}).Fact("stall-rate"); f.Unknown == "" {
		t.Errorf("bore over outside: %+v", f)
	}
	for _, f := range Compute(tube.Card{}, false, Bench{}).Facts {
		if f.Unknown == "" && f.ID != "flush-share" || strings.Contains(f.Formula+f.Reason, "NaN") {
			t.Errorf("without a card: %+v", f)
		}
	}
}

// A volume that runs have taught is named where it is used, with its doubt: 0.60 L
// ± 10 % of 0.60 + 0.154 L is 8 %, beside which the rate's own stands.
func TestLearnedVolumeIsNamed(t *testing.T) {
	said := Compute(full(), true, Bench{ManifoldVolume: 0.6e-3})
	taught := Compute(full(), true, Bench{ManifoldVolume: 0.6e-3, ManifoldRuns: 7, ManifoldU: 0.06e-3})
	a, _ := said.Fact("leak-allowed")
	b, _ := taught.Fact("leak-allowed")
	if strings.Contains(a.Formula+a.Source, "runs of this bench") || !strings.Contains(b.Formula, "by 7 runs of this bench") || !strings.Contains(b.Source, "this bench's runs") {
		t.Errorf("said: %q, %q; taught: %q, %q", a.Formula, a.Source, b.Formula, b.Source)
	}
	rate, _ := taught.Limit(RateOfRise)
	own := rate.U / rate.High
	near(t, "uncertainty of the volume, %", 100*math.Sqrt(b.U*b.U/(b.Value*b.Value)-own*own), 100*0.06/(0.6+0.15442), 0.01)
	near(t, "leak", b.Value, a.Value, 1e-12)
}
