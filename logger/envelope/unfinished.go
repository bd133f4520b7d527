package envelope

import "tipoff/logger/phase"

// during is what is being done in a phase at whose end a limit must be met; in tip-off
// the fill is over.
var during = map[phase.ID]string{
	phase.Dry: "drying", phase.Bombard: "bombarding", phase.Shells: "heating the shells",
	phase.Cool: "cooling", phase.FinalPump: "pumping", phase.Flush: "flushing", phase.Fill: "filling",
}

// unfinished says of a limit that was still to be met when the run ended that it is not
// known: the recorder was stopped, or the trace is over, and nobody saw how it went on.
// "" where it was met, or can not be any more.
func (t *track) unfinished(c *Checker) string {
	short := false
	switch t.kind {
	case filling, reach, glowTime:
		short = t.worst < t.limit.Low
	case lowest:
		short = t.worst > t.limit.High
	}
	doing, ok := during[c.phase]
	if !short || !ok || t.phases&(1<<c.phase) == 0 {
		return ""
	}
	x := t.worst
	if t.kind == filling && t.value == t.value {
		x = t.value // the worst is from when it was last steady
	}
	return "The run ended while " + doing + ", at " + Say(x, t.limit.Unit) + "."
}
