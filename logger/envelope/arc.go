package envelope

import (
	"fmt"
	"math"

	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// peak is that of a sine over its RMS.
const peak = math.Sqrt2

// strike is the window of air in which the arc strikes and holds: common
// practice, or below it what the bench's own strikes or the column's field allow.
func (b *builder) strike() Limit {
	l := b.practice(StrikeWindow, "Air pressure for striking", "pressure", frame.Pressure,
		phase.AdmitAir, phase.Dry, phase.Bombard)
	v, length, bore := b.e.Bench.OpenCircuit, b.e.Card.Length, b.e.Card.Bore
	if h := b.e.Bench.Hold; h.X > 0 && length > 0 {
		goes, doubt := b.e.Bench.HoldGoes.to(length, bore)
		p := h.X / UsualLength * goes
		l.Formula = join(l.Formula, fmt.Sprintf("the arc holds up to %.3g Torr m ÷ %.1f m in a usual tube and %.2g times that in this one, %s, by %s of this bench",
			h.X/torr, UsualLength, goes, Say(p, "Pa"), runs(h.Runs)))
		if p < l.High {
			l.High, l.U, l.Basis = max(p, l.Low), p*math.Hypot(h.U/h.X, doubt), FromBench
			l.Source = "what this bench's runs held and lost"
			l.Reason = "No run of this bench shows that the arc of such a tube holds at more air."
		}
		return l
	}
	if v <= 0 || length <= 0 || bore <= 0 {
		return l
	}
	hold, u := b.t.holdPressure(v, length, bore)
	formula := fmt.Sprintf("((%.2g × %.0f V − %.0f V) ÷ %.2f m ÷ [%.3g V/cm × (%.3g mm bore ÷ %.3g mm)^%.2g])^(1/%.2g) Torr = %s; "+
		"by Paschen's law a bare gap of this length strikes up to %s, in a tube the wall helps",
		b.t.value("hold-part"), v, b.t.value("hold-fall"), length, b.t.value("air-field"), bore*1000, b.t.value("air-field-bore"),
		b.t.value("air-field-power")-1, b.t.value("air-field-power"), Say(hold, "Pa"), Say(b.t.paschenReach("air", peak*v)/length, "Pa"))
	if hold >= l.High { // common practice is the narrower
		l.Formula += "; the arc holds up to " + formula
		return l
	}
	l.High, l.U, l.Basis, l.Formula = hold, u, Computed, formula
	if hold < l.Low {
		l.High = l.Low
		l.Formula += ", below what striking wants: the bombarder is small for this tube"
	}
	l.Source = b.t.constant["air-field"].source + "; " + b.t.constant["hold-part"].source
	l.Reason = "At more air the column of this tube asks for more voltage than the bombarder can hold."
	return l
}

// holdPressure is the most air, Pa, at which a bombarder of open-circuit voltage
// v holds the arc in a tube, and its standard uncertainty. The column's field
// goes as E₁ (p/1 Torr)ⁿ (d/d₁)ⁿ⁻¹, the only form of a power of pressure that
// obeys E/N = f(N d).
func (t *tables) holdPressure(v, length, bore float64) (pa, u float64) {
	n := t.value("air-field-power")
	field := (t.value("hold-part")*v - t.value("hold-fall")) / (length * 100) // V/cm
	one := t.value("air-field") * math.Pow(bore*1000/t.value("air-field-bore"), n-1)
	if field <= 0 {
		return 0, 0
	}
	p := math.Pow(field/one, 1/n)
	r := math.Hypot(t.constant["air-field"].u/t.value("air-field"), t.constant["hold-part"].u/t.value("hold-part"))
	return p * torr, p * torr * math.Hypot(r/n, t.constant["air-field-power"].u/n*math.Log(p))
}

// ColumnField is the field of the column in air at 1 Torr in a bore (m) by the tables,
// V/m, and its standard uncertainty. A nil t is the program's tables.
func (t *Tables) ColumnField(bore float64) (field, u float64) {
	all := t.orBuiltIn()
	field = 100 * all.value("air-field") * math.Pow(bore*1000/all.value("air-field-bore"), all.value("air-field-power")-1)
	return field, field * all.constant["air-field"].u / all.value("air-field")
}

// UsualLength and UsualBore are the length and bore of a usual tube, m (common practice: 1
// to 2.5 m of 15 mm tubing).
const (
	UsualLength = 1.8
	UsualBore   = 12.8e-3
)

// Holds is pressure times length up to which the arc holds on the bench, Pa m, and
// its standard uncertainty, by the tables and the open-circuit voltage and without
// any run: that of a usual tube, of which that of others differs little. 0 where
// the voltage is not known or too little for any.
func (b *Bench) Holds() (x, u float64) {
	t := b.Tables.orBuiltIn()
	p, u := t.holdPressure(b.OpenCircuit, UsualLength, UsualBore)
	return p * UsualLength, u * UsualLength
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
		l.Formula = "as the card has it"
	case rating > 0:
		first, last := b.t.electrode[0], b.t.electrode[len(b.t.electrode)-1]
		ma := rating / milli
		if ma < first.running*0.75 || ma > last.running*4/3 {
			f := b.t.practice["rated-factor"]
			l.High, l.U, l.Basis, l.Source = f.low*rating, f.lowU*rating, basisOf(f.mark), f.source
			l.Formula = fmt.Sprintf("%.3g × rating %s", f.low, Say(rating, "A"))
		} else {
			e := interpolateElectrode(b.t.electrode, ma)
			l.High, l.U, l.Basis, l.Source = e.shellHigh*milli, e.u*milli, basisOf(e.mark), e.source
			l.Formula = fmt.Sprintf("table electrode for shells at a rating of %s; %.1f times the rating", Say(rating, "A"), e.shellHigh/ma)
		}
	}
	if m := b.e.Bench.MaxCurrent; m > 0 && !(l.High <= m) {
		l.Source, l.Reason = "bench description", "The bombarder is not made for more."
		if b.e.Known && l.High != l.High {
			l.Reason = "The bombarder is not made for more; what these electrodes stand is not known without their rating."
		}
		l.High, l.U, l.Basis, l.Formula = m, 0, BenchFile, "max_current of bench.toml"
	}
	if l.High != l.High {
		if !b.e.Known {
			return unknown(l, noCard)
		}
		return unknown(l, "The card does not give the electrodes' rating.")
	}
	return l
}

