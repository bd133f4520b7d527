package envelope

import (
	"fmt"
	"math"

	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// base is the lower of common practice and of what leaves no more than the
// allowed impurity in the fill. If a flush follows, only common practice counts:
// what is gaseous is diluted, what clings to the walls is not.
func (b *builder) base() Limit {
	l := b.practice(BasePressure, "Base pressure", "lowest pressure", frame.Pressure, phase.FinalPump, phase.Cool)
	b.e.reached = l.High
	t := b.t.practice["base-target"]
	l.Reason = fmt.Sprintf("%s; aim for %s.", l.Reason[:len(l.Reason)-1], Say(t.high*micron, "Pa"))
	b.e.flushed = l
	imp := b.t.practice["impurity"]
	p := imp.high * 1e-6 * b.e.FillTarget
	if !(p < l.High) {
		return l
	}
	l.High, l.U, l.Basis = p, imp.highU*1e-6*b.e.FillTarget, Computed
	l.Formula = fmt.Sprintf("%.0f ppm × %s without a flush; with one at most %s", imp.high, Say(b.e.FillTarget, "Pa"), Say(b.e.flushed.High, "Pa"))
	l.Source = imp.source + "; with a flush: " + b.e.flushed.Source
	b.e.flushed.Formula = fmt.Sprintf("a flush has followed; without one %.0f ppm × %s", imp.high, Say(b.e.FillTarget, "Pa"))
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
		Low: math.NaN(), High: imp.high * 1e-6 * e.FillTarget / iso.low, Basis: Computed, Source: imp.source + "; " + iso.source,
		Reason: fmt.Sprintf("At more, over %.0f ppm of air would be in the fill after %.0f minutes shut.",
			imp.high, iso.low/60),
		Formula: fmt.Sprintf("%.0f ppm × %s ÷ %.0f s", imp.high, Say(e.FillTarget, "Pa"), iso.low),
	}
	l.U = l.High * math.Hypot(imp.highU/imp.high, iso.lowU/iso.low)
	if v := b.shut(); v > 0 {
		l.Formula += fmt.Sprintf("; in %.2f L of tube and manifold a leak of %.1e Torr L/s", v*1000, l.High*v/torr*1000)
		if n := e.Bench.ManifoldRuns; n > 0 {
			l.Formula += fmt.Sprintf("; manifold by %s of this bench", runs(n))
		}
	}
	return l
}

// shut is the volume of tube and manifold, m³, 0 if one is not known.
func (b *builder) shut() float64 {
	if v := Volume(b.e.Card); v > 0 && b.e.Bench.ManifoldVolume > 0 {
		return v + b.e.Bench.ManifoldVolume
	}
	return 0
}

// dilution is how much of what the pump left may be in the fill.
func (b *builder) dilution() Limit {
	imp := b.t.practice["impurity"]
	l := Limit{
		ID: FlushDilution, Title: "Old gas in the fill", Quantity: "share of old gas in the fill", Unit: "1",
		Phases: []phase.ID{phase.Fill}, Low: math.NaN(), High: imp.high * 1e-6, U: imp.highU * 1e-6,
		Basis: basisOf(imp.mark), Source: imp.source, Reason: "More air than this shows in the colour; what clings to the walls comes on top.",
		Formula: "pressure the pump left ÷ fill × (pressure left ÷ flush pressure) for each flush",
	}
	if n, each, ok := b.flushes(); ok {
		l.Formula += fmt.Sprintf("; from %s to %s needs %d, each leaves 1 part in %.0f", Say(b.e.flushed.High, "Pa"), Say(b.e.FillTarget, "Pa"), n, 1/each)
	}
	return l
}

// flushes is how many flushes are needed if the pump leaves as much as common
// practice allows, and what share each leaves; ok is false where no number of them, or
// none that anybody would do, is enough.
func (b *builder) flushes() (n int, each float64, ok bool) {
	base, fill := b.t.practice[BasePressure].high*micron, b.e.FillTarget
	each = base / (b.t.practice["flush-pressure"].low * torr)
	allowed := b.t.practice["impurity"].high * 1e-6
	if !(fill > 0) || !(each < 1) || !(allowed > 0) {
		return 0, each, false
	}
	const most = 99
	for share := base / fill; share > allowed; share *= each {
		if n++; n > most {
			return 0, each, false
		}
	}
	return n, each, true
}

