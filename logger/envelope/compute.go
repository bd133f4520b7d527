package envelope

import (
	"fmt"
	"math"

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
)

// Conversions of the trade's units to SI (physics.md 4.5), and 0 °C in kelvin.
const (
	torr      = 101325.0 / 760 // Pa
	micron    = torr / 1000    // Pa
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
	b := &builder{e: e, t: loadTables()}
	b.fill() // first: rate-of-rise needs the fill target
	ceiling := b.ceiling()
	e.Limits = []Limit{
		b.target(ceiling.High), ceiling, b.heatingRate(),
		b.practice(PreheatEnd, "Preheat", "glass temperature", frame.Glass, phase.Dry),
		b.strike(),
		b.practice(ShellWindow, "Air pressure for shells", "pressure", frame.Pressure, phase.Shells),
		b.practice(SputterPressure, "Least pressure with the arc on", "pressure", frame.Pressure,
			phase.Dry, phase.Bombard, phase.Shells),
		b.current(),
		b.practice(ShellTime, "Shell time", "time at glow", 0, phase.Shells),
		b.base(),
		b.practice(BaseHot, "Glass when base was reached", "glass temperature", frame.Glass, phase.FinalPump, phase.Cool),
		b.rise(),
		b.practice(GasTemperature, "Glass when gas was let in", "glass temperature", frame.Glass,
			phase.Flush, phase.Fill),
		b.fillLimit,
	}
	e.cooling = coolingRate(b.t, card, known, ceiling.High)
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
	e         *Envelope
	t         *tables
	fillLimit Limit
}

// scales turns the units of practice.csv to SI.
var scales = map[string]struct {
	si    string
	scale float64
}{
	"°C": {"°C", 1}, "°C/s": {"°C/s", 1}, "Torr": {"Pa", torr}, "micron": {"Pa", micron}, "s": {"s", 1},
	"micron/min": {"Pa/s", micron * perMinute},
}

func basisOf(mark string) Basis {
	switch mark {
	case "a":
		return Handbook
	case "c":
		return Computed
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
	return Limit{
		ID: id, Title: title, Quantity: quantity, Role: role, Phases: phases,
		Unit: s.si, Low: p.low * s.scale, High: p.high * s.scale,
		Basis: basisOf(p.mark), Reason: sentence(p.reason), Source: p.source,
	}
}

func unknown(l Limit, why string) Limit {
	l.Low, l.High, l.U = math.NaN(), math.NaN(), 0
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
	case b.e.Card.Coating == "":
		return unknown(l, "The card does not say how the tube is coated.")
	default:
		l.Low, l.Basis, l.Source = c.targetLow, basisOf(c.mark), c.source
	}
	if !(l.Low < ceiling) {
		return unknown(l, fmt.Sprintf("The target, %s, is not below the glass ceiling, %s.",
			Say(l.Low, "°C"), Say(ceiling, "°C")))
	}
	return l
}

// ceiling is the lower of the strain point less a margin and the coating's
// cap; the operator's own ceiling replaces the cap, but not the strain point.
func (b *builder) ceiling() Limit {
	card := b.e.Card
	c := b.coating()
	l := Limit{
		ID: GlassCeiling, Title: "Glass ceiling", Role: frame.Glass, Quantity: "glass temperature", Unit: "°C",
		Phases: []phase.ID{phase.Dry, phase.PumpOut, phase.Bombard, phase.Shells, phase.FinalPump},
		Low:    math.NaN(), High: c.cap, U: c.u, Basis: basisOf(c.mark), Source: c.source, Reason: sentence(c.reason),
	}
	if op := card.Operator.GlassCeiling; op > 0 {
		l.High, l.U, l.Basis = op, 0, FromCard
		l.Source, l.Reason = "the operator's own ceiling on the card", "The operator has set it for this tube."
	}
	g, ok := b.t.glass[card.Glass]
	if !ok {
		return l
	}
	margin := b.t.practice["glass-margin"]
	if s := g.strain - margin.low; s < l.High {
		// Makers' strain points differ by 10 °C, taken as rectangular.
		l.High, l.U, l.Basis = s, 10/math.Sqrt(3), basisOf(g.mark)
		l.Formula = fmt.Sprintf("strain point of %s glass %.0f °C − %.0f °C", card.Glass, g.strain, margin.low)
		l.Source, l.Reason = g.source+"; margin: "+margin.source, sentence(margin.reason)
	}
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
		l.Basis, l.Source = basisOf(c.mark), c.source
		l.Reason = sentence(c.reason)
		l.Formula = fmt.Sprintf("%.2g × what any tube may have (%.3g °C/s)", c.rateFactor, l.High/c.rateFactor)
	}
	g, ok := b.t.glass[card.Glass]
	if wall := (card.Outside - card.Bore) / 2; ok && card.Bore > 0 && wall > 0 {
		strength, factor := b.t.practice["stress"], b.t.practice["stress-factor"]
		if r := strength.high * 1e6 / factor.low / stressPerRate(g, wall); r < l.High {
			l.High, l.Basis = r, Computed // the factor covers what the strength is uncertain by
			l.Formula = fmt.Sprintf("%.0f MPa ÷ %.0f ÷ [E α ρ c w² / (6 k (1−ν))] with w = %.2g mm of %s glass",
				strength.high, factor.low, wall*1000, card.Glass)
			l.Source = g.source + "; strength: " + strength.source
			l.Reason = "Faster heating puts the outside of this wall under more tension than worked glass should bear."
		}
	}
	return l
}

