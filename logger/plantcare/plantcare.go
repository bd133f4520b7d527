// Package plantcare tells from runs how the vacuum plant is: what came in while
// tube and manifold stood shut off from the pump, how the pump drew, and how
// both go from run to run.
package plantcare

import (
	"math"
	"time"

	"tipoff/logger/journal"
	"tipoff/logger/phase"
	"tipoff/logger/vacuum"
)

// Stretch is a part of a run that shows something of the plant. One of Rise
// and Down is set.
type Stretch struct {
	Phase    phase.ID
	From, To time.Duration // monotonic, the part that was used
	Rise     *vacuum.Rise
	Down     *vacuum.PumpDown
	// Together is how many stretches this one is made of, which are there as well; 0:
	// it is one of its own.
	Together int

	follows follows // of a stretch with gas in it
}

// Short is the kind of a rise that was seen for too short a time to tell a leak from
// walls: there is only a bound.
const Short vacuum.Kind = "too short to tell"

const (
	// settle is left out after the pump was shut, s: the valve gives off gas as it
	// turns, the pressures of tube and manifold level out, and a boundary of
	// phases may be 2 s off.
	settle = 4.0
	// early is left out at the end of each stretch, s, for the same boundary.
	early = 2.0
	// drawsOn is for how long the pump is taken to stay open as the tube cools.
	drawsOn = time.Minute
	// nearAir is a pressure, Pa, at which walls take up gas and water again.
	nearAir = 10e3
	// handful is the most readings that a fit is given; more are averaged by
	// two, by four and so on. Fits of a long pump-down then stay under a
	// hundredth of a second on a small board.
	handful = 1500
)

// Examine fits every stretch of a run that tells of the plant. u is the standard
// uncertainty of the pressure at each observation, Pa; volume is that of tube
// and manifold together, m³, X NaN if it is not known. A stretch with the pump shut
// that is too short for a fit gives a bound; a pump-down that is, is passed over.
func Examine(obs []phase.Observation, u []float64, segments []phase.Segment, volume vacuum.Quantity) []Stretch {
	var out []Stretch
	at := 0
	air, looked := math.Inf(-1), 0 // s, when the manifold was last near the room's pressure
	if len(obs) > 0 {
		air = obs[0].At.Seconds()
	}
	for i, g := range segments {
		shut := g.Phase == phase.LeakTest
		pumped := g.Phase == phase.Evacuate || g.Phase == phase.PumpOut || g.Phase == phase.FinalPump
		if !shut && !pumped {
			continue
		}
		from, to := g.From, g.To-time.Duration(early*float64(time.Second))
		if g.Phase == phase.FinalPump && i+1 < len(segments) && segments[i+1].Phase == phase.Cool {
			// Cooling begins at a pressure, not at a valve: the pump draws on.
			to = min(segments[i+1].To-time.Duration(early*float64(time.Second)), to+drawsOn)
		}
		if shut {
			from += time.Duration(settle * float64(time.Second))
		}
		for at < len(obs) && obs[at].At < from {
			at++
		}
		var points []vacuum.Point
		for ; at < len(obs) && obs[at].At < to; at++ {
			points = append(points, vacuum.Point{T: (obs[at].At - from).Seconds(), P: obs[at].Pressure, U: u[at]})
		}
		points = thin(points)
		s := Stretch{Phase: g.Phase}
		var a, b float64
		if shut {
			for ; looked < len(obs) && obs[looked].At < from; looked++ {
				if obs[looked].Pressure > nearAir {
					air = obs[looked].At.Seconds()
				}
			}
			r, err := vacuum.FitRise(points, volume, from.Seconds()-air)
			if err != nil {
				var ok bool
				if r, ok = short(points, volume); !ok {
					continue
				}
			}
			s.Rise, a, b = &r, r.From, r.To
		} else {
			d, err := vacuum.FitPumpDown(points, volume)
			if err != nil {
				continue
			}
			s.Down, a, b = &d, d.From, d.To
		}
		s.From = from + time.Duration(a*float64(time.Second))
		s.To = from + time.Duration(b*float64(time.Second))
		out = append(out, s)
	}
	if s, ok := shorts(out, volume); ok {
		out = append(out, s)
	}
	return out
}