// tipOffTime is how long gas may stand in the shut tube before the seal.
func (b *builder) tipOffTime() Limit {
	l := b.row("isolated", TipOffTime, "Time to tip off", "time from the fill to the seal", 0, phase.Fill)
	iso := b.t.practice["isolated"]
	// The row is how long it takes; as a limit it is the most.
	l.Low, l.High, l.U, l.ULow = math.NaN(), iso.low, iso.lowU, 0
	l.Reason = "What leaks and comes off the walls until the seal stays in the tube for good."
	if rate := b.t.practice["impurity"].high * 1e-6 * b.e.FillTarget / iso.low; rate == rate {
		l.Basis = Computed
		l.Formula = fmt.Sprintf("%.0f ppm × %s ÷ the highest rate of rise allowed, %s; half the rate, twice the time",
			b.t.practice["impurity"].high, Say(b.e.FillTarget, "Pa"), Say(rate, "Pa/s"))
	}
	return l
}

// tipOffGlass is up to which temperature the tube may be sealed: where the gauge
// reads more over the pressure at 20 °C than fill charts agree, how warm the gas
// is decides the fill and not the gauge.
func (b *builder) tipOffGlass() Limit {
	tol := b.t.practice["fill-tolerance"]
	k := 1 + tol.high/100
	return Limit{
		ID: TipOffGlass, Title: "Glass at tip-off", Role: frame.Glass, Quantity: "glass temperature", Unit: "°C",
		Phases: []phase.ID{phase.Fill}, Low: math.NaN(), High: twentyC*k - zeroC, U: 3, Basis: Computed,
		Source:  tol.source + "; 3 °C: what the gas differs by from the glass, from memory",
		Formula: fmt.Sprintf("293.15 K × %.2f: there the gauge reads %.0f %% over the pressure at 20 °C", k, tol.high),
		Reason:  "In a warmer tube the temperature of the gas decides the fill more than the gauge.",
	}
}

// fill sets the fill target and gives the fill-pressure limit, both at 20 °C.
func (b *builder) fill() Limit {
	e := b.e
	l := Limit{
		ID: FillPressure, Title: "Fill pressure at 20 °C", Role: frame.Pressure, Quantity: "fill pressure at 20 °C",
		Unit: "Pa", Phases: []phase.ID{phase.Fill, phase.TipOff},
		Reason: "Too little gas wears out the electrodes; too much makes the tube dim and hard to start.",
	}
	od := tidy(e.Card.Outside * 1000)
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
	case e.Card.Gas == "":
		l = unknown(l, "The card does not give the gas.")
	case len(rows) == 0:
		l = unknown(l, fmt.Sprintf("There is no fill table for the gas %q; the bench's own tables can have one.", e.Card.Gas))
	case od <= 0:
		l = unknown(l, "The card does not give the outside diameter.")
	case od < rows[0].outside || od > rows[len(rows)-1].outside:
		l = unknown(l, fmt.Sprintf("The fill table goes from %g to %g mm outside diameter; the tube has %.3g mm.",
			rows[0].outside, rows[len(rows)-1].outside, od))
	default:
		f := interpolateFill(rows, od)
		target := (f.low + f.high) / 2
		l.Formula = fmt.Sprintf("table fill at %.3g mm: %.3g to %.3g Torr", od, f.low, f.high)
		// The rule is for the program's own neon rows; a bench's are its own word.
		if e.Card.Gas == "neon" && f.mark != benchMark {
			k := b.t.practice["neon-p-od"]
			target = k.low / od
			l.Formula += fmt.Sprintf("; target %.0f Torr mm ÷ %.3g mm = %.3g Torr", k.low, od, target)
		}
		tol := b.t.practice["fill-tolerance"].high / 100
		e.FillTarget = target * torr
		l.Low, l.High = min(f.low, target*(1-tol))*torr, max(f.high, target*(1+tol))*torr
		l.U, l.ULow = f.u*torr, f.u*torr
		l.Basis, l.Source = basisOf(f.mark), f.source
	}
	return l
}

// interpolateFill is the row for a diameter; of two, it has the mark of the
// bench if one of them is the bench's.
func interpolateFill(rows []fillRow, od float64) fillRow {
	for i := 1; i < len(rows); i++ {
		if a, c := rows[i-1], rows[i]; od <= c.outside {
			f := (od - a.outside) / (c.outside - a.outside)
			out := c
			if f == 0 || f < 1 && a.mark == benchMark {
				out.origin = a.origin
			}
			out.outside, out.low, out.high = od, a.low+f*(c.low-a.low), a.high+f*(c.high-a.high)
			return out
		}
	}
	return rows[0]
}
