package envelope

import (
	"math"
	"time"

	"tipoff/logger/phase"
)

// Seating is what the heat balance says of the glass's thermocouple.
type Seating uint8

// The seatings. SeatingUnknown: there was no arc to tell by, or card, pressure
// or current are missing.
const (
	SeatingUnknown Seating = iota
	Seated
	Loose // it sees less than the weakest column would heat the glass by
	Off   // it sees nothing of the arc, or cools as glass in an arc cannot
)

// String is a word for the page.
func (s Seating) String() string {
	return [...]string{"not known", "ok", "loose", "off"}[s]
}

const (
	// seatingAfter is how long after arc-on the seating is judged.
	seatingAfter = 4500 * time.Millisecond
	// leastField is the weakest column that is plausible at 1 Torr, V/m, half of
	// what airField gives there when the lit gas is twice as thin as the gauge says;
	// leastEfficiency the least share of its power that stays in the glass.
	// Both from memory, on the low side.
	leastField      = 400.0
	leastEfficiency = 0.6
	// slowestJunction is the longest lag of a tied thermocouple, s (handbook: 1 to 5 s).
	slowestJunction = 5.0
	// offShare is the share of the least rise below which it sees nothing.
	offShare = 0.25
	// seatNoise is the least scatter that a difference of two means has, °C.
	seatNoise = 0.1
	// coolsFaster is how much faster than a bare tube without any heat, blown at,
	// a reading has to fall to be none of the glass.
	coolsFaster, coolsMore = 3.0, 1.0 // factor, °C/s
)

// seat judges the thermocouple from arc-on. It allocates nothing.
type seat struct {
	state    Seating
	perPower float64 // °C/s for each W, 0 not known
	length   float64 // m

	rest  slope // the reading of the last second before the arc
	glow  slope // of the last second
	on    bool
	since time.Duration
	last  time.Duration
	base  float64 // reading when the arc came, °C
	drift float64 // its rate then, °C/s
	least float64 // junction's least rise since, °C
	lagx  float64 // least rate that the junction follows, °C/s
	done  bool
}

func newSeat(e *Envelope) seat {
	s := seat{rest: slope{tau: 1}, glow: slope{tau: 0.7}, length: e.Card.Length}
	if c := HeatCapacity(e.Card); e.Known && c > 0 {
		s.perPower = 1 / c
	}
	return s
}

// step takes a frame and the glass's decay there (1/s).
func (s *seat) step(o phase.Observation, k float64) {
	dt := min((o.At - s.last).Seconds(), 1)
	s.last = o.At
	if s.perPower == 0 || o.Glass != o.Glass || o.Current != o.Current || o.Pressure != o.Pressure {
		s.on = false
		return
	}
	s.glow.add(o.At, o.Glass)
	if o.Current <= ArcCurrent {
		s.on = false
		s.rest.add(o.At, o.Glass)
		return
	}
	if !s.on {
		s.on, s.since, s.least, s.lagx = true, o.At, 0, 0
		s.done = !s.rest.ready() || o.At-s.rest.last > time.Second
		if !s.done {
			s.drift, _, s.base = s.rest.fit()
		}
		s.glow.reset()
		s.glow.add(o.At, o.Glass)
		return
	}
	loss := k * max(0, o.Glass-roomGuess) // °C/s; at most, as the decay is the steepest
	if s.glow.ready() && o.At-s.since > seatingAfter {
		if r, u, _ := s.glow.fit(); r < -coolsFaster*loss-coolsMore-3*u {
			s.state, s.done = Off, true
		}
	}
	if s.done || dt <= 0 {
		return
	}
	torrs := max(0.1, o.Pressure/torr)
	rate := leastEfficiency*leastField*math.Sqrt(torrs)*o.Current*s.length*s.perPower - loss
	s.lagx += (rate - s.lagx) * dt / slowestJunction
	s.least += s.lagx * dt
	if o.At-s.since < seatingAfter {
		return
	}
	s.done = true
	_, u, now := s.glow.fit()
	noise := max(seatNoise, u) // the slope's scatter over about a second
	switch rise := now - s.base; {
	case s.least < 3*noise:
		// Too little heat to tell.
	case rise < offShare*s.least:
		s.state = Off
	case rise < s.least:
		s.state = Loose
	default:
		s.state = Seated
	}
}
