package envelope

import (
	"fmt"
	"math"
	"slices"
)

// facts are what limits and plans are computed from: each is there, known or
// with what the card lacks for it.
func (b *builder) facts() []Fact {
	return []Fact{b.gasVolume(), b.area(), b.mass(), b.heatCapacity(), b.stall(), b.shellFact(), b.coatingFact(), b.leakFact(),
		b.flushFact(), b.flushShare(), b.gaugeFact()}
}

// Fact finds a fact by its ID.
func (e *Envelope) Fact(id string) (Fact, bool) {
	for _, f := range e.Facts {
		if f.ID == id {
			return f, true
		}
	}
	return Fact{}, false
}

func (b *builder) lacks(f Fact, what string) Fact {
	f.Value, f.U, f.Basis = math.NaN(), 0, ""
	f.Unknown = "The card does not give " + what + "."
	if !b.e.Known {
		f.Unknown = noCard
	}
	return f
}

// lacksOf is lacks with those of the card's words that it does not give.
func (b *builder) lacksOf(f Fact, words ...string) Fact {
	c := &b.e.Card
	given := map[string]bool{"outside diameter": c.Outside > 0, "bore": c.Bore > 0, "length": c.Length > 0, "glass": c.Glass != "", "coating": c.Coating != ""}
	switch words = slices.DeleteFunc(words, func(w string) bool { return given[w] }); len(words) {
	case 0:
		return b.lacks(f, "measures that can be together")
	case 1:
		return b.lacks(f, "the "+words[0])
	}
	return b.lacks(f, and(words))
}

// measures are the relative standard uncertainties of the card's measures:
// makers' and tape's tolerances, rectangular.
func (b *builder) measures() (outside, wall, bore, length float64) {
	c := &b.e.Card
	od, w := b.t.practice["outside-tolerance"].high/1000/math.Sqrt(3), b.t.practice["wall-tolerance"].high/1000/math.Sqrt(3)
	return od / c.Outside, w / ((c.Outside - c.Bore) / 2), math.Hypot(od, 2*w) / c.Bore, b.t.practice["length-tolerance"].high / 100 / math.Sqrt(3)
}

func (b *builder) toleranceSource() string {
	return "tube card; tolerances: " + b.t.practice["outside-tolerance"].source + "; " + b.t.practice["length-tolerance"].source
}

func (b *builder) gasVolume() Fact {
	f := Fact{ID: "gas-volume", Title: "Gas volume", Unit: "m³", Basis: Computed, Formula: "π d² L ÷ 4",
		Reason: "How much gas the tube takes, and how much a leak or the walls make of it.", Source: b.toleranceSource()}
	if f.Value = Volume(b.e.Card); f.Value == 0 {
		return b.lacksOf(f, "bore", "length")
	}
	_, _, bore, length := b.measures()
	f.U = f.Value * math.Hypot(2*bore, length)
	return f
}

func (b *builder) area() Fact {
	f := Fact{ID: "wall-area", Title: "Wall area, outside", Unit: "m²", Basis: Computed, Formula: "π OD L",
		Reason: "By it the tube gives its heat to the room.", Source: b.toleranceSource()}
	if f.Value = wallArea(b.e.Card); f.Value == 0 {
		return b.lacksOf(f, "outside diameter", "length")
	}
	od, _, _, length := b.measures()
	f.U = f.Value * math.Hypot(od, length)
	return f
}

func (b *builder) mass() Fact {
	f := Fact{ID: "glass-mass", Title: "Glass mass", Unit: "kg", Basis: Computed, Formula: "ρ π (OD² − d²) L ÷ 4",
		Reason: "It stores the heat that the arc gives.", Source: b.toleranceSource() + "; density: " + b.t.glass[b.e.Card.Glass].source}
	if f.Value = glassMass(b.t, b.e.Card); f.Value == 0 {
		return b.lacksOf(f, "glass", "bore", "outside diameter", "length")
	}
	od, wall, _, length := b.measures()
	f.U = f.Value * math.Hypot(math.Hypot(od, wall), math.Hypot(length, b.t.practice["property-doubt"].high/100))
	return f
}

func (b *builder) heatCapacity() Fact {
	f := b.mass()
	f.ID, f.Title, f.Unit = "heat-capacity", "Heat capacity of the glass", "J/K"
	f.Formula, f.Reason = "mass × specific heat", "So much heat raises the glass by one degree."
	if f.Unknown != "" {
		return f
	}
	r := math.Hypot(f.U/f.Value, b.t.practice["property-doubt"].high/100)
	f.Value *= b.t.glass[b.e.Card.Glass].heat
	f.U = r * f.Value
	return f
}