func interpolateElectrode(rows []electrodeRow, ma float64) electrodeRow {
	if ma <= rows[0].running {
		return rows[0]
	}
	for i := 1; i < len(rows); i++ {
		if lo, hi := rows[i-1], rows[i]; ma <= hi.running {
			f := (ma - lo.running) / (hi.running - lo.running)
			out := hi
			if f < 0.5 {
				out = lo
			}
			out.shellLow = lo.shellLow + f*(hi.shellLow-lo.shellLow)
			out.shellHigh = lo.shellHigh + f*(hi.shellHigh-lo.shellHigh)
			return out
		}
	}
	return rows[len(rows)-1]
}

// shellWindow is the air pressure for heating shells: below it metal is
// sputtered; above it the heat stays in the column, as practice has it and as
// follows from where the highest allowed current no longer makes these shells
// bright.
func (b *builder) shellWindow(current Limit) Limit {
	l := b.practice(ShellWindow, "Air pressure for shells", "pressure", frame.Pressure, phase.Shells)
	s := &b.e.shell
	if s.area == 0 || !(current.High > 0) {
		return l
	}
	need := b.t.value("shell-reserve") * s.radiated(s.bright, 200) / (0.5 * current.High * s.into)
	x := (need/s.fall - 1) / s.rises // the root of the density over the normal one
	p := math.Inf(1)                 // the normal fall alone is enough
	if x > 0 {
		p = math.Sqrt(current.High/(s.density*s.area)) / x * torr
	}
	formula := fmt.Sprintf("by the shells' own heat (%s at most, %s of shell) bright up to %s", Say(current.High, "A"), Say(s.area, "m²"), Say(p, "Pa"))
	switch {
	case math.IsInf(p, 1) || p >= l.High:
		if math.IsInf(p, 1) {
			formula = "the shells get bright at any of these pressures"
		}
		l.Formula += "; " + formula
	case p <= 1.2*l.Low:
		l.Formula += "; " + formula + ", which leaves no window: the current limit is low for these shells"
	default:
		// Two independent estimates: the mean, weighted by what each is known to.
		u := s.doubt * need / s.fall / max(0.1, need/s.fall-1) * p
		up := math.Hypot(l.U, b.t.value("table-doubt")*l.High)
		w, wp := 1/(u*u), 1/(up*up)
		l.Formula += "; " + formula + "; weighted mean"
		l.High, l.U = (w*p+wp*l.High)/(w+wp), 1/math.Sqrt(w+wp)
		l.Basis = Computed
		l.Source += "; " + b.t.constant["cathode-fall"].source + "; " + b.t.constant["fall-rises"].source
	}
	return l
}

