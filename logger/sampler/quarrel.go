package sampler

import (
	"fmt"
	"math"
	"time"

	"tipoff/calib"
	"tipoff/logger/frame"
)

// A transformer that is not plugged in shows 0 A, as no current does; a burden shows
// the same with it and without it. But glass that heats without current is heated by
// something. What an arc that has ended leaves behind comes through the glass and
// the junction with a lag of up to some seconds: it heats less and less. So glass is
// heated now if, heatsAfter any current that was seen, it still gains heatsLeast and
// nearly as much as it did with the current, and not in one leap, as a junction does
// that is put elsewhere, nor at the temperature of a hand. A torch does that too,
// hence the value is marked and told, not taken away.
//
// The contactor's contact says more. Off, nothing of the bombarder heats the glass,
// and a current that is shown cannot be. On without a current, a tube has not struck
// or the transformer is not plugged in.
const (
	slopeEvery = 500 * time.Millisecond
	slopeLen   = 7    // values: 3 s
	heatsLeast = 1.0  // °C/s; noise of 0.2 °C makes 0.1 °C/s of the slope
	heatsShare = 0.85 // of the slope with the current
	heatsFades = 60.0 // s
	heatsAfter = 5 * time.Second
	heatsWarm  = 40.0 // °C, more than a hand has
	// heatsPeaks is until when the heat of a short arc still gains speed.
	heatsPeaks = 2500 * time.Millisecond
	// contactAfter is for how long contact and current may differ, and contactTold
	// when that is told: a variac that is turned up does not strike at once.
	contactAfter = 500 * time.Millisecond
	contactTold  = 3 * time.Second
	idleAmps     = 0.02
)

// slopes are the last values of a glass channel, newest first.
type slopes struct {
	x      [slopeLen]float64
	filled int
}

// add takes a value; the slope, 1/s, is that of the straight line nearest to all.
func (p *slopes) add(x float64) {
	copy(p.x[1:], p.x[:slopeLen-1])
	p.x[0] = x
	p.filled = min(p.filled+1, slopeLen)
}

func (p *slopes) slope() float64 {
	if p.filled < slopeLen {
		return math.Inf(-1)
	}
	const half = (slopeLen - 1) / 2.0
	var sxy, sxx float64
	for k, x := range p.x {
		t := half - float64(k)
		sxy += t * x
		sxx += t * t
	}
	return sxy / sxx / slopeEvery.Seconds()
}

// steady tells whether both halves rise, each by more than a third of the whole.
func (p *slopes) steady() bool {
	first, second := p.x[slopeLen/2]-p.x[slopeLen-1], p.x[0]-p.x[slopeLen/2]
	return 3*min(first, second) > first+second
}

// quarrel is between current, glass and the contactor's contact.
type quarrel struct {
	tick   time.Duration // when glass was last looked at
	before float64       // steepest slope in the arc, °C/s
	slope  float64       // steepest now
	warms  bool          // glass gains heat now

	apart time.Duration // since when contact and current differ; negative: they agree
	told  words
}

type words uint8

const (
	agree       words = iota
	glassHeats        // without a current
	onNoCurrent       // contactor on
	offCurrent        // contactor off
)

