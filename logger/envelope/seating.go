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
	Loose // it sees certainly less of the rise than it has to
	Off   // it sees nothing of the arc, or cools as glass in an arc cannot
)

// String is a word for the page.
func (s Seating) String() string {
	return [...]string{"not known", "ok", "loose", "off"}[s]
}

const (
	// seatingAfter is how long after arc-on the seating is judged.
	seatingAfter = 4500 * time.Millisecond
	// offShare is the share of the least rise below which it sees nothing.
	offShare = 0.25
	// seatNoise is the least scatter that a difference of two means has, °C.
	seatNoise = 0.1
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

// expect tells what this bench is known to heat a tube by, instead of what is
// known of any. It is left alone if the readings are not corrected for the sensor's
// lag.
func (f *Foresight) expect(h Heating) {
	c := &f.seat
	if c.perPower == 0 || !c.corrected || !(h.PerMetre > 0) || !(h.U > 0) {
		return
	}
	c.taught = true
	c.heat = columnHeat{watts: h.PerMetre * math.Pow(c.bore/UsualBore, h.Bore), pressure: h.Pressure, current: h.Current, u: h.U}
}

// seat judges the thermocouple from arc-on: the reading's rise over the first
// seconds, and what the glass lost meanwhile, over what the arc gives ([columnHeat]).
// That ratio is 1 but for the uncertainty of the heat, whatever share the junction
// sees of the rise and however late it sees it makes it less. The later arcs of a
// run are also held against the first. It allocates nothing.
type seat struct {
	state     Seating
	perPower  float64 // °C/s for each W, 0 not known
	length    float64 // m
	bore      float64 // m
	heat      columnHeat
	taught    bool // heat is the bench's own
	corrected bool // readings are corrected for the sensor's lag
	gas       gasHeat

	rest  slope // the reading of the last second before the arc
	glow  slope // of the last second
	on    bool
	since time.Duration
	last  time.Duration
	base  float64 // reading when the arc came, °C
	gain  float64 // of the glass since then by heat, °C
	seen  float64 // what of it a sensor with the usual lag sees, °C
	lost  float64 // °C
	first float64 // ln of the ratio in the run's first arc, NaN before
	done  bool
}

func newSeat(e *Envelope) seat {
	s := seat{rest: slope{tau: 1}, glow: slope{tau: 0.7}, length: e.Card.Length, bore: e.Card.Bore, first: math.NaN(), corrected: e.Bench.LagCorrected}
	if c := e.heat; e.Known && c > 0 && s.length > 0 && s.bore > 0 {
		s.perPower = 1 / c
		s.heat, s.gas = anyColumn(e.Bench.Tables.orBuiltIn(), s.bore), newGasHeat(e)
	}
	return s
}

// step takes a frame, the glass's decay there and that at its steepest (1/s).
func (s *seat) step(o phase.Observation, k, most float64) {
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
		s.gas.before(o)
		return
	}
	if !s.on {
		s.begin(o)
		return
	}
	above := max(0, o.Glass-roomGuess)
	if s.glow.ready() && o.At-s.since > seatingAfter {
		if r, u, _ := s.glow.fit(); r < -coolsFaster*most*above-coolsMore-3*u {
			s.state, s.done = Off, true
		}
	}
	if s.done || dt <= 0 {
		return
	}
	watts := s.heat.at(o, s.base, s.taught)
	s.gain += dt * watts * s.length * s.perPower
	s.seen += (s.gain - s.seen) * -math.Expm1(-dt/usualLag)
	s.lost += dt * k * above
	s.gas.during(o, o.At-s.since, watts)
	if o.At-s.since >= seatingAfter && s.glow.ready() {
		s.done = true
		s.judge()
	}
}

func (s *seat) begin(o phase.Observation) {
	s.on, s.since, s.gain, s.seen, s.lost = true, o.At, 0, 0, 0
	s.done = !s.rest.ready() || o.At-s.rest.last > time.Second
	if !s.done {
		_, _, s.base = s.rest.fit()
	}
	s.gas.begin()
	s.glow.reset()
	s.glow.add(o.At, o.Glass)
}

// judge takes the ratio of the rise to what the heat gives.
func (s *seat) judge() {
	mean, u, due := 0.0, s.heat.u, s.gain
	if !s.corrected {
		due, u = s.seen, math.Hypot(u, usualLagDoubt)
	}
	if !s.taught {
		mean, u = s.gas.with(u, s.base)
	}
	_, scatter, now := s.glow.fit()
	noise := max(seatNoise, scatter) // the slope's scatter over about a second
	u = math.Hypot(u, readDoubt)
	rise := now - s.base + s.lost
	least := due * math.Exp(mean) * min(mostWanted, math.Exp(-certainly*u))
	ratio := math.Log(max(rise, seatNoise) / due)
	switch {
	case least < 3*noise:
		return // too little heat to tell
	case rise < offShare*least:
		s.state = Off
	case rise < least-certainly*math.Sqrt2*noise, ratio < s.first-certainly*math.Hypot(runDoubt, math.Sqrt2*noise/rise):
		s.state = Loose
	default:
		s.state = Seated
	}
	if s.first != s.first && s.state == Seated {
		s.first = ratio
	}
}
