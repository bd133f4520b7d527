package drift

import (
	"fmt"
	"math"
	"time"

	"tipoff/logger/vacuum"
)

// A thermocouple whose gain has drifted reads the room's temperature right at rest: no
// check here sees it. What does see it is the bench's own heating constant: a glass
// reading that is so much of its rise too low makes the arc seem to heat the glass so
// much less for the same pressure and current. So do a worse tie, a current channel
// that has drifted and another pair of hands, so that it is only a reason to check.

// Heated is what a run says of how the arc heats the glass.
type Heated struct {
	Start   time.Time // zero if the board did not know the time
	Heating float64   // its heating constant, any unit
	U       float64   // relative standard uncertainty
}

const (
	// gainRuns is how many runs a trend takes.
	gainRuns = 10
	// gainChance: it is asked after each run, so that one in a thousand is one in some
	// years (our choice).
	gainChance = 1e-3
	// gainMoves is the change that is told: 10 °C at 220 °C.
	gainMoves = 0.05
	// gainKnown is the doubt with which a run does not count.
	gainKnown = 0.3
)

// GainWindow is how many runs, the last ones, [Gain] looks at.
const GainWindow = 40

// GainHint is what to do about [Gain].
const GainHint = "check the thermocouple in boiling water (Calibrations on the page); if it reads right, look at its tie, and at the current channel"

// Gain says in words how the glass readings seem to have drifted over runs, oldest
// first; "" if they do not as far as is known. since is from when the present
// calibration counts, zero: always.
func Gain(runs []Heated, since time.Time) string {
	var values []float64
	for _, r := range runs {
		if r.Heating > 0 && r.U < gainKnown && (since.IsZero() || r.Start.After(since)) {
			values = append(values, r.Heating)
		}
	}
	values = values[max(0, len(values)-GainWindow):]
	t, ok := vacuum.FitTrend(values)
	if !ok || t.N < gainRuns || t.Chance > gainChance {
		return ""
	}
	change := t.Last/t.First - 1
	if math.Abs(change) < gainMoves {
		return ""
	}
	way, reads := "more", "high"
	if change < 0 {
		way, reads = "less", "low"
	}
	return fmt.Sprintf("over the last %d runs the arc seems to heat the glass %.0f %% %s for the same pressure and current; if nothing else has changed, the glass reads too %s when it is hot, which cannot be seen at rest",
		t.N, 100*math.Abs(change), way, reads)
}
