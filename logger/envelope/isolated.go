package envelope

import (
	"fmt"
	"time"

	"tipoff/logger/phase"
)

// Isolated is what was seen of the rise of pressure where no leak test could be
// judged: in one cut short, or while gas was in.
type Isolated struct {
	Rate, U float64 // Pa/s with its standard uncertainty, for the shut volume at the room's temperature
	At      time.Duration
	Phase   phase.ID
	Where   string // in words: "shut with gas in for 38 s"
}

// JudgeIsolated judges the limit on the rate of rise by x where the run's leak test
// gave no verdict. Where x is not known to within the limit itself it tells nothing of
// it but what would have shown, unless it is outside.
func JudgeIsolated(findings []Finding, x Isolated) {
	for i := range findings {
		f := &findings[i]
		l := &f.Limit
		if l.ID != RateOfRise || f.Verdict != NotKnown || l.Unknown != "" || l.High != l.High || x.Rate != x.Rate {
			continue
		}
		v := verdict(l, x.Rate, x.U)
		if v == Marginal && 2*x.U > l.High {
			f.Text += fmt.Sprintf(" %s a rise of more than %s would have shown; %s is allowed.", upperFirst(x.Where),
				Say(max(0, x.Rate)+2*x.U, l.Unit), bounds(l))
			continue
		}
		f.Verdict, f.Measured, f.U, f.At, f.Phase = v, x.Rate, x.U, x.At, x.Phase
		f.Degree = max(0, x.Rate-l.High)
		f.Text = fmt.Sprintf("%s: %s (%s), %s", l.Title, SayWithin(x.Rate, 2*x.U, l.Unit), x.Where, bounds(l))
		switch v {
		case Outside:
			f.Text += fmt.Sprintf(": %s too fast", sayDifference(f.Degree, l.Unit))
		case Marginal:
			f.Text += ": too near to tell"
		}
		f.Text += "."
	}
}
