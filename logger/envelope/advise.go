package envelope

import (
	"fmt"
	"math"
	"time"

	"tipoff/logger/phase"
)

// Summary is what advice needs to know of a run beside the findings, in SI
// units; NaN where it is not known.
type Summary struct {
	RateCurrent, RatePressure       float64 // when the glass heated fastest
	BombardPressure, BombardCurrent float64 // means while the arc burnt in bombard
	ShellPressure, ShellCurrent     float64 // means while the arc burnt in shells
	GasTemperature                  float64 // hottest glass while gas was let in
	FillGauge, FillTemperature      float64 // gauge reading and glass at the end of the fill
	// Planned: the bench's model gives pressures and currents for the next tube
	// (logger/plan), so that advice by rule of thumb leaves them out.
	Planned bool
}

func newSummary() Summary {
	n := math.NaN()
	return Summary{n, n, n, n, n, n, n, n, n, false}
}

// Summary is what advice needs to know of the run so far.
func (c *Checker) Summary() Summary {
	s, m := c.summary, &c.sums
	if m.bombard > 0 {
		s.BombardPressure, s.BombardCurrent = m.bombardP/m.bombard, m.bombardI/m.bombard
	}
	if m.shells > 0 {
		s.ShellPressure, s.ShellCurrent = m.shellsP/m.shells, m.shellsI/m.shells
	}
	return s
}

// step is by how much air is changed from one run to the next where the
// physics gives only the direction: small enough to stay on the safe side.
const step = 0.2

// Advise says what to do otherwise with the next such tube, in plain sentences
// with numbers. Only what was clearly outside leads to advice, and only where
// the run has the numbers for it.
func Advise(e *Envelope, findings []Finding, phases []phase.Segment, s Summary) []string {
	a := adviser{e: e, s: s, phases: phases, by: map[string]*Finding{}}
	for i := range findings {
		a.by[findings[i].Limit.ID] = &findings[i]
	}
	a.heating()
	a.balance()
	a.pumping()
	a.gas()
	return a.list
}

type adviser struct {
	e      *Envelope
	s      Summary
	phases []phase.Segment
	by     map[string]*Finding
	list   []string
}

func (a *adviser) say(format string, args ...any) {
	a.list = append(a.list, fmt.Sprintf(format, args...))
}

// off gives a finding that is outside, and whether it is above the limit.
func (a *adviser) off(id string) (f *Finding, high bool) {
	f = a.by[id]
	if f == nil || f.Verdict != Outside {
		return nil, false
	}
	return f, f.Measured > f.Limit.High
}

func (a *adviser) heating() {
	if f, _ := a.off(HeatingRate); f != nil {
		// Nearly all the heat is in the column, whose voltage hardly depends on
		// the current, so that the rate goes as the current.
		cut := 1 - f.Limit.High/f.Measured
		if a.s.Planned {
			a.say("The glass heated at %s; at most %s is wanted.", Say(f.Measured, "°C/s"), Say(f.Limit.High, "°C/s"))
		} else if i := a.s.RateCurrent; i > ArcCurrent {
			a.say("The glass heated at %s; at most %s is wanted. Lower the current from %s to about %s at that stage.",
				Say(f.Measured, "°C/s"), Say(f.Limit.High, "°C/s"), Say(i, "A"), Say(i*(1-cut), "A"))
		} else {
			a.say("The glass heated at %s; at most %s is wanted. Lower the current by about %.0f %%.",
				Say(f.Measured, "°C/s"), Say(f.Limit.High, "°C/s"), cut*100)
		}
	}
	if f, _ := a.off(CurrentLimit); f != nil {
		a.say("The current went to %s, %s above the limit. Keep the choke further in.",
			Say(f.Measured, "A"), Say(f.Degree, "A"))
	}
	if f, high := a.off(StrikeWindow); f != nil {
		if high {
			a.say("The arc was struck at %s. Let in less air next time: at most %s.",
				Say(f.Measured, "Pa"), Say(f.Limit.High, "Pa"))
		} else {
			a.say("The arc was struck at %s. Let in more air next time, at least %s, so that the heat goes into the glass.",
				Say(f.Measured, "Pa"), Say(f.Limit.Low, "Pa"))
		}
	}
	if f, _ := a.off(GlassTarget); f != nil {
		a.say("The glass got to %s, %s short of the target. Bombard on until it reads %s.",
			Say(f.Measured, "°C"), sayDifference(f.Degree, "°C"), Say(f.Limit.Low, "°C"))
	}
}

