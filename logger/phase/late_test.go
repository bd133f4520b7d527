package phase

import (
	"fmt"
	"math"
	"time"
)

// How good a live tracker is, told in three numbers that cannot hide each other:
// how late it comes, how often it comes too early, how often it says what is not
// so.

const (
	// lateBy is how late the tracker may be.
	lateBy = 3 * time.Second
	// earlyBy is how much too early it may come.
	earlyBy = 2 * time.Second
)

// change is what became of one true change of phase.
type change struct {
	Boundary
	late  float64 // s from the truth until the tracker first says so; +Inf if never while it lasts; 0 if it had said so before
	early bool    // it had said so more than earlyBy before, and until then
}

// changes judges every change of truth by said, the phases as the tracker showed
// them. A phase that is over within lateBy need not be shown if what follows it
// is shown in time.
func changes(truth, said []Segment) []change {
	var out []change
	for i := 1; i < len(truth); i++ {
		x := truth[i]
		c := change{Boundary: Boundary{From: truth[i-1].Phase, To: x.Phase, At: x.From}, late: math.Inf(1)}
		for _, s := range said {
			if s.Phase == x.Phase && s.To > x.From && s.From < x.To {
				c.late = max(0, (s.From - x.From).Seconds())
				c.early = s.From < x.From-earlyBy
				break
			}
		}
		if c.late > lateBy.Seconds() && x.To-x.From < lateBy && i+1 < len(truth) {
			for _, s := range said {
				if s.Phase == truth[i+1].Phase && s.From <= x.To+lateBy && s.To > x.To {
					c.late = lateBy.Seconds()
				}
			}
		}
		out = append(out, c)
	}
	return out
}

// inTime tells whether the tracker said so neither too late nor too early.
func (c *change) inTime() bool { return c.late <= lateBy.Seconds() && !c.early }

// wrong is each announcement of a phase that was not, nor had just been, nor was
// about to be: "cool said in pump-out".
func (d *drawn) wrong(truth, said []Segment) (out []string) {
	for j, s := range said {
		ok := j == 0
		in := "nothing"
		for _, x := range truth {
			ok = ok || x.Phase == s.Phase && s.From >= x.From-earlyBy && s.From <= x.To+lateBy
			if x.From <= s.From && s.From < x.To {
				in = x.Phase.String()
			}
		}
		for _, h := range d.hidden { // a tracker that has only just been started
			ok = ok || s.From >= h.From && s.From < h.To+earlyBy
		}
		if !ok {
			out = append(out, fmt.Sprintf("%s said in %s", s.Phase, in))
		}
	}
	return out
}