func (b *builder) stall() Fact {
	e := b.e
	f := Fact{ID: "stall-rate", Title: "Least rate at the preheat's end", Unit: "°C/s", Basis: Computed,
		Reason:  fmt.Sprintf("If the same heat raises the glass more slowly than this at %.0f °C, it stalls below the target.", e.paceAt),
		Formula: "[loss(target) − loss(T)] ÷ (m c ÷ A), loss = h (T − T_room) + ε σ (T⁴ − T_room⁴); " + b.stillAir(),
		Source:  b.airSource() + "; glass: " + b.t.glass[e.Card.Glass].source}
	g, ok := b.t.glass[e.Card.Glass]
	target, _ := e.Limit(GlassTarget)
	switch {
	case !ok || e.Card.Bore <= 0 || e.Card.Outside <= e.Card.Bore || target.Unknown != "" && e.Card.Coating == "":
		return b.lacksOf(f, "glass", "bore", "outside diameter", "coating")
	case !(target.Low > e.paceAt):
		f = b.lacks(f, "")
		f.Unknown = fmt.Sprintf("The glass target is not known to be above %s, the middle of the preheat.", Say(e.paceAt, "°C"))
		return f
	}
	f.Value = e.air.stallRate(perArea(g, e.Card.Outside, e.Card.Bore), e.paceAt, target.Low, e.Bench.Room())
	_, wall, _, _ := b.measures()
	// What still air is uncertain by counts with its part of the loss.
	part := e.air.u * (target.Low - e.paceAt) / (e.air.loss(target.Low, e.Bench.Room()) - e.air.loss(e.paceAt, e.Bench.Room()))
	f.U = f.Value * math.Hypot(part, wall)
	return f
}

// airSource says where the cooling constants are from.
func (b *builder) airSource() string {
	r := b.t.constant["glass-emissivity"].source
	if n := b.e.air.runs; n > 0 {
		return "still air: what " + runs(n) + " of this bench taught; emissivity: " + r
	}
	if h := b.t.constant["still-air"].source; h != r {
		return "still air: " + h + "; emissivity: " + r
	}
	return r
}

// stillAir says what the air is taken to take from a bare tube.
func (b *builder) stillAir() string {
	text := "still air " + SayWithin(b.e.air.still, 2*b.e.air.u, "W/(m² K)")
	if n := b.e.air.runs; n > 0 {
		text += " by " + runs(n) + " of this bench"
	}
	return text
}

func (b *builder) shellFact() Fact {
	s := &b.e.shell
	f := Fact{ID: "shell-area", Title: "Area of a shell", Unit: "m²", Basis: Computed, Value: s.area,
		Reason: "Current over it, and what it radiates, decide how fast the shells get bright."}
	switch {
	case s.area == 0:
		return b.lacks(f, "the shells' area or the electrodes' rating")
	case s.guessed:
		f.Basis, f.Source, f.U = CommonPractice, b.t.constant["shell-area"].source, 0.25*s.area
		f.Formula = fmt.Sprintf("%.3g cm² + %.3g cm²/mA × rating", b.t.value("shell-area"), b.t.value("shell-area-rating"))
	default:
		f.Basis, f.Source, f.U, f.Formula = FromCard, "tube card, taken as ± 10 %", 0.1/math.Sqrt(3)*s.area, "as the card has it"
	}
	return f
}

func (b *builder) coatingFact() Fact {
	f := Fact{ID: "coating-gas", Title: "Gas of both coatings", Unit: "Pa m³", Basis: Computed,
		Reason:  "The carbonate gives off so much carbon dioxide at 20 °C, which has to be pumped away while the shells are hot.",
		Formula: "2 × carbonate ÷ molar mass of BaCO₃ × R × 293.15 K", Source: "tube card; " + b.t.constant["carbonate-molar"].source}
	kg := b.e.Card.Electrode.Coating
	if kg == 0 {
		return b.lacks(f, "the carbonate on the electrodes")
	}
	f.Value = 2 * b.t.coatingGas(kg)
	f.U = 0.15 * f.Value // mixed carbonates: strontium and calcium give more by mass
	f.Formula += fmt.Sprintf("; at %.0f °C carbonate and oxide are in balance at %s", b.t.value("shell-bright"), Say(b.t.carbonDioxide(b.t.value("shell-bright")), "Pa"))
	return f
}