// contradict marks current and contact where they cannot be.
func (s *Sampler) contradict(at time.Duration, f *frame.Frame) {
	d := &s.doubts
	q := &d.quarrel
	if at-q.tick >= slopeEvery {
		q.tick = at
		s.slopeOfGlass(at, f)
	}
	contact := f.Contactor(s.layout)
	say := agree
	switch {
	case contact == frame.SwitchOn && d.idle >= 0:
		say = onNoCurrent
	case contact == frame.SwitchOff && d.arcSince >= 0:
		say = offCurrent
	}
	switch {
	case say == agree:
		q.apart = -1
	case q.apart < 0:
		q.apart = at
	}
	apart := at - q.apart
	if say != agree && apart < contactAfter {
		say = agree
	}
	if say == agree && contact != frame.SwitchOff && s.heated(at) {
		say, apart = glassHeats, contactTold
	}
	for i := range d.pulses {
		ch, v := &s.layout.Channels[i], &f.Readings[i].Value
		contactor := ch.Role == frame.Contact && ch.Purpose == frame.Contactor
		wrong := contactor && (say == offCurrent || say == onNoCurrent) ||
			ch.Role == frame.Current && (say == onNoCurrent || say == glassHeats)
		if wrong && v.Good() {
			v.Q |= calib.Contradicted
		}
	}
	if say != agree && apart < contactTold {
		return // marked, and not told yet
	}
	s.tellQuarrel(say, at)
}

// slopeOfGlass follows how fast the glass heats, and how fast it did in the last arc.
func (s *Sampler) slopeOfGlass(at time.Duration, f *frame.Frame) {
	d := &s.doubts
	q := &d.quarrel
	q.slope, q.warms = math.Inf(-1), false
	for i := range d.pulses {
		p, v := &d.pulses[i], f.Readings[i].Value
		if s.layout.Channels[i].Role != frame.Glass {
			continue
		}
		if !v.Good() {
			p.slopes.filled = 0
			continue
		}
		p.slopes.add(v.X)
		slope := p.slopes.slope()
		q.slope = max(q.slope, slope)
		q.warms = q.warms || slope >= heatsLeast && v.X >= heatsWarm && p.slopes.steady()
	}
	// What was long ago says little.
	q.before *= math.Exp(-slopeEvery.Seconds() / heatsFades)
	if d.idle < 0 || at-d.idle < heatsPeaks {
		q.before = max(q.before, q.slope)
	}
}

// heated tells whether something heats the glass although no current is seen.
func (s *Sampler) heated(at time.Duration) bool {
	d := &s.doubts
	return d.idle >= 0 && at-d.idle >= heatsAfter &&
		d.quarrel.warms && d.quarrel.slope >= heatsShare*d.quarrel.before
}

// tellQuarrel puts it into words, and takes back what was said before.
func (s *Sampler) tellQuarrel(say words, at time.Duration) {
	q := &s.doubts.quarrel
	if say == q.told {
		return
	}
	was := q.told
	q.told = say
	contact := ""
	for i := range s.layout.Channels {
		if ch := &s.layout.Channels[i]; ch.Role == frame.Contact && ch.Purpose == frame.Contactor {
			contact = ch.Device
		}
	}
	for i := range s.layout.Channels {
		ch := &s.layout.Channels[i]
		contactor := ch.Role == frame.Contact && ch.Purpose == frame.Contactor
		if ch.Role == frame.Current && was != agree && was != offCurrent || contactor && was == offCurrent {
			s.health.Clear(s.kinds.Contradiction, ch.Name, at)
		}
		switch {
		case ch.Role == frame.Current && say == glassHeats:
			s.health.Set(s.kinds.Contradiction, ch.Name, "",
				fmt.Sprintf("glass gains %.1f °C/s, and %s shows no current", q.slope, ch.Device),
				"is its current transformer plugged in, and its lead whole? A torch on the glass does this too; see docs/wiring", at)
		case ch.Role == frame.Current && say == onNoCurrent:
			s.health.Set(s.kinds.Contradiction, ch.Name, "",
				fmt.Sprintf("%s says that the contactor is on, and %s shows no current", contact, ch.Device),
				"has the tube not struck, is the current transformer not plugged in, or the contact's wire shorted? see docs/wiring", at)
		case contactor && say == offCurrent:
			s.health.Set(s.kinds.Contradiction, ch.Name, "",
				fmt.Sprintf("a current flows, and %s says that the contactor is off", contact),
				"is the contact's wire broken, active_low the wrong way round, or the contact on another contactor? see docs/wiring", at)
		}
	}
}