// Holding the arc: what part of the open-circuit voltage a choke leaves, what
// the electrodes take, and the column's field in air. All from memory and of
// low confidence (handbook "A bench as equations" 4, physics.md 5.3), which
// the limit's uncertainty says.
const (
	holdPart   = 0.6
	holdFall   = 500.0            // V
	airField   = 8.0 * 100 / torr // V/(m Pa): 8 V/(cm Torr)
	fieldDoubt = 0.4              // relative standard uncertainty of the result
	peak       = math.Sqrt2       // of a sine over its RMS
)

func (b *builder) strike() Limit {
	l := b.practice(StrikeWindow, "Air pressure for striking", "pressure", frame.Pressure,
		phase.AdmitAir, phase.Dry, phase.Bombard)
	v, length := b.e.Bench.OpenCircuit, b.e.Card.Length
	if v <= 0 || length <= 0 {
		return l
	}
	hold := (holdPart*v - holdFall) / (airField * length)
	if hold >= l.High || hold <= l.Low {
		// Above, common practice is the narrower; below, an estimate of this
		// quality cannot say that the tube will not run at all.
		return l
	}
	l.High, l.U, l.Basis = hold, fieldDoubt*hold, Computed
	l.Formula = fmt.Sprintf("(%.1g × %.0f V − %.0f V) ÷ (%.0f V/(cm Torr) × %.2f m); by Paschen's law a bare gap of this "+
		"length strikes up to %s, in a tube the wall helps",
		holdPart, v, holdFall, airField*torr/100, length, Say(paschenReach(peak*v)/length, "Pa"))
	l.Source = "physics.md 5.1 and 5.3: field from memory, low confidence"
	l.Reason = "At more air the column of this tube asks for more voltage than the bombarder can hold."
	return l
}

func (b *builder) current() Limit {
	l := Limit{
		ID: CurrentLimit, Title: "Current limit", Role: frame.Current, Quantity: "current", Unit: "A",
		Phases: []phase.ID{phase.Dry, phase.Bombard, phase.Shells}, Low: math.NaN(), High: math.NaN(),
		Reason: "More current sputters the shells and cracks the seals of the electrodes.",
	}
	rating := b.e.Card.Electrode.Rating
	switch {
	case b.e.Card.Operator.MaxCurrent > 0:
		l.High, l.Basis, l.Source = b.e.Card.Operator.MaxCurrent, FromCard, "the operator's own limit on the card"
	case rating > 0:
		first, last := b.t.electrode[0], b.t.electrode[len(b.t.electrode)-1]
		ma := rating / milli
		if ma < first.running*0.75 || ma > last.running*4/3 {
			f := b.t.practice["rated-factor"]
			l.High, l.Basis, l.Source = f.low*rating, basisOf(f.mark), f.source
			l.Formula = fmt.Sprintf("%.0f × rating %s", f.low, Say(rating, "A"))
		} else {
			h, src := interpolateElectrode(b.t.electrode, ma)
			l.High, l.Basis, l.Source = h*milli, CommonPractice, src
			l.Formula = fmt.Sprintf("table for shells at a rating of %s; %.1f times the rating", Say(rating, "A"), h/ma)
		}
	}
	if m := b.e.Bench.MaxCurrent; m > 0 && !(l.High <= m) {
		l.High, l.U, l.Basis, l.Formula = m, 0, FromBench, ""
		l.Source, l.Reason = "bench description", "The bombarder is not made for more."
	}
	if l.High != l.High {
		if !b.e.Known {
			return unknown(l, noCard)
		}
		return unknown(l, "The card does not give the electrodes' rating.")
	}
	return l
}

func interpolateElectrode(rows []electrodeRow, ma float64) (high float64, source string) {
	if ma <= rows[0].running {
		return rows[0].shellHigh, rows[0].source
	}
	for i := 1; i < len(rows); i++ {
		if lo, hi := rows[i-1], rows[i]; ma <= hi.running {
			f := (ma - lo.running) / (hi.running - lo.running)
			src := hi.source
			if f < 0.5 {
				src = lo.source
			}
			return lo.shellHigh + f*(hi.shellHigh-lo.shellHigh), src
		}
	}
	last := rows[len(rows)-1]
	return last.shellHigh, last.source
}

