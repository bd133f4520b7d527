package plantcare

import (
	"fmt"
	"math"

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
	return fmt.Sprintf("%.2g Torr L/s", TorrLitres(x))
}

// TorrLitres is a flow of x Pa·m³/s in Torr·L/s.
func TorrLitres(x float64) float64 { return x / unit.Torr * 1000 }

// Sentence says in plain words what a stretch showed. limit is the highest
// allowed rate of rise, Pa/s; NaN if there is none.
func (s *Stretch) Sentence(limit float64) string {
	if s.Down != nil {
		return down(s.Down)
	}
	if s.Phase == phase.Fill {
		return filled(s.Rise)
	}
	return rise(s.Rise, limit)
}

// filled says what a stretch with the fill gas in it showed.
func filled(r *vacuum.Rise) string {
	text := fmt.Sprintf("Filled and shut for %s, the gas brought to one temperature: ", envelope.Say(r.To-r.From, "s"))
	most := flow(math.Max(r.Leak.X, 0) + 2*r.Leak.U)
	if r.Kind == vacuum.Tight {
		return text + "no rise beyond what can be told; a leak can be at most " + most + "."
	}
	return text + fmt.Sprintf("it gained %s ± %s: a gross leak, or a gas valve that does not close?", flow(r.Total.X), flow(2*r.Total.U))
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
			return fmt.Sprintf("%s ± %s", flow(volume.X), flow(2*volume.U))
		}
		return fmt.Sprintf("%s ± %s", envelope.Say(q.X, "Pa/s"), envelope.Say(2*q.U, "Pa/s"))
	}
	text := fmt.Sprintf("With the pump shut for %s the pressure rose by %s", span, envelope.Say(r.Rate.X, "Pa/s"))
	switch r.Kind {
	case vacuum.Tight:
		text = fmt.Sprintf("With the pump shut for %s the pressure did not rise beyond what the gauge can tell; a leak can be at most %s", span, bound)
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
