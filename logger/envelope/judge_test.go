package envelope

import (
	"strings"
	"testing"
	"time"

	"tipoff/logger/phase"
)

// A value that is inside, and nearer only than the limit itself is known, does
// not make a run marginal; that of the glass ceiling does.
func TestVague(t *testing.T) {
	run := good()
	run[9].amps, run[10].amps = 385, 385 // least 350 or so, known to ± 80
	by, list, _, _ := judged(t, run, 100*time.Millisecond, tight)
	f := by[ShellCurrent]
	if f.Verdict != Marginal || !f.Vague || f.Degree != 0 || !strings.Contains(f.Text, ": inside, but the lower limit is known only to ± 92 mA.") {
		t.Errorf("%+v", f)
	}
	if v, text := Overall(list); v != Within || !strings.HasSuffix(text, ". Inside, though the limit is known only roughly: current for shells.") {
		t.Errorf("%v %q", v, text)
	}
	run = good()
	run[10].glass = 270 // 275 ± 14
	by, list, _, _ = judged(t, run, 100*time.Millisecond, tight)
	if f := by[GlassCeiling]; f.Verdict != Marginal || !f.Vague {
		t.Errorf("%+v", f)
	}
	if v, _ := Overall(list); v != Marginal {
		t.Errorf("a ceiling that is near: %v", v)
	}
}

// What decides is named first, each kind of marginal in a sentence of its own after
// it, and nothing twice.
func TestOverallNamesMarginal(t *testing.T) {
	row := func(id, title string, v Verdict, vague bool) Finding {
		return Finding{Limit: Limit{ID: id, Title: title}, Verdict: v, Vague: vague}
	}
	target, base, fill := row(GlassTarget, "Glass target", Within, false), row(BasePressure, "Base pressure", Within, false), row(FillPressure, "Fill pressure", Within, false)
	ceiling := row(GlassCeiling, "Glass ceiling", Within, false)
	hot := row(GlassCeiling, "Glass ceiling", Outside, false)
	near, rough := row(PreheatEnd, "Preheat", Marginal, false), row(RateOfRise, "Rate of rise", Marginal, true)
	const nearToo, roughToo = " Too near to the limit to tell: preheat.", " Inside, though the limit is known only roughly: rate of rise."
	for _, c := range []struct {
		list []Finding
		v    Verdict
		text string
	}{
		{[]Finding{target, ceiling, base, fill}, Within, "Within all limits."},
		{[]Finding{rough, target, ceiling, base, fill}, Within, "Within all limits." + roughToo},
		{[]Finding{rough, target, ceiling, base, fill, row(ShellWindow, "Air pressure for shells", Marginal, true)}, Within,
			"Within all limits. Inside, though the limits are known only roughly: rate of rise and air pressure for shells."},
		{[]Finding{near, rough, target, ceiling, base, fill}, Marginal, "Too near to the limit to tell: preheat." + roughToo},
		{[]Finding{near, rough, target, hot, base, fill}, Outside, "Outside its limits: glass ceiling." + nearToo + roughToo},
		{[]Finding{near, rough, target, ceiling, base, row(FillPressure, "Fill pressure", NotKnown, false)}, NotKnown,
			"Not known, as there is no finding on fill pressure; nothing was found outside." + nearToo + roughToo},
	} {
		if v, text := Overall(c.list); v != c.v || text != c.text {
			t.Errorf("%v %q, want %v %q", v, text, c.v, c.text)
		}
	}
}

// The band's least counts only where the target was missed: a run that warms the
// glass slowly and gets there is not too slow.
func TestSlowButThere(t *testing.T) {
	run := good()
	run[8].seconds, run[10].seconds = 250, 150 // 0.3 °C/s from 115 °C on; the least is 0.5
	by, _, _, _ := judged(t, run, time.Second, tight)
	f := by[HeatingBand]
	if f.Verdict != Within || f.Degree != 0 || !(f.Measured < f.Limit.Low) {
		t.Errorf("%+v", f)
	}
	near(t, "mean rate", f.Measured, (244-115)/(250*(236-115)/148.0+155), 0.01)
}

// After a flush base is judged by common practice, before it by what would stay
// in the fill.
func TestFlushEasesBase(t *testing.T) {
	run := good()
	run[12].torr, run[13].torr = 0.009, 0.007
	by, _, _, _ := judged(t, run, 100*time.Millisecond, tight)
	if f := by[BasePressure]; f.Verdict != Outside && f.Verdict != Marginal || f.Degree == 0 {
		t.Errorf("7 micron without a flush: %+v", f)
	}
	flushed := append(append([]stage{}, run[:14]...), stage{phase.Flush, 20, 5, 40, 0, false}, stage{phase.Flush, 20, 0.004, 40, 0, false})
	by, _, _, _ = judged(t, append(flushed, run[14:]...), 100*time.Millisecond, tight)
	if f := by[BasePressure]; f.Degree != 0 || f.Limit.High != 10*micron || !strings.Contains(f.Limit.Formula, "a flush has followed") {
		t.Errorf("7 micron with one: %+v", f)
	}
	// By hand: 7 micron, but for the 5 s that are looked back, diluted by 5 Torr,
	// then 4 micron in 9.614 Torr.
	near(t, "old gas", by[FlushDilution].Measured, 0.007/5*0.004/9.614, 0.05*0.007/5*0.004/9.614)
}

// What the bench's own runs have held goes before the column's field.
func TestBenchHolds(t *testing.T) {
	b := Bench{OpenCircuit: 15e3, Hold: Learned{X: 3.6 * torr, U: 0.3 * torr, Runs: 9}}
	l, _ := Compute(neon15(), true, b).Limit(StrikeWindow)
	near(t, "3.6 Torr m over 1.2 m, Torr", l.High/torr, 3, 1e-9)
	near(t, "its uncertainty", l.U/torr, 0.25, 1e-9)
	if l.Basis != FromBench || !strings.Contains(l.Formula, "9 runs") {
		t.Errorf("%+v", l)
	}
	b.Hold.X = 60 * torr
	if l, _ = Compute(neon15(), true, b).Limit(StrikeWindow); l.High != 5*torr || l.Basis != CommonPractice || !strings.Contains(l.Formula, "9 runs") {
		t.Errorf("common practice is narrower: %+v", l)
	}
	// A bombarder that is too small: no window, and the formula says so.
	card := neon15()
	card.Length = 4
	if l, _ = Compute(card, true, Bench{OpenCircuit: 9e3}).Limit(StrikeWindow); l.High != l.Low || !strings.Contains(l.Formula, "small for this tube") {
		t.Errorf("4 m on 9 kV: %+v", l)
	}
}