// shellCurrent is the band of current for heating shells, as the mean over the
// step: enough to make them bright in the middle of the pressure window, and
// not above the current limit.
func (b *builder) shellCurrent(current, window Limit) Limit {
	l := Limit{
		ID: ShellCurrent, Title: "Current for shells", Role: frame.Current, Quantity: "mean current", Unit: "A",
		Phases: []phase.ID{phase.Shells}, Low: math.NaN(), High: current.High, U: current.U,
		Reason: "With less the shells do not get bright, with more they are sputtered.",
	}
	s := &b.e.shell
	if current.Unknown != "" {
		return unknown(l, current.Unknown)
	}
	l.Basis, l.Source = current.Basis, current.Source
	if s.area == 0 {
		l.Formula = "at most the current limit; no least current, as the card gives neither the shells' area nor the electrodes' rating"
		return l
	}
	p := math.Sqrt(window.Low * window.High)
	need := s.radiated(s.bright, 200)
	low, high := 0.001, 20.0
	for range 60 {
		if mid := (low + high) / 2; s.power(mid, p/torr) < need {
			low = mid
		} else {
			high = mid
		}
	}
	// Heat goes as the current and the fall, which grows with its root.
	u := s.doubt * low / 1.35
	how := "area from the card"
	if s.guessed {
		how = "area guessed from the rating"
	}
	l.Formula = fmt.Sprintf("least: ½ I V κ = ε σ A (T⁴ − T_glass⁴) at %.0f °C, %s and %s of shell (%s): %s",
		s.bright, Say(p, "Pa"), Say(s.area, "m²"), how, SayWithin(low, 2*u, "A"))
	l.Source = b.t.constant["cathode-fall"].source + "; " + b.t.constant["fall-rises"].source
	l.Basis = Computed
	if rating := b.e.Card.Electrode.Rating; rating > 0 {
		e := interpolateElectrode(b.t.electrode, rating/milli)
		table, ut := e.shellLow*milli, e.u*milli
		if e.mark == benchMark {
			low, u, l.Basis = table, ut, BenchTable
			l.Formula += "; the bench's table has " + Say(table, "A") + ", which counts"
		} else {
			// Two independent estimates: the mean, weighted by what each is known to.
			ut = math.Hypot(ut, b.t.value("table-doubt")*table)
			w, wt := 1/(u*u), 1/(ut*ut)
			low, u = (w*low+wt*table)/(w+wt), 1/math.Sqrt(w+wt)
			l.Formula += fmt.Sprintf("; the table electrode has %s; weighted mean %s", SayWithin(table, 2*ut, "A"), Say(low, "A"))
		}
		l.Source += "; " + e.source
	}
	l.Formula += "; most: the current limit"
	if low < l.High {
		l.Low, l.ULow = low, u
	} else {
		l.Formula += ", which is below the least: the current limit is low for these shells"
	}
	return l
}