// balance is on glass against shells: much air heats the glass, little air
// heats the shells.
func (a *adviser) balance() {
	ceiling, _ := a.off(GlassCeiling)
	short, _ := a.off(ShellTime)
	window, high := a.off(ShellWindow)
	if ceiling != nil {
		text := fmt.Sprintf("The glass went to %s, %s over its ceiling.", Say(ceiling.Measured, "°C"), sayDifference(ceiling.Degree, "°C"))
		if !a.s.Planned {
			text += " Switch the arc off at a reading so much lower than this time."
		}
		a.list = append(a.list, text)
	}
	switch p := a.s.BombardPressure; {
	case a.s.Planned && ceiling != nil && short != nil:
		a.say("The glass was at its ceiling before the shells were done.")
	case ceiling != nil && short != nil && p > 0:
		a.say("The glass was at its ceiling before the shells were done: bombard with less air, about %s instead of %s on average "+
			"(one fifth less; the right step is not known), so that the shells get more of the heat.",
			Say(p*(1-step), "Pa"), Say(p, "Pa"))
	case short != nil && a.s.Planned:
		a.say("The shells had the arc for %s; at least %s is wanted.", Say(short.Measured, "s"), Say(short.Limit.Low, "s"))
	case short != nil:
		a.say("The shells had the arc for %s; hold them %s longer.",
			Say(short.Measured, "s"), Say(short.Degree, "s"))
	}
	switch p := a.s.ShellPressure; {
	case window == nil:
	case high && p > 0:
		a.say("While the shells were heated the pressure went to %s (%s on average). Pump down to %s or below first.",
			Say(window.Measured, "Pa"), Say(p, "Pa"), Say(window.Limit.High, "Pa"))
	case !high:
		a.say("While the shells were heated the pressure fell to %s. Keep it above %s, or metal is sputtered onto the glass.",
			Say(window.Measured, "Pa"), Say(window.Limit.Low, "Pa"))
	}
	if f, high := a.off(ShellCurrent); f != nil && !high && !a.s.Planned {
		a.say("The shells had %s in the mean; they want %s at least to get bright.", Say(f.Measured, "A"), Say(f.Limit.Low, "A"))
	}
	if f, high := a.off(HeatingBand); f != nil && high && !a.s.Planned && short == nil {
		a.say("The glass rose by %s in the mean; at %s it is at its ceiling only when the shells are done. Bombard with less air or less current.",
			Say(f.Measured, "°C/s"), Say(f.Limit.High, "°C/s"))
	}
	if f, _ := a.off(SputterPressure); f != nil && (window == nil || high) {
		a.say("The arc burnt at %s. Switch it off, or let in air, before the pressure falls below %s.",
			Say(f.Measured, "Pa"), Say(f.Limit.Low, "Pa"))
	}
}

