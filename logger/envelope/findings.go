package envelope

import (
	"fmt"
	"math"
	"strings"
	"time"

	"tipoff/logger/phase"
)

// Findings judges each limit over the run so far, in the envelope's order.
func (c *Checker) Findings() []Finding {
	list := make([]Finding, 0, len(c.tracks))
	for i := range c.tracks {
		list = append(list, c.tracks[i].finding(c))
	}
	return list
}

func (t *track) finding(c *Checker) Finding {
	f := Finding{Limit: t.limit, Verdict: NotKnown, Measured: math.NaN(), U: math.NaN(), Duration: t.out}
	if why := t.why(c); why != "" {
		f.Text = t.limit.Title + ": not known. " + why
		return f
	}
	f.Measured, f.U, f.At, f.Phase = t.worst, t.worstU, t.at, t.phase
	l := t.limit
	if t.kind == pacing && !c.missedTarget() {
		l.Low = math.NaN() // it was not too slow: the glass got there
	}
	bad := max(t.worst-orNone(l.High, 1), orNone(l.Low, -1)-t.worst)
	f.Verdict = verdict(&l, t.worst, t.worstU)
	if why := t.unfinished(c); why != "" && f.Verdict == Outside {
		return Finding{Limit: t.limit, Verdict: NotKnown, Measured: math.NaN(), U: math.NaN(), Text: t.limit.Title + ": not known. " + why}
	}
	if f.Verdict == Marginal {
		exact := l
		exact.U, exact.ULow = 0, 0
		f.Vague = verdict(&exact, t.worst, t.worstU) == Within
	}
	f.Degree = max(0, bad)
	f.Text = t.text(&f)
	return f
}

// orNone is a bound, or infinity where there is none.
func orNone(bound float64, sign int) float64 {
	if bound != bound {
		return math.Inf(sign)
	}
	return bound
}

// why says why there is nothing to judge, "" if there is.
func (t *track) why(c *Checker) string {
	switch {
	case t.limit.Unknown != "":
		return t.limit.Unknown
	case !t.entered:
		return "The run had no " + phaseNames(t.limit.Phases) + "."
	case t.have:
		return ""
	}
	switch t.kind {
	case baseHot:
		return "Base pressure was not seen, so there is no temperature at which it was reached."
	case rising:
		return fmt.Sprintf("The manifold was not shut for the %s that a slope takes, or there was no pressure reading.",
			sayTime(riseSettle+time.Duration(c.rise.tau)*time.Second))
	case striking:
		return "No strike of the arc was seen with current and pressure both reading."
	case shells, arcOn, glowTime:
		return "The arc was not seen to burn long enough with the pressure reading."
	case filling:
		return "There was no pressure reading, or no temperature to correct it by."
	case pacing:
		return fmt.Sprintf("The glass was not heated for %s above %.0f °C, or there was no reading of it.", sayTime(paceLeast), c.env.paceAt)
	case meanOn:
		return "The arc was not seen to burn long enough with the current reading."
	case waiting:
		return "There was no pressure reading to tell the fill by."
	case diluting:
		return "The pressure was not read both before gas was let in and after."
	}
	return fmt.Sprintf("There was no usable reading of %s.", t.limit.Quantity)
}

func phaseNames(ids []phase.ID) string {
	names := make([]string, len(ids))
	for i, p := range ids {
		names[i] = p.String()
	}
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}

// text is the finding in one sentence.
func (t *track) text(f *Finding) string {
	l := &t.limit
	unit := l.Unit
	var s strings.Builder
	fmt.Fprintf(&s, "%s: %s %s", l.Title, t.measure(), SayWithin(f.Measured, 2*f.U, unit))
	if t.kind != filling && t.kind != glowTime && t.kind != diluting && t.kind != waiting {
		fmt.Fprintf(&s, " (%s)", f.Phase)
	}
	fmt.Fprintf(&s, ", %s", bounds(l))
	switch {
	case f.Vague:
		s.WriteString(": inside, but " + roughly(l, f.Measured, f.U))
	case f.Verdict == Marginal:
		s.WriteString(": too near to tell")
	case f.Verdict == Outside:
		fmt.Fprintf(&s, ": %s too %s", sayDifference(f.Degree, unit), t.direction(f.Measured))
	}
	if f.Verdict != Within && t.out > 0 {
		fmt.Fprintf(&s, ", outside for %s in all", sayTime(t.out))
	}
	s.WriteByte('.')
	return s.String()
}