func (b *builder) leakFact() Fact {
	f := Fact{ID: "leak-allowed", Title: "Leak allowed", Unit: "Pa m³/s", Basis: Computed,
		Reason: "So much may get into tube and manifold with the pump shut.", Formula: "rate of rise × (tube + manifold)",
		Source: "rate of rise of this envelope; bench description"}
	v := b.shut()
	if v == 0 {
		if b.e.Known && Volume(b.e.Card) > 0 {
			f.Value, f.Basis, f.Unknown = math.NaN(), "", "The manifold's volume is not known; bench.toml can give it."
			return f
		}
		return b.lacksOf(f, "bore", "length")
	}
	l := b.rise()
	f.Value = l.High * v
	if n := b.e.Bench.ManifoldRuns; n > 0 {
		f.Formula += fmt.Sprintf("; manifold %s by %s of this bench", Say(b.e.Bench.ManifoldVolume, "m³"), runs(n))
		f.Source = "rate of rise of this envelope; manifold's volume: what this bench's runs show"
	}
	u := 0.05 // of the volume, common practice
	if b.e.Bench.ManifoldRuns > 0 {
		u = b.e.Bench.ManifoldU / v
	}
	f.U = f.Value * math.Hypot(l.U/l.High, u)
	return f
}

func runs(n int) string {
	if n == 1 {
		return "1 run"
	}
	return fmt.Sprintf("%d runs", n)
}

func (b *builder) flushFact() Fact {
	f := Fact{ID: "flushes", Title: "Flushes needed", Unit: "1", Basis: Computed, Source: b.t.practice["impurity"].source,
		Reason: "So many bring what the pump left down to what may be in the fill."}
	n, each, ok := b.flushes()
	if !ok {
		f.Value, f.Basis, f.Unknown = math.NaN(), "", "The fill pressure is not known."
		if b.e.FillTarget > 0 {
			f.Unknown = "By the table practice no number of flushes is enough: it wants a lower base pressure or a higher flush pressure."
		}
		return f
	}
	base := b.t.practice[BasePressure].high * micron
	f.Value = float64(n)
	f.Formula = fmt.Sprintf("(base ÷ fill) × (base ÷ flush)ⁿ ≤ %.0f ppm with base %s and flush %s: %s left; none is needed below %s",
		b.t.practice["impurity"].high, Say(base, "Pa"), Say(b.t.practice["flush-pressure"].low*torr, "Pa"),
		Say(base/b.e.FillTarget*math.Pow(each, float64(n)), "1"), Say(b.t.practice["impurity"].high*1e-6*b.e.FillTarget, "Pa"))
	return f
}

func (b *builder) flushShare() Fact {
	base, flush := b.t.practice[BasePressure], b.t.practice["flush-pressure"]
	x := base.high * micron / (flush.low * torr)
	return Fact{ID: "flush-share", Title: "What a flush leaves", Unit: "1", Value: x, U: base.highU * micron / (flush.low * torr), Basis: basisOf(flush.mark),
		Reason:  "Each flush leaves this share of what was gaseous before, and all that clings to the walls.",
		Formula: fmt.Sprintf("base %s ÷ flush %s", Say(base.high*micron, "Pa"), Say(flush.low*torr, "Pa")), Source: flush.source}
}

func (b *builder) gaugeFact() Fact {
	room := b.e.Bench.Room()
	f := Fact{ID: "fill-gauge", Title: "Gauge to stop at", Unit: "Pa", Basis: Computed, Source: "gas law",
		Reason: fmt.Sprintf("With the gas at %.0f °C this reading is the fill at 20 °C.", room)}
	if b.e.FillTarget != b.e.FillTarget {
		f.Value, f.Basis, f.Unknown = math.NaN(), "", "The fill pressure is not known."
		return f
	}
	f.Value = b.e.FillGaugeAt(room)
	f.U = f.Value * 3 / (room + zeroC) // °C that the gas differs by from the glass
	f.Formula = fmt.Sprintf("%s × T ÷ 293.15 K: %s at 30 °C, %s at 40 °C, %s at 60 °C", Say(b.e.FillTarget, "Pa"),
		Say(b.e.FillGaugeAt(30), "Pa"), Say(b.e.FillGaugeAt(40), "Pa"), Say(b.e.FillGaugeAt(60), "Pa"))
	return f
}
