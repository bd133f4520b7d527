package plantcare

import (
	"math"
	"time"

	"tipoff/logger/phase"
	"tipoff/logger/vacuum"
)

const (
	// stillFilling is the rise from two seconds' mean to the next two's, a second between
	// them, as a share, from which the gas valve is taken to be open.
	stillFilling = 0.005
	// gasDoubt is how well the gas in the tube is known to follow the glass: the share
	// of the correction for its cooling that may be wrong, standard. From memory.
	gasDoubt = 0.3
	// roomTemperature is that of the manifold's gas, K.
	roomTemperature = 295.0
	zeroCelsius     = 273.15
)

// Filled fits the stretches in which tube and manifold stand shut with the fill gas in
// them, between the gas valve's closing and the torch. The readings are first brought
// to one temperature, as the gas in the tube cools with the glass: p (Vm/Tr + Vt/Tg) is
// what stays. At some Torr only a gross leak shows; what it can be at most is told.
// manifold and tube are volumes, m³; without them, or without a glass reading, nothing
// can be told.
func Filled(obs []phase.Observation, u []float64, segments []phase.Segment, manifold, tube float64) []Stretch {
	if !(manifold > 0) || !(tube > 0) {
		return nil
	}
	volume := Volume(manifold + tube)
	var out []Stretch
	at := 0
	for _, g := range segments {
		if g.Phase != phase.Fill {
			continue
		}
		for at < len(obs) && obs[at].At < g.From {
			at++
		}
		from, end := at, at
		for ; end < len(obs) && obs[end].At < g.To-time.Duration(early*float64(time.Second)); end++ {
			back := func(s time.Duration) int {
				i := end
				for i > at && obs[i-1].At >= obs[end].At-s*time.Second {
					i--
				}
				return i
			}
			if a, b, c := back(5), back(3), back(2); b > a && mean(obs[c:end+1]) > mean(obs[a:b])*(1+stillFilling) {
				from = end
			}
		}
		if from >= end {
			continue
		}
		start := obs[from].At + time.Duration(settle*float64(time.Second))
		var points, raw []vacuum.Point
		first := math.NaN()
		for i := from; i < end; i++ {
			o := &obs[i]
			if o.At < start || o.Glass != o.Glass || o.Pressure != o.Pressure {
				continue
			}
			share := manifold/roomTemperature + tube/(o.Glass+zeroCelsius)
			if first != first {
				first = share
			}
			t := (o.At - start).Seconds()
			raw = append(raw, vacuum.Point{T: t, P: o.Pressure})
			points = append(points, vacuum.Point{T: t, P: o.Pressure * share / first, U: u[i]})
		}
		r, err := vacuum.FitRise(thin(points), volume, math.NaN())
		if err != nil {
			continue
		}
		moved, err := vacuum.FitRise(thin(raw), volume, math.NaN())
		if err != nil {
			continue
		}
		r = r.Widened(gasDoubt*math.Abs(r.Rate.X-moved.Rate.X), volume)
		out = append(out, Stretch{Phase: g.Phase, Rise: &r, From: start + time.Duration(r.From*float64(time.Second)), To: start + time.Duration(r.To*float64(time.Second))})
	}
	return out
}

// volumeDoubt is the relative standard uncertainty of the shut-off volume: the
// manifold's is the user's own figure, tubulation and electrodes are not in the
// card. Common practice, not measured.
const volumeDoubt = 0.05

// Volume is a shut-off volume of v m³, the manifold's with the tube's, with its
// standard uncertainty.
func Volume(v float64) vacuum.Quantity { return vacuum.Quantity{X: v, U: volumeDoubt * v} }

func mean(obs []phase.Observation) float64 {
	sum := 0.0
	for i := range obs {
		sum += obs[i].Pressure
	}
	return sum / float64(len(obs))
}