func (a *adviser) pumping() {
	if f, _ := a.off(RateOfRise); f != nil {
		text := fmt.Sprintf("With the pump shut the pressure rose by %s; at most %s is wanted.",
			Say(f.Measured, "Pa/s"), Say(f.Limit.High, "Pa/s"))
		if p := a.e.FillTarget; p > 0 {
			// Five minutes shut is the time that the limit is made for.
			text += fmt.Sprintf(" In 5 minutes that is %s of the fill.", Say(f.Measured*300/p, "1"))
		}
		a.list = append(a.list, text+" Look for a leak along welds and stopcocks; a rise that levels off is gas from the walls.")
	}
	base, _ := a.off(BasePressure)
	if base != nil {
		a.say("The pressure fell only to %s before the gas was let in; at most %s is wanted. You pumped for %s after the arc: "+
			"pump longer, and look at oil, grease and stopcocks if that does not help.",
			Say(base.Measured, "Pa"), Say(base.Limit.High, "Pa"), sayTime(a.pumped()))
	}
	if f, _ := a.off(BaseHot); f != nil && base == nil {
		a.say("Base was reached when the glass had cooled to %s. Open the main as soon as the arc is off, so that it is reached above %s.",
			Say(f.Measured, "°C"), Say(f.Limit.Low, "°C"))
	}
}

// pumped is the time in final-pump and cool after the last arc.
func (a *adviser) pumped() time.Duration {
	var d time.Duration
	for _, s := range a.phases {
		switch s.Phase {
		case phase.Bombard, phase.Shells:
			d = 0
		case phase.FinalPump, phase.Cool:
			d += s.To - s.From
		}
	}
	return d
}

// coolingTime is how long a bare tube takes to cool, s; 0 if it does not.
// cooling is the relaxation rate near the ceiling; on the way down the glass
// loses heat at 0.45 of it on average, which meets the cooling times of
// trade.md 9 within a tenth.
func coolingTime(cooling, from, to, room float64) float64 {
	if !(cooling > 0 && to > room && from > to) {
		return 0
	}
	return math.Log((from-room)/(to-room)) / (0.45 * cooling)
}

func (a *adviser) gas() {
	if f, _ := a.off(GasTemperature); f != nil {
		text := fmt.Sprintf("Gas was let in with the glass at %s.", Say(f.Measured, "°C"))
		if wait := coolingTime(a.e.cooling, f.Measured, f.Limit.High, a.e.Bench.Room()); wait > 0 {
			text += fmt.Sprintf(" Wait until it reads %s: about %s more on a bare tube in still air.",
				Say(f.Limit.High, "°C"), sayTime(time.Duration(wait*float64(time.Second))))
		}
		a.list = append(a.list, text)
	}
	if f, _ := a.off(FlushDilution); f != nil {
		a.say("The gas that was let in met so much old gas that %s of it is in the fill; at most %s is wanted. Let gas in as soon as the pump is shut, or flush once more.",
			Say(f.Measured, "1"), Say(f.Limit.High, "1"))
	}
	if f, _ := a.off(TipOffTime); f != nil {
		a.say("The tube stood shut for %s from the fill to the seal; seal it within %s.", Say(f.Measured, "s"), Say(f.Limit.High, "s"))
	}
	f, high := a.off(FillPressure)
	if warm, _ := a.off(TipOffGlass); warm != nil && f == nil {
		a.say("The tube was sealed with the glass at %s. Below %s the gauge tells the fill; above, the temperature of the gas does.",
			Say(warm.Measured, "°C"), Say(warm.Limit.High, "°C"))
	}
	if f == nil {
		// At the edge, what to read on the gauge is worth saying, too.
		if f = a.by[FillPressure]; f == nil || f.Verdict != Marginal || f.Vague {
			return
		}
		high = f.Measured > a.e.FillTarget
	}
	word := "below"
	if high {
		word = "above"
	}
	text := fmt.Sprintf("The fill comes to %s at 20 °C, %s %s the target of %s.", Say(f.Measured, "Pa"),
		Say(math.Abs(f.Measured-a.e.FillTarget), "Pa"), word, Say(a.e.FillTarget, "Pa"))
	if t := a.s.FillTemperature; t == t {
		text += fmt.Sprintf(" Next time stop at %s on the gauge with the glass at %s.", Say(a.e.FillGaugeAt(t), "Pa"), Say(t, "°C"))
	}
	a.list = append(a.list, text)
}