func (b *builder) base() Limit {
	l := b.practice(BasePressure, "Base pressure", "lowest pressure", frame.Pressure, phase.FinalPump, phase.Cool)
	t := b.t.practice["base-target"]
	l.Reason = fmt.Sprintf("%s; aim for %s.", l.Reason[:len(l.Reason)-1], Say(t.high*micron, "Pa"))
	return l
}

// rise is the rate of rise at which, in the time from shutting the pump to the
// seal, no more air than allowed gets into the fill (handbook 12). Tube and
// manifold leak and are filled together, so their volume falls out; it only
// tells how big a leak that is.
func (b *builder) rise() Limit {
	e := b.e
	if e.FillTarget != e.FillTarget {
		return b.row("rise-general", RateOfRise, "Rate of rise", "rate of rise", 0, phase.LeakTest)
	}
	imp, iso := b.t.practice["impurity"], b.t.practice["isolated"]
	l := Limit{
		ID: RateOfRise, Title: "Rate of rise", Quantity: "rate of rise", Unit: "Pa/s", Phases: []phase.ID{phase.LeakTest},
		Low: math.NaN(), High: imp.high * 1e-6 * e.FillTarget / iso.low, Basis: Computed, Source: imp.source,
		Reason: fmt.Sprintf("At more, over %.0f ppm of air would be in the fill after %.0f minutes shut.",
			imp.high, iso.low/60),
		Formula: fmt.Sprintf("%.0f ppm × %s ÷ %.0f s", imp.high, Say(e.FillTarget, "Pa"), iso.low),
	}
	if v := Volume(e.Card) + e.Bench.ManifoldVolume; e.Bench.ManifoldVolume > 0 && Volume(e.Card) > 0 {
		l.Formula += fmt.Sprintf("; in %.2f L of tube and manifold a leak of %.1e Torr L/s", v*1000, l.High*v/torr*1000)
	}
	return l
}

// fill sets the fill target and the fill-pressure limit, both at 20 °C.
func (b *builder) fill() {
	e := b.e
	l := Limit{
		ID: FillPressure, Title: "Fill pressure at 20 °C", Role: frame.Pressure, Quantity: "fill pressure at 20 °C",
		Unit: "Pa", Phases: []phase.ID{phase.Fill, phase.TipOff},
		Reason: "Too little gas wears out the electrodes; too much makes the tube dim and hard to start.",
	}
	od := e.Card.Outside * 1000
	rows := b.t.fill[e.Card.Gas]
	switch op := e.Card.Operator.FillPressure; {
	case !e.Known:
		l = unknown(l, noCard)
	case op > 0:
		tol := b.t.practice["fill-tolerance"].high / 100 / 2
		e.FillTarget = op
		l.Low, l.High, l.Basis = op*(1-tol), op*(1+tol), FromCard
		l.Formula = fmt.Sprintf("%s ± %.0f %%", Say(op, "Pa"), tol*100)
		l.Source = "the operator's own fill on the card"
	case len(rows) == 0:
		l = unknown(l, fmt.Sprintf("There is no fill table for the gas %q.", e.Card.Gas))
	case od <= 0:
		l = unknown(l, "The card does not give the outside diameter.")
	case od < rows[0].outside || od > rows[len(rows)-1].outside:
		l = unknown(l, fmt.Sprintf("The fill table goes from %g to %g mm outside diameter; the tube has %.3g mm.",
			rows[0].outside, rows[len(rows)-1].outside, od))
	default:
		low, high, src := interpolateFill(rows, od)
		target := (low + high) / 2
		l.Formula = fmt.Sprintf("table at %.3g mm: %.3g to %.3g Torr", od, low, high)
		if e.Card.Gas == "neon" {
			k := b.t.practice["neon-p-od"]
			target = k.low / od
			l.Formula += fmt.Sprintf("; target %.0f Torr mm ÷ %.3g mm = %.3g Torr", k.low, od, target)
		}
		tol := b.t.practice["fill-tolerance"].high / 100
		e.FillTarget = target * torr
		l.Low, l.High = min(low, target*(1-tol))*torr, max(high, target*(1+tol))*torr
		l.Basis, l.Source = CommonPractice, src
	}
	b.fillLimit = l
}

func interpolateFill(rows []fillRow, od float64) (low, high float64, source string) {
	for i := 1; i < len(rows); i++ {
		if a, c := rows[i-1], rows[i]; od <= c.outside {
			f := (od - a.outside) / (c.outside - a.outside)
			return a.low + f*(c.low-a.low), a.high + f*(c.high-a.high), c.source
		}
	}
	return rows[0].low, rows[0].high, rows[0].source
}
