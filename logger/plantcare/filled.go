package plantcare

import (
	"math"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"tipoff/calib/unit"
	"tipoff/logger/phase"
	"tipoff/logger/vacuum"
)

const (
	// moving is the change from two seconds' mean to the next two's, a second between
	// them, as a share, from which a valve is taken to be open.
	moving = 0.005
	// gasIn is the pressure from which there is gas in that was let in, Pa.
	gasIn = 0.3 * unit.Torr
	// gasDoubt is how well the gas in the tube is known to follow the glass reading:
	// the share of the correction for its cooling that may be wrong, standard. Seating,
	// place along the tube and the two volumes are in it. The same in all stretches of
	// a run, but for ownDoubt. Our estimate: seating and place 0.1 each, volumes 0.07,
	// the room's and the manifold's temperature 0.05; TestPlantFilledBound holds them.
	gasDoubt = 0.2
	ownDoubt = 0.07
	// roomTemperature is that of the manifold's gas, K.
	roomTemperature = 295.0
	zeroCelsius     = 273.15
	// aside is left out on both sides of what was found to be shut, s, beside what
	// finding it takes.
	aside = 1.0
	// quiet is the least that must be left, s.
	quiet = 3.0
)

// follows is what a stretch with gas in it leaves open.
type follows struct {
	by    float64 // Pa/s of the rate that is the correction for temperature
	noise float64 // Pa/s, standard uncertainty by the readings alone
	scale float64 // relative standard uncertainty of the gauge
}

