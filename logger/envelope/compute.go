package envelope

import (
	"fmt"
	"math"
	"strings"

	"tipoff/calib/unit"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

// The limits, by ID. They are stable: metrics, records and alarms use them.
const (
	GlassTarget     = "glass-target"
	GlassCeiling    = "glass-ceiling"
	HeatingRate     = "heating-rate"
	PreheatEnd      = "preheat-end"
	StrikeWindow    = "strike-window"
	ShellWindow     = "shell-window"
	SputterPressure = "sputter-pressure"
	CurrentLimit    = "current-limit"
	ShellTime       = "shell-time"
	BasePressure    = "base-pressure"
	BaseHot         = "base-hot"
	RateOfRise      = "rate-of-rise"
	GasTemperature  = "gas-temperature"
	FillPressure    = "fill-pressure"
	HeatingBand     = "heating-band"
	ShellCurrent    = "shell-current"
	FlushDilution   = "flush-dilution"
	TipOffTime      = "tip-off-time"
	TipOffGlass     = "tip-off-glass"
)

// Conversions of the trade's units to SI (physics.md 4.5), and 0 °C in kelvin.
const (
	torr      = unit.Torr
	micron    = unit.Micron
	zeroC     = 273.15
	twentyC   = 293.15
	milli     = 1e-3
	perMinute = 1.0 / 60
)

// Compute works out the limits for a tube on a bench. With known false the
// card is not looked at, and only limits that hold for any tube are there.
// A limit that card or bench say too little for has its Unknown set.
func Compute(card tube.Card, known bool, bench Bench) *Envelope {
	if !known {
		card = tube.Card{}
	}
	e := &Envelope{Card: card, Bench: bench, Known: known, FillTarget: math.NaN()}
	b := &builder{e: e}
	b.t = bench.Tables.orBuiltIn()
	e.air = airOf(b.t, bench.Convection)
	e.heat = heatCapacity(b.t, card)
	e.shell = shellOf(b.t, &card.Electrode, known)
	e.shell.learned(b.t, &bench)
	fill := b.fill() // first: what may be in the fill needs the fill target
	ceiling := b.ceiling()
	target := b.target(ceiling.High)
	current := b.current()
	window := b.shellWindow(current)
	shells := b.shellCurrent(current, window)
	e.Limits = []Limit{
		target, ceiling, b.heatingRate(), b.heatingBand(target, ceiling, shells, window),
		b.practice(PreheatEnd, "Preheat", "glass temperature", frame.Glass, phase.Dry),
		b.strike(),
		window,
		b.practice(SputterPressure, "Least pressure with the arc on", "pressure", frame.Pressure,
			phase.Dry, phase.Bombard, phase.Shells),
		current, shells,
		b.practice(ShellTime, "Shell time", "time at glow", 0, phase.Shells),
		b.base(),
		b.practice(BaseHot, "Glass when base was reached", "glass temperature", frame.Glass, phase.FinalPump, phase.Cool),
		b.rise(),
		b.practice(GasTemperature, "Glass when gas was let in", "glass temperature", frame.Glass,
			phase.Flush, phase.Fill),
		b.dilution(), fill, b.tipOffTime(), b.tipOffGlass(),
	}
	e.cooling = coolingRate(b.t, e.air, card, known, ceiling.High)
	e.Facts = b.facts()
	return e
}

// Limit finds a limit by its ID.
func (e *Envelope) Limit(id string) (Limit, bool) {
	if i := e.index(id); i >= 0 {
		return e.Limits[i], true
	}
	return Limit{}, false
}

func (e *Envelope) index(id string) int {
	for i := range e.Limits {
		if e.Limits[i].ID == id {
			return i
		}
	}
	return -1
}

// Ceiling is the glass ceiling in °C, NaN if there is none.
func (e *Envelope) Ceiling() float64 { return e.high(GlassCeiling) }

func (e *Envelope) high(id string) float64 {
	if i := e.index(id); i >= 0 {
		return e.Limits[i].High
	}
	return math.NaN()
}

// FillGaugeAt is what the gauge must read, in Pa, with the gas at the given
// temperature (°C) for the fill target at 20 °C: p₂₀·T/293.15 K. NaN if the
// target is not known.
func (e *Envelope) FillGaugeAt(celsius float64) float64 {
	return e.FillTarget * (celsius + zeroC) / twentyC
}

// FillAt20 is what a gauge reading (Pa) at a gas temperature (°C) comes to at
// 20 °C, Pa.
func FillAt20(gauge, celsius float64) float64 { return gauge * twentyC / (celsius + zeroC) }

type builder struct {
	e *Envelope
	t *tables
}

// scales turns the units of practice.csv to SI.
var scales = map[string]struct {
	si    string
	scale float64
}{
	"°C": {"°C", 1}, "°C/s": {"°C/s", 1}, "Torr": {"Pa", torr}, "micron": {"Pa", micron}, "s": {"s", 1},
	"micron/min": {"Pa/s", micron * perMinute}, "ppm": {"1", 1e-6},
}

func basisOf(mark string) Basis {
	switch mark {
	case "a":
		return Handbook
	case "c":
		return Computed
	case benchMark:
		return BenchTable
	}
	return CommonPractice
}

// practice is the limit of a row of practice.csv.
func (b *builder) practice(id, title, quantity string, role frame.Role, phases ...phase.ID) Limit {
	return b.row(id, id, title, quantity, role, phases...)
}

func (b *builder) row(key, id, title, quantity string, role frame.Role, phases ...phase.ID) Limit {
	p := b.t.practice[key]
	s := scales[p.unit]
	l := Limit{
		ID: id, Title: title, Quantity: quantity, Role: role, Phases: phases,
		Unit: s.si, Low: p.low * s.scale, High: p.high * s.scale, U: p.highU * s.scale, ULow: p.lowU * s.scale,
		Basis: basisOf(p.mark), Reason: sentence(p.reason), Source: p.source,
		Formula: "row " + key + " of the table practice, for any tube",
	}
	if l.High != l.High {
		l.U, l.ULow = l.ULow, 0
	}
	return l
}

func unknown(l Limit, why string) Limit {
	l.Low, l.High, l.U, l.ULow = math.NaN(), math.NaN(), 0, 0
	l.Unknown = why
	l.Basis, l.Source, l.Formula = "", "", ""
	return l
}

const noCard = "There is no tube card."

// coating is the row for the card's coating, the cautious one if it says none.
func (b *builder) coating() coatingRow {
	if c, ok := b.t.coating[b.e.Card.Coating]; ok {
		return c
	}
	return b.t.coating["unknown"]
}

func (b *builder) target(ceiling float64) Limit {
	l := Limit{
		ID: GlassTarget, Title: "Glass target", Role: frame.Glass, Quantity: "glass temperature", Unit: "°C",
		Phases: []phase.ID{phase.Bombard, phase.Shells}, High: math.NaN(),
		Reason: "Below it much of the water stays in the wall of the tube.",
	}
	c := b.coating()
	switch {
	case !b.e.Known:
		return unknown(l, noCard)
	case b.e.Card.Operator.GlassTarget > 0:
		l.Low, l.Basis, l.Source = b.e.Card.Operator.GlassTarget, FromCard, "the operator's own target on the card"
		l.Formula = "as the card has it"
	case b.e.Card.Coating == "":
		return unknown(l, "The card does not say how the tube is coated.")
	default:
		l.Low, l.U, l.Basis, l.Source = c.targetLow, c.targetU, basisOf(c.mark), c.source
		l.Formula = "row " + b.e.Card.Coating + " of the table coating"
	}
	if !(l.Low < ceiling) {
		return unknown(l, fmt.Sprintf("The target, %s, is not below the glass ceiling, %s.",
			Say(l.Low, "°C"), Say(ceiling, "°C")))
	}
	return l
}

// ceiling is the lowest of what coating, binder, glass and operator allow.
func (b *builder) ceiling() Limit {
	card := b.e.Card
	c := b.coating()
	l := Limit{
		ID: GlassCeiling, Title: "Glass ceiling", Role: frame.Glass, Quantity: "glass temperature", Unit: "°C",
		Phases: []phase.ID{phase.Dry, phase.PumpOut, phase.Bombard, phase.Shells, phase.FinalPump},
		Low:    math.NaN(), High: c.cap, U: c.capU, Basis: basisOf(c.mark), Source: c.source, Reason: sentence(c.reason),
	}
	name := card.Coating
	if _, ok := b.t.coating[name]; !ok {
		name = "unknown"
	}
	all := []string{fmt.Sprintf("%s coating %.0f °C", name, c.cap)}
	if r, ok := b.t.binder[card.Coating]; ok {
		all = append(all, fmt.Sprintf("its binder %.0f °C", r.cap))
		if r.cap < l.High {
			l.High, l.U, l.Basis, l.Source, l.Reason = r.cap, r.capU, basisOf(r.mark), r.source, sentence(r.reason)
		}
	}
	if g, ok := b.t.glass[card.Glass]; ok {
		margin := b.t.practice["glass-margin"]
		s := g.strain - margin.low
		all = append(all, fmt.Sprintf("%s glass %.0f °C (strain point %.0f °C less %.0f °C)", card.Glass, s, g.strain, margin.low))
		if s < l.High {
			l.High, l.U, l.Basis = s, g.strainU, basisOf(g.mark)
			l.Source, l.Reason = g.source+"; margin: "+margin.source, sentence(margin.reason)
		}
	}
	if op := card.Operator.GlassCeiling; op > 0 {
		all = append(all, fmt.Sprintf("operator %.0f °C", op))
		if op < l.High {
			l.High, l.U, l.Basis = op, 0, FromCard
			l.Source, l.Reason = "the operator's own ceiling on the card", "The operator has set it for this tube."
		}
	}
	l.Formula = "lowest of " + strings.Join(all, ", ")
	return l
}

// heatingRate is the lower of common practice and what the wall's own stress
// allows.
func (b *builder) heatingRate() Limit {
	l := b.practice(HeatingRate, "Heating rate", "heating rate", 0, phase.Dry, phase.Bombard, phase.Shells)
	card := b.e.Card
	if !b.e.Known {
		return l
	}
	if c := b.coating(); c.rateFactor != 1 {
		l.High *= c.rateFactor
		l.U *= c.rateFactor
		l.Basis, l.Source = basisOf(c.mark), c.source
		l.Reason = sentence(c.reason)
		l.Formula = fmt.Sprintf("%.2g × what any tube may have (%.3g °C/s)", c.rateFactor, l.High/c.rateFactor)
	}
	g, ok := b.t.glass[card.Glass]
	if wall := (card.Outside - card.Bore) / 2; ok && card.Bore > 0 && wall > 0 {
		strength, factor := b.t.practice["stress"], b.t.practice["stress-factor"]
		if r := strength.high * 1e6 / factor.low / stressPerRate(g, wall); r < l.High {
			// The factor covers what the strength is uncertain by; the wall is left.
			l.High, l.U, l.Basis = r, 2*b.t.practice["wall-tolerance"].high/1000/math.Sqrt(3)/wall*r, Computed
			l.Formula = fmt.Sprintf("%.0f MPa ÷ %.0f ÷ [E α ρ c w² / (6 k (1−ν))] with w = %.2g mm of %s glass",
				strength.high, factor.low, wall*1000, card.Glass)
			l.Source = g.source + "; strength: " + strength.source
			l.Reason = "Faster heating puts the outside of this wall under more tension than worked glass should bear."
		}
	}
	return l
}