// shorts takes stretches together that are too short each, weighted by what each
// leaves open; where they differ by more than that, it is widened (Birge's ratio).
func shorts(all []Stretch, volume vacuum.Quantity) (s Stretch, ok bool) {
	sum, weight := 0.0, 0.0
	r := vacuum.Rise{Tau: math.NaN(), Amount: unknown}
	for i := range all {
		if x := all[i].Rise; x != nil && x.Kind == Short && x.Rate.U > 0 {
			if s.Together == 0 {
				s.From = all[i].From
			}
			s.Together, s.To, s.Phase = s.Together+1, all[i].To, all[i].Phase
			r.To, r.N = r.To+x.To-x.From, r.N+x.N
			w := 1 / (x.Rate.U * x.Rate.U)
			sum, weight = sum+w*x.Rate.X, weight+w
		}
	}
	if s.Together < 2 {
		return s, false
	}
	mean, chi := sum/weight, 0.0
	for i := range all {
		if x := all[i].Rise; x != nil && x.Kind == Short && x.Rate.U > 0 {
			d := (x.Rate.X - mean) / x.Rate.U
			chi += d * d
		}
	}
	setRate(&r, vacuum.Quantity{X: mean, U: math.Sqrt(max(1, chi/float64(s.Together-1)) / weight)}, volume)
	r.Kind = Short
	s.Rise = &r
	return s, true
}

// short is the rise of a stretch that is too short for more than a straight line.
func short(points []vacuum.Point, volume vacuum.Quantity) (r vacuum.Rise, ok bool) {
	rate, ok := line(points)
	if !ok || points[len(points)-1].T-points[0].T < quiet {
		return r, false
	}
	scale, n := 0.0, 0.0
	for _, p := range points {
		if p.U == p.U && p.P > 0 {
			scale, n = scale+p.U/p.P, n+1
		}
	}
	if n > 0 {
		rate.U = math.Hypot(rate.U, rate.X*scale/n)
	}
	r = vacuum.Rise{From: points[0].T, To: points[len(points)-1].T, Tau: math.NaN(), Amount: unknown, N: len(points)}
	setRate(&r, rate, volume)
	r.Kind = Short
	return r, true
}

// thin averages usable readings in pairs until they are a handful.
func thin(points []vacuum.Point) []vacuum.Point {
	kept := points[:0]
	for _, p := range points {
		if p.P == p.P && !math.IsInf(p.P, 0) {
			kept = append(kept, p)
		}
	}
	for len(kept) > handful {
		n := 0
		for i := 0; i+1 < len(kept); i += 2 {
			a, b := kept[i], kept[i+1]
			kept[n] = vacuum.Point{T: (a.T + b.T) / 2, P: (a.P + b.P) / 2, U: (a.U + b.U) / 2}
			n++
		}
		kept = kept[:n]
	}
	return kept
}

// Entry is a stretch as run.toml keeps it, in SI units; start is the run's.
func (s *Stretch) Entry(start time.Duration) journal.Vacuum {
	nan := math.NaN()
	e := journal.Vacuum{
		Phase: s.Phase.String(), FromS: (s.From - start).Seconds(), ToS: (s.To - start).Seconds(),
		Rate: nan, RateU: nan, Final: nan, FinalU: nan, Inflow: nan, InflowU: nan, Leak: nan, LeakU: nan,
		Speed: nan, SpeedU: nan, Base: nan, BaseU: nan, Load: nan, LoadU: nan,
	}
	if r := s.Rise; r != nil {
		e.Kind = string(r.Kind)
		e.Rate, e.RateU, e.Final, e.FinalU = r.Rate.X, r.Rate.U, r.Final.X, r.Final.U
		e.Inflow, e.InflowU, e.Leak, e.LeakU = r.Total.X, r.Total.U, r.Leak.X, r.Leak.U
	}
	if d := s.Down; d != nil {
		e.Kind = journal.PumpDown
		e.Speed, e.SpeedU, e.Base, e.BaseU = d.Speed.X, d.Speed.U, d.Base.X, d.Base.U
		e.Load, e.LoadU = d.Load.X, d.Load.U
	}
	return e
}
