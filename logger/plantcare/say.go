package plantcare

import (
	"fmt"
	"math"
	"strings"

	"tipoff/calib/unit"
	"tipoff/logger/envelope"
	"tipoff/logger/phase"
	"tipoff/logger/vacuum"
)

// flow is a gas flow in Pa·m³/s as users read it.
func flow(x float64) string {
	if x != x {
		return "not known"
	}
	return envelope.Say(x, "Pa m³/s")
}

// TorrLitres is a flow of x Pa·m³/s in Torr·L/s.
func TorrLitres(x float64) float64 { return x / unit.Torr * 1000 }

// Sentence says in plain words what a stretch showed. limit is the highest
// allowed rate of rise, Pa/s; NaN if there is none.
func (s *Stretch) Sentence(limit float64) string {
	if s.Down != nil {
		return down(s.Down)
	}
	if s.gas() {
		return s.filled()
	}
	text := rise(s.Rise, limit)
	if s.Together > 0 {
		text = fmt.Sprintf("The %d stretches too short each, taken together: %s%s", s.Together, strings.ToLower(text[:1]), text[1:])
	}
	return text
}

// gas tells whether the stretch had gas in it that was let in.
func (s *Stretch) gas() bool { return s.Phase == phase.Fill || s.Phase == phase.Flush }

// filled says what a stretch with gas in it showed.
func (s *Stretch) filled() string {
	r := s.Rise
	span := envelope.Say(r.To-r.From, "s")
	text := fmt.Sprintf("Filled and shut for %s, the gas brought to one temperature: ", span)
	switch {
	case s.Together > 0:
		text = fmt.Sprintf("The %d stretches with gas in taken together, shut for %s in all: ", s.Together, span)
	case s.Phase == phase.Flush:
		text = fmt.Sprintf("Shut for %s in a flush, the gas brought to one temperature: ", span)
	}
	most := flow(math.Max(r.Leak.X, 0) + 2*r.Leak.U)
	if r.Kind == vacuum.Tight {
		return text + "no rise beyond what can be told; a leak above " + most + " would have shown."
	}
	return text + "it gained " + envelope.SayWithin(r.Total.X, 2*r.Total.U, "Pa m³/s") + ": a leak, gas from hot walls, or a gas valve that does not close?"
}

func rise(r *vacuum.Rise, limit float64) string {
	span := envelope.Say(r.To-r.From, "s")
	// Whatever is not known to two standard uncertainties is bounded by them.
	most := math.Max(r.Final.X, 0) + 2*r.Final.U
	bound := envelope.Say(most, "Pa/s")
	if r.Leak.X == r.Leak.X {
		bound = flow(math.Max(r.Leak.X, 0) + 2*r.Leak.U)
	}
	value := func(q, volume vacuum.Quantity) string {
		if volume.X == volume.X {
			return envelope.SayWithin(volume.X, 2*volume.U, "Pa m³/s")
		}
		return fmt.Sprintf("%s ± %s", envelope.Say(q.X, "Pa/s"), envelope.Say(2*q.U, "Pa/s"))
	}
	text := fmt.Sprintf("With the pump shut for %s the pressure rose by %s", span, envelope.Say(r.Rate.X, "Pa/s"))
	switch r.Kind {
	case vacuum.Tight:
		text = fmt.Sprintf("With the pump shut for %s the pressure did not rise beyond what the gauge can tell; a leak can be at most %s", span, bound)
	case Short:
		text = fmt.Sprintf("With the pump shut for only %s the pressure rose by %s ± %s: too short to tell a leak from walls; a leak above %s would have shown",
			span, envelope.Say(r.Rate.X, "Pa/s"), envelope.Say(2*r.Rate.U, "Pa/s"), bound)
	case vacuum.Leak:
		text += ", straight: a leak of " + value(r.Rate, r.Total)
	case vacuum.Straight:
		text += ", straight so far: a leak, or walls that were pumped for long; a leak can be at most " + bound + ", a longer test can tell"
	case vacuum.Outgassing:
		text += ", bending over: gas from the walls; a leak can be at most " + bound
	case vacuum.Trapped:
		text += ", bending over to an end: a trapped volume that empties (a virtual leak); a leak can be at most " + bound
	case vacuum.Bending:
		text += ", bending over: gas from the walls or a trapped volume; a leak can be at most " + bound
	case vacuum.Mixed:
		text += ", bending over at first, then on and on: gas from the walls, and what may be a leak of " + value(r.Final, r.Leak)
	}
	if limit == limit && limit > 0 {
		text += "; limit " + envelope.Say(limit, "Pa/s")
	}
	return text + "."
}

func down(d *vacuum.PumpDown) string {
	text := fmt.Sprintf("With the pump open from 10 Torr down for %s the pressure levelled off at %s",
		envelope.Say(d.To-d.From, "s"), envelope.SayWithin(d.Base.X, 2*d.Base.U, "Pa"))
	switch {
	case d.Speed.X != d.Speed.X && d.Rate.X != d.Rate.X:
		return text + "."
	case d.Speed.X != d.Speed.X:
		return text + fmt.Sprintf("; it fell by a factor of ten in %s.", envelope.Say(math.Ln10/d.Rate.X, "s"))
	}
	return text + fmt.Sprintf("; the pump drew %.2g ± %.1g L/s against a gas load of %s.", d.Speed.X*1000, 2*d.Speed.U*1000,
		envelope.SayWithin(d.Load.X, 2*d.Load.U, "Pa m³/s"))
}