// Filled judges the stretches in which tube and manifold stand shut with gas in them:
// in flushes, and after the fill until the torch. The readings are first brought to
// one temperature, as the gas in the tube cools with the glass: p (Vm/Tr + Vt/Tg) is
// what stays. How well the gas follows the glass reading is the greatest doubt. It is
// the same in all stretches of a run, while the glass cools faster in a flush than in
// the fill; if there are several, the last of what is returned is all of them taken
// together, which knows more than each.
// manifold and tube are volumes, m³; without them, or without a glass reading, nothing
// can be told.
func Filled(obs []phase.Observation, u []float64, segments []phase.Segment, manifold, tube float64) []Stretch {
	if !(manifold > 0) || !(tube > 0) {
		return nil
	}
	var out []Stretch
	at := 0
	for _, g := range segments {
		if g.Phase != phase.Fill && g.Phase != phase.Flush {
			continue
		}
		for at < len(obs) && obs[at].At < g.From {
			at++
		}
		end := at
		for end < len(obs) && obs[end].At < g.To-seconds(early) {
			end++
		}
		for _, s := range shut(obs, at, end) {
			if f, ok := fillRise(obs[s[0]:s[1]], u[s[0]:s[1]], manifold, tube); ok {
				f.Phase = g.Phase
				out = append(out, f)
			}
		}
		at = end
	}
	if len(out) > 1 {
		out = append(out, together(out, manifold+tube))
	}
	return out
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// shut finds the stretches of obs[from:to] in which gas stands still: it neither
// comes in nor is pumped out.
func shut(obs []phase.Observation, from, to int) (all [][2]int) {
	a, b, c := from, from, from // five, three and two seconds back
	begin := -1
	for i := from; i <= to; i++ {
		still := false
		if i < to {
			for obs[a].At < obs[i].At-5*time.Second {
				a++
			}
			for obs[b].At < obs[i].At-3*time.Second {
				b++
			}
			for obs[c].At < obs[i].At-2*time.Second {
				c++
			}
			before, now := mean(obs[a:b]), mean(obs[c:i+1])
			still = b > a && math.Abs(now/before-1) <= moving && now > gasIn
		}
		switch {
		case still && begin < 0:
			begin = i
		case !still && begin >= 0:
			// The valve was turned up to five seconds ago.
			last := i
			if i < to {
				for last > begin && obs[last-1].At > obs[i].At-seconds(2+aside) {
					last--
				}
			}
			first := begin
			for first < last && obs[first].At < obs[begin].At+seconds(aside) {
				first++
			}
			if last-first >= 10 && (obs[last-1].At-obs[first].At).Seconds() >= quiet {
				all = append(all, [2]int{first, last})
			}
			begin = -1
		}
	}
	return all
}

// fillRise is the rise of gas in a stretch, brought to the room's temperature.
func fillRise(obs []phase.Observation, u []float64, manifold, tube float64) (Stretch, bool) {
	glass := make([]vacuum.Point, 0, len(obs))
	for i := range obs {
		if x := obs[i].Glass; x == x {
			glass = append(glass, vacuum.Point{T: (obs[i].At - obs[0].At).Seconds(), P: x})
		}
	}
	cools := bow(glass)
	if cools == nil {
		return Stretch{}, false
	}
	var points, raw []vacuum.Point
	volume := manifold + tube
	share := func(t float64) float64 {
		return (manifold + tube*roomTemperature/(cools(t)+zeroCelsius)) / volume
	}
	first := share(0)
	scale, n := 0.0, 0.0
	for i := range obs {
		if p := obs[i].Pressure; p == p {
			t := (obs[i].At - obs[0].At).Seconds()
			raw = append(raw, vacuum.Point{T: t, P: p * first})
			points = append(points, vacuum.Point{T: t, P: p * share(t)})
			if u[i] == u[i] && p > 0 {
				scale, n = scale+u[i]/p, n+1
			}
		}
	}
	rate, ok := line(points)
	moved, also := line(raw)
	if !ok || !also {
		return Stretch{}, false
	}
	by := rate.X - moved.X
	r := vacuum.Rise{From: 0, To: points[len(points)-1].T, Tau: math.NaN(), Amount: unknown, N: len(points)}
	own := rate.U
	rate.U = math.Hypot(own, math.Hypot(gasDoubt, ownDoubt)*by)
	scale /= max(1, n)
	rate.U = math.Hypot(rate.U, rate.X*scale)
	setRate(&r, rate, Volume(volume))
	return Stretch{Rise: &r, From: obs[0].At, To: obs[0].At + seconds(r.To), follows: follows{by, own, scale}}, true
}

var unknown = vacuum.Quantity{X: math.NaN(), U: math.NaN()}

// setRate makes r one of a straight rise.
func setRate(r *vacuum.Rise, rate, volume vacuum.Quantity) {
	r.Kind = vacuum.Straight
	if rate.X < 2*rate.U {
		r.Kind = vacuum.Tight
	}
	flow := unknown
	if volume.X > 0 {
		flow = vacuum.Quantity{X: rate.X * volume.X, U: math.Hypot(rate.U*volume.X, rate.X*volume.U)}
	}
	r.Rate, r.Final, r.Leak, r.Total = rate, rate, flow, flow
}

// together is what several stretches with gas in them say of one inflow. The rate of
// each is inflow less b times its correction: b, by how much the gas follows the glass
// less than was taken, is common to all, so that those in which the glass cools fast
// tell it and those in which it cools slowly tell the rise (generalised least squares,
// JCGM 102 with b as an input).
func together(all []Stretch, volume float64) Stretch {
	n := len(all)
	c := mat.NewSymDense(n, nil)
	ones, x := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	for i := range all {
		f := &all[i].follows
		for j := i; j < n; j++ {
			c.SetSym(i, j, gasDoubt*gasDoubt*f.by*all[j].follows.by)
		}
		c.SetSym(i, i, c.At(i, i)+f.noise*f.noise+ownDoubt*ownDoubt*f.by*f.by)
		ones.SetVec(i, 1)
		x.SetVec(i, all[i].Rise.Rate.X)
	}
	s := Stretch{Phase: phase.Fill, From: all[0].From, To: all[n-1].To, Together: n}
	r := vacuum.Rise{From: 0, Tau: math.NaN(), Amount: unknown}
	for i := range all {
		r.To += all[i].Rise.To - all[i].Rise.From
		r.N += all[i].Rise.N
	}
	rate := all[n-1].Rise.Rate
	var chol mat.Cholesky
	var w mat.VecDense
	if chol.Factorize(c) && chol.SolveVecTo(&w, ones) == nil {
		weight := mat.Dot(&w, ones)
		rate = vacuum.Quantity{X: mat.Dot(&w, x) / weight, U: 1 / math.Sqrt(weight)}
		rate.U = math.Hypot(rate.U, rate.X*all[n-1].follows.scale)
	}
	setRate(&r, rate, Volume(volume))
	s.Rise = &r
	return s
}

// line is the slope of a straight line through points, with a standard uncertainty
// that twice covers 95 %, however few they are (JCGM 100 G.3). Readings are averaged
// over half a second, as gauges lag.
func line(points []vacuum.Point) (slope vacuum.Quantity, ok bool) {
	var t, p []float64
	for i := 0; i < len(points); {
		st, sp, n := 0.0, 0.0, 0.0
		for end := points[i].T + 0.5; i < len(points) && points[i].T < end; i++ {
			st, sp, n = st+points[i].T, sp+points[i].P, n+1
		}
		t, p = append(t, st/n), append(p, sp/n)
	}
	n := len(t)
	if n < 5 {
		return unknown, false
	}
	mt, mp := average(t), average(p)
	var stt, stp float64
	for i := range t {
		stt += (t[i] - mt) * (t[i] - mt)
		stp += (t[i] - mt) * (p[i] - mp)
	}
	b := stp / stt
	var chi, lagged, before float64
	for i := range t {
		d := p[i] - mp - b*(t[i]-mt)
		chi += d * d
		lagged += d * before
		before = d
	}
	if !(chi > float64(n)*mp*mp*1e-20) { // rounding
		return unknown, false // a reading too coarse to move tells nothing, not 0 ± 0
	}
	free := float64(n - 2)
	rho := 0.0
	if n >= 20 {
		rho = min(max(lagged/chi, 0), 0.9)
	}
	student := distuv.StudentsT{Sigma: 1, Nu: max(1, free*(1-rho)/(1+rho))}
	return vacuum.Quantity{X: b, U: math.Sqrt(chi/free/stt*(1+rho)/(1-rho)) * student.Quantile(0.97725) / 2}, true
}

// bow is a parabola through points as a function of time, nil with fewer than five.
func bow(points []vacuum.Point) func(t float64) float64 {
	n := len(points)
	if n < 5 {
		return nil
	}
	a, b := mat.NewDense(n, 3, nil), mat.NewVecDense(n, nil)
	for i, p := range points {
		a.SetRow(i, []float64{1, p.T, p.T * p.T})
		b.SetVec(i, p.P)
	}
	var x mat.VecDense
	if x.SolveVec(a, b) != nil {
		return nil
	}
	c0, c1, c2 := x.AtVec(0), x.AtVec(1), x.AtVec(2)
	return func(t float64) float64 { return c0 + t*(c1+t*c2) }
}

// volumeDoubt is the relative standard uncertainty of the shut-off volume: the
// manifold's is the user's own figure, tubulation and electrodes are not in the
// card. Common practice, not measured.
const volumeDoubt = 0.05

// Volume is a shut-off volume of v m³, the manifold's with the tube's, with its
// standard uncertainty.
func Volume(v float64) vacuum.Quantity { return vacuum.Quantity{X: v, U: volumeDoubt * v} }

func average(x []float64) float64 {
	sum := 0.0
	for _, y := range x {
		sum += y
	}
	return sum / float64(len(x))
}

// mean is the mean pressure, NaN of none; a frame without a reading does not count.
func mean(obs []phase.Observation) float64 {
	sum, n := 0.0, 0.0
	for i := range obs {
		if p := obs[i].Pressure; p == p {
			sum, n = sum+p, n+1
		}
	}
	return sum / n
}