// roughly says which bound of a limit x is nearer to than the bound itself is known.
func roughly(l *Limit, x, u float64) string {
	name, bound := "the limit", l.High
	uLow, uHigh := l.Doubt()
	doubt := uHigh
	lower := !(x > l.High-2*math.Hypot(orZero(u), uHigh))
	if lower {
		bound, doubt = l.Low, uLow
	}
	switch both := l.Low == l.Low && l.High == l.High; {
	case both && lower:
		name = "the lower limit"
	case both:
		name = "the upper limit"
	}
	if _, pm, ok := strings.Cut(SayWithin(bound, 2*doubt, l.Unit), " ± "); ok {
		return name + " is known only to ± " + pm
	}
	return name + " is known only roughly"
}

// measure says what the deciding value is.
func (t *track) measure() string {
	switch t.kind {
	case reach:
		return "highest"
	case lowest:
		return "lowest"
	case heating:
		return "fastest"
	case striking:
		return "struck at"
	case glowTime:
		return "arc on for"
	case baseHot:
		return "glass at"
	case rising:
		return "at the end"
	case filling:
		return "filled to"
	case pacing, meanOn:
		return "mean"
	case diluting:
		return "left"
	case waiting:
		return "took"
	case lastly:
		return "at the end"
	}
	if t.limit.Low != t.limit.Low {
		return "highest"
	}
	if t.limit.High != t.limit.High {
		return "lowest"
	}
	return "farthest off"
}

func (t *track) direction(x float64) string {
	high := x > t.limit.High
	switch t.limit.Unit {
	case "°C/s", "Pa/s":
		if high {
			return "fast"
		}
		return "slow"
	case "s":
		if high {
			return "long"
		}
		return "short"
	case "1":
		return "much"
	case "°C":
		if high {
			return "hot"
		}
		return "cold"
	}
	if high {
		return "high"
	}
	return "low"
}

func bounds(l *Limit) string {
	low, high := l.Low == l.Low, l.High == l.High
	switch {
	case low && high:
		return "limits " + span(Say(l.Low, l.Unit), Say(l.High, l.Unit))
	case low:
		return "at least " + Say(l.Low, l.Unit)
	}
	return "at most " + Say(l.High, l.Unit)
}

// deciding are the limits without which nobody can say that a tube is good.
var deciding = []string{GlassTarget, GlassCeiling, BasePressure, FillPressure}

// Overall is the verdict of a run, in words that begin with the limits that decided
// it. A run is within only if glass target and ceiling, base and fill are all known
// to be. What is marginal only because the limit itself is known roughly does not
// decide; that of the glass ceiling does, as what is beyond that cannot be mended.
// Whatever is marginal and did not decide is named in a sentence of its own, after
// those that did.
func Overall(findings []Finding) (Verdict, string) {
	var outside, marginal, vague, lacking, within, silent []string
	for i := range findings {
		f := &findings[i]
		title := lowerFirst(f.Limit.Title)
		switch f.Verdict {
		case Outside:
			outside = append(outside, title)
		case Marginal:
			if f.Vague && f.Limit.ID != GlassCeiling {
				vague = append(vague, title)
			} else {
				marginal = append(marginal, title)
			}
		case Within:
			within = append(within, title)
		default:
			silent = append(silent, title)
			for _, id := range deciding {
				if f.Limit.ID == id {
					lacking = append(lacking, title)
				}
			}
		}
	}
	switch {
	case len(outside) > 0:
		return Outside, "Outside its limits: " + and(outside) + "." + besides(marginal, vague)
	case len(within)+len(marginal)+len(vague) == 0:
		return NotKnown, "Nothing is known of this run: no limit could be judged."
	case len(lacking) > 0:
		return NotKnown, "Not known, as there is no finding on " + and(lacking) + "; nothing was found outside." + besides(marginal, vague)
	case len(marginal) > 0:
		return Marginal, "Too near to the limit to tell: " + and(marginal) + "." + besides(nil, vague)
	}
	text := "Within all limits"
	if len(silent) > 0 {
		text += " that could be judged; not known: " + and(silent)
	}
	return Within, text + "." + besides(nil, vague)
}

// besides names what is marginal beside what decided; vague is what is so only
// because the limit is known roughly.
func besides(marginal, vague []string) (text string) {
	if len(marginal) > 0 {
		text = " Too near to the limit to tell: " + and(marginal) + "."
	}
	switch {
	case len(vague) == 1:
		text += " Inside, though the limit is known only roughly: " + vague[0] + "."
	case len(vague) > 1:
		text += " Inside, though the limits are known only roughly: " + and(vague) + "."
	}
	return text
}

func lowerFirst(s string) string { return strings.ToLower(s[:1]) + s[1:] }

func and(names []string) string {
	if len(names) == 1 {
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}
