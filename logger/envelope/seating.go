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
	// settleAfter is from when after arc-on the rise is measured against a bench's
	// own heating: the lag's first part is over and the choke being drawn.
	settleAfter = 2 * time.Second
	// lagDoubt is what a lag that was corrected wrongly does to that rise, as a share,
	// where the lag is known to a tenth.
	lagDoubt = 0.05
	// gasAbove is how much hotter than the glass the gas of the column is, K, and
	// taughtAt the glass at which a bench's heating is taught, °C, about the middle of
	// a run. On cold glass the gas is denser at the same pressure, and heats more.
	// From memory.
	gasAbove, taughtAt = 400.0, 150.0
	// certainly is by how many standard uncertainties the rise has to be short for
	// Loose: one in a hundred well tied ones (normal distribution, one side).
	certainly = 2.33
	// mostWanted bounds how little may be missing: ties that see 0.9 of the rise are
	// usual (handbook, b).
	mostWanted = 0.8
	// coolsFaster is how much faster than a bare tube without any heat, blown at,
	// a reading has to fall to be none of the glass.
	coolsFaster, coolsMore = 3.0, 1.0 // factor, °C/s
)

// Heating is the heat that the arc puts into a tube's glass on this bench, as its
// earlier runs taught it: PerMetre W for each metre at 1 Torr (of the gauge), 0.3 A
// and a bore of 12.8 mm, going with these powers of pressure, current and bore. U is
// its relative standard uncertainty for the next tube. The zero value: not known.
//
// It is for readings that are corrected for the sensor's lag.
type Heating struct {
	PerMetre, Pressure, Current, Bore, U float64
}

// expect tells what this bench is known to heat a tube by. With it a thermocouple
// that sees less of the rise than it should is found sooner: the fall short counts
// that is beyond doubt, of U and the readings, and not only what no arc could give.
// Readings have to be corrected for the sensor's lag.
func (f *Foresight) expect(h Heating) {
	c := &f.seat
	if c.perPower == 0 || !(h.PerMetre > 0) || !(h.U > 0) {
		return
	}
	c.heating = h
	c.heating.PerMetre *= math.Pow(f.seat.bore/12.8e-3, h.Bore)
}

// seat judges the thermocouple from arc-on. It allocates nothing.
type seat struct {
	state    Seating
	perPower float64 // °C/s for each W, 0 not known
	length   float64 // m
	bore     float64 // m
	heating  Heating // PerMetre of this bore
	from     float64 // reading at settleAfter, °C; NaN before
	wanted   float64 // rise since that the heating gives, °C

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
	s := seat{rest: slope{tau: 1}, glow: slope{tau: 0.7}, length: e.Card.Length, bore: e.Card.Bore}
	if c := e.heat; e.Known && c > 0 {
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
		s.from, s.wanted = math.NaN(), 0
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
	if h := &s.heating; h.PerMetre > 0 && o.At-s.since >= settleAfter && s.glow.ready() {
		if s.from != s.from {
			_, _, s.from = s.glow.fit()
		} else {
			dense := torrs * (taughtAt + gasAbove + zeroC) / (s.from + gasAbove + zeroC)
			s.wanted += dt * (h.PerMetre*s.length*s.perPower*math.Pow(dense, h.Pressure)*math.Pow(o.Current/0.3, h.Current) - loss)
		}
	}
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
	case rise < s.least, s.short(now, noise):
		s.state = Loose
	default:
		s.state = Seated
	}
}

// short tells whether the rise since settleAfter is certainly less than the bench's
// own heating gives.
func (s *seat) short(now, noise float64) bool {
	if !(s.wanted > 6*noise) {
		return false
	}
	u := math.Hypot(math.Hypot(s.heating.U, lagDoubt), math.Sqrt2*noise/s.wanted)
	return (now-s.from)/s.wanted < min(mostWanted, 1-certainly*u)
}
