package sampler

import (
	"fmt"
	"math"
	"time"

	"tipoff/logger/frame"
)

// A thermocouple that has broken where the chip cannot tell, is shorted, or hangs in
// the air shows no more than its terminals. That alone is no news: cold glass shows
// them too. But hot glass does not fall to them in a second (glass cools from 220 °C
// to 100 °C in two minutes in still air, and a junction in air takes seconds); and an
// arc heats glass: 0.8 °C/s for each ampere in the widest tube of the handbook's
// table (25 mm, 120 W/m at 0.6 A) and up to 7 °C/s in narrow ones, behind a lag of
// 2 to 5 s.
const (
	dangling = 0.6 // °C from the terminals
	// leapFrom is how far from the terminals it was within leapIn before.
	leapFrom = 5.0
	leapIn   = time.Second
	leapMost = 2 // samples at the terminals that no spark makes
	// It is doubted when doubtCharge has flowed after the lag, which gives the widest
	// tube 0.7 °C: 4.8 s at 0.5 A; with lostCharge, 2.4 °C, or after lostAfter it is no
	// reading.
	lagTime     = 3 * time.Second
	doubtCharge = 0.9 // A·s
	lostCharge  = 3.0
	lostAfter   = 20 * time.Second
	// coolAfter is how long without an arc until glass may be as cold as that.
	coolAfter = 10 * time.Minute
)

type verdict uint8

const (
	sound verdict = iota
	doubtful
	lost
)

// hanging follows one thermocouple.
type hanging struct {
	away   float64 // difference when it last was away from the terminals, °C
	awayAt time.Duration
	begun  bool
	flat   time.Duration // since when it shows the terminals', negative if it does not
	count  int           // samples since
	leapt  bool          // it came there at once
	charge float64       // that has flowed since, but for the lag, A·s
	now    verdict
	told   verdict
}

// add takes a sample: how far the hot junction is from the terminals.
func (h *hanging) add(at time.Duration, difference float64) {
	if math.Abs(difference) > dangling {
		h.away, h.awayAt, h.begun = math.Abs(difference), at, true
		h.flat, h.count, h.leapt, h.charge = -1, 0, false, 0
		return
	}
	if h.flat < 0 {
		h.flat = at
		h.leapt = h.begun && h.away >= leapFrom && at-h.awayAt <= leapIn
	}
	h.count++
}

// followHanging judges channel i's thermocouple, and tells of it where it is doubted.
// One that is lost is told of as a channel without a reading.
func (s *Sampler) followHanging(i int, at time.Duration, f *frame.Frame) {
	d := &s.doubts
	h := &d.pulses[i].hangs
	ch := &s.layout.Channels[i]
	if s.aux[i] == 0 || ch.Role != frame.Glass && ch.Role != frame.Shell {
		return
	}
	arc := d.arcSince >= 0
	h.now = sound
	if h.flat >= 0 {
		inArc := time.Duration(0)
		if arc {
			if inArc = at - max(h.flat, d.arcSince); inArc > lagTime {
				h.charge += d.amps * s.layout.Interval.Seconds()
			}
		} else if h.leapt && at-h.flat > coolAfter {
			h.leapt = false
		}
		switch {
		case inArc >= lostAfter, arc && h.charge >= lostCharge, arc && h.leapt && h.count >= leapMost:
			h.now = lost
		case h.leapt && h.count >= leapMost, arc && h.charge >= doubtCharge:
			h.now = doubtful
		}
	}
	if h.now == h.told {
		return
	}
	if h.told == doubtful {
		s.health.Clear(s.kinds.Contradiction, ch.Name, at)
	}
	h.told = h.now
	if h.now != doubtful {
		return
	}
	cause := fmt.Sprintf("the arc burns, and %s shows no more than its terminals' temperature", ch.Device)
	if h.leapt {
		cause = fmt.Sprintf("%s fell to its terminals' temperature faster than glass cools", ch.Device)
	}
	s.health.Set(s.kinds.Contradiction, ch.Name, "", cause, hangingHint, at)
}

const hangingHint = "is the thermocouple's wire whole, not shorted, and the junction on the glass? see docs/wiring"