// heatingBand is how fast the glass may and must rise, in the mean from the end
// of the preheat on with the arc burning: not so fast that it is at its ceiling
// before the shells are done, nor, where it does not get to its target, so slow
// that it takes longer than practice.
func (b *builder) heatingBand(target, ceiling, current, window Limit) Limit {
	e, s := b.e, &b.e.shell
	pre := b.t.practice[PreheatEnd]
	from := (pre.low + pre.high) / 2
	e.paceAt = from
	l := Limit{
		ID: HeatingBand, Title: "Heating band", Quantity: "mean heating rate", Unit: "°C/s",
		Phases: []phase.ID{phase.Bombard, phase.Shells}, Low: math.NaN(), High: math.NaN(), Basis: Computed,
		Reason: "Faster, the glass is at its ceiling before the shells are done; slower, it may stall below its target.",
	}
	if !e.Known {
		return unknown(l, noCard)
	}
	var lack string
	if s.area > 0 && current.Unknown == "" && ceiling.High > from {
		amps, p := current.High, math.Sqrt(window.Low*window.High)
		if current.Low == current.Low {
			amps = (current.Low + current.High) / 2
		}
		hold := b.t.practice[ShellTime]
		if warm := s.warming(amps, p/torr, (from+ceiling.High)/2); !math.IsInf(warm, 1) {
			t := warm + hold.low
			// Near the balance the time depends the more on the heat.
			faster := s.warming(amps*(1+s.doubt/1.35), p/torr, (from+ceiling.High)/2)
			ut := math.Hypot(warm-faster, hold.lowU)
			l.High = (ceiling.High - from) / t
			l.U = l.High * math.Hypot(ut/t, ceiling.U/(ceiling.High-from))
			l.Formula = fmt.Sprintf("most: (%.0f − %.0f) °C ÷ (%s to bright at %s and %s + %s bright)",
				ceiling.High, from, Say(warm, "s"), Say(amps, "A"), Say(p, "Pa"), Say(hold.low, "s")) + s.taughtBy()
			if s.taught > 0 {
				l.Basis = FromBench
			}
		} else {
			lack = "at this current the shells do not get bright by computation"
		}
	} else {
		lack = "the card gives neither the shells' area nor the electrodes' rating"
	}
	longest := b.t.practice["bombard-time"]
	switch {
	case target.Unknown == "" && target.Low > from:
		low := (target.Low - from) / longest.high
		text := fmt.Sprintf("least: (%.0f − %.0f) °C ÷ %s", target.Low, from, Say(longest.high, "s"))
		if g, ok := b.t.glass[e.Card.Glass]; ok && e.Card.Bore > 0 && e.Card.Outside > e.Card.Bore {
			text += fmt.Sprintf("; by the tube's balance of heat it stalls below the target if at %.0f °C it rises by less than %s (%s)", from,
				Say(e.air.stallRate(perArea(g, e.Card.Outside, e.Card.Bore), from, target.Low, e.Bench.Room()), "°C/s"), b.stillAir())
		}
		if l.High != l.High || low < l.High {
			l.Low, l.ULow = low, low*longest.highU/longest.high
		} else {
			text += "; that is above the most: these shells take longer than practice gives the glass"
		}
		l.Formula = join(l.Formula, text)
	case lack != "":
		return unknown(l, "The card lacks what it is computed from: for the least the coating, for the most "+lack+".")
	}
	if lack != "" {
		l.U, l.ULow, l.Basis = l.ULow, 0, basisOf(longest.mark)
		l.Formula = join(l.Formula, "no most, as "+lack)
	}
	l.Source = b.t.constant["cathode-fall"].source + "; " + b.t.constant["fall-rises"].source + "; least: " + longest.source + "; " + b.airSource()
	return l
}

func join(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}
