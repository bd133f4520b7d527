package vacuum

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// PumpDown is what a stretch with the pump open shows.
type PumpDown struct {
	From, To float64  // s, the stretch used
	Rate     Quantity // 1/s: speed over volume
	Speed    Quantity // m³/s, effective at the manifold; NaN if the volume is not known
	Base     Quantity // Pa, where the pressure levels off
	// Load is the gas that keeps the base up, Pa·m³/s: base times the speed there,
	// which lies between nearBase and all of Speed. Load is the middle, and its
	// uncertainty covers both ends (rectangular, GUM 4.3.7). The pump's own ultimate
	// pressure is in it, for no gauge on the manifold can tell them apart.
	Load    Quantity
	Scatter float64 // of ln p about the fit
	N       int
}

// constantFrom is the pressure below which the effective speed is taken as
// constant, Pa: above it the operator is still opening the stopcock and the
// tubulation's conductance changes with pressure (10 Torr).
const constantFrom = 1333

// nearBase is the least share of its speed that a pump has left near its base: a
// rotary pump's speed falls towards its ultimate pressure (from memory; the curves of
// makers fall to nothing at the ultimate itself).
const nearBase = 0.3

// FitPumpDown reads a pump-down below 10 Torr. The speed comes from the first
// decade of pressure, S = V/t · ln(p1/p2) (physics.md 4.3), where what the walls
// and the pump's oil give back does not count yet; the base from the rest, which
// settles more slowly, as p = base + (p₀ − base)·exp(−rate·t). Both work on ln p,
// since a gauge is off by a fraction of what it shows.
func FitPumpDown(points []Point, volume Quantity) (PumpDown, error) {
	points = usable(points)
	for len(points) > 0 && !(points[0].P > 0 && points[0].P <= constantFrom) {
		points = points[1:]
	}
	kept := points[:0:0]
	for _, p := range points {
		if p.P > 0 {
			kept = append(kept, p)
		}
	}
	points = kept
	n := len(points)
	if n < leastPoints || points[n-1].T-points[0].T < 5 {
		return PumpDown{}, fmt.Errorf("pump-down from %d readings below 10 Torr: %w", n, ErrShort)
	}
	low := math.Inf(1)
	for _, p := range points {
		low = min(low, p.P)
	}
	if low > points[0].P/1.5 {
		return PumpDown{}, fmt.Errorf("pump-down from %s to %s: it hardly falls: %w",
			pascals(points[0].P), pascals(low), ErrShort)
	}
	// The rest begins two decades down, or where enough of it is left.
	rest := below(points, points[0].P/100)
	if !enough(points[rest:]) {
		rest = below(points, points[0].P/10)
	}
	if !enough(points[rest:]) {
		rest = 0
	}
	base, scatter, err := levelling(points[rest:])
	if err != nil {
		return PumpDown{}, err
	}
	d := PumpDown{From: points[0].T, To: points[n-1].T, N: n, Scatter: scatter, Rate: firstDecade(points, base.X)}
	d.Base = Quantity{base.X, math.Hypot(base.U, base.X*commonScale(points))}
	d.Speed, d.Load = Quantity{math.NaN(), math.NaN()}, Quantity{math.NaN(), math.NaN()}
	if volume.X > 0 {
		s := d.Rate.X * volume.X
		d.Speed = Quantity{s, s * math.Hypot(d.Rate.U/d.Rate.X, volume.U/volume.X)}
		q := (1 + nearBase) / 2 * s * base.X
		own := q * math.Hypot(d.Speed.U/s, d.Base.U/base.X)
		d.Load = Quantity{q, math.Hypot(own, (1-nearBase)*s*base.X/(2*math.Sqrt(3)))}
	}
	return d, nil
}

// below is the index of the first reading below p; their number if none is.
func below(points []Point, p float64) int {
	for i := range points {
		if points[i].P < p {
			return i
		}
	}
	return len(points)
}

func enough(points []Point) bool {
	n := len(points)
	return n >= leastPoints && points[n-1].T-points[0].T >= 5
}

// firstDecade is the rate, 1/s, at which p − base falls over the first decade;
// NaN if it has fewer than five readings. Readings that are off by more than
// three times the scatter do not count.
func firstDecade(points []Point, base float64) Quantity {
	var in []Point
	for _, p := range points[:below(points, points[0].P/10)] {
		if p.P > 1.5*base {
			in = append(in, Point{T: p.T, P: math.Log(p.P - base)})
		}
	}
	nan := Quantity{math.NaN(), math.NaN()}
	for range 3 {
		if len(in) < 5 {
			return nan
		}
		l := fitLinear(in, func(t float64) []float64 { return []float64{1, t - in[0].T} })
		if l == nil {
			return nan
		}
		off := make([]float64, len(in))
		for i, p := range in {
			off[i] = p.P - l.par[0] - l.par[1]*(p.T-in[0].T)
		}
		most := 3*spread(off) + 1e-9
		kept := in[:0:0]
		for i, p := range in {
			if math.Abs(off[i]) <= most {
				kept = append(kept, p)
			}
		}
		if len(kept) == len(in) {
			break
		}
		in = kept
	}
	if len(in) < 5 {
		return nan
	}
	l := fitLinear(in, func(t float64) []float64 { return []float64{1, t - in[0].T} })
	if l == nil || l.par[1] >= 0 {
		return nan
	}
	q := l.at(1)
	return Quantity{-q.X, q.U}
}

// levelling finds where the pressure levels off, Pa, and the scatter of ln p
// about the fit. Far-off readings weigh less (Huber, 1.5 times the scatter).
func levelling(points []Point) (base Quantity, scatter float64, err error) {
	n := len(points)
	t0 := points[0].T
	span := points[n-1].T - t0
	low := math.Inf(1)
	for _, p := range points {
		low = min(low, p.P)
	}
	// Parameters: ln p₀, ln rate, ln base. Start from where it fell to halfway
	// in the logarithm.
	theta := [3]float64{math.Log(points[0].P), 0, math.Log(low)}
	half := math.Sqrt(points[0].P * low)
	fell := span / 2
	for _, p := range points {
		if p.P <= half {
			fell = max(p.T-t0, span/float64(n))
			break
		}
	}
	theta[1] = math.Log(max(math.Log(points[0].P/half), 0.01) / fell)

	residuals := make([]float64, n)
	cost := func(th [3]float64, scale float64) float64 {
		sum := 0.0
		for i, p := range points {
			residuals[i] = math.Log(p.P) - logModel(th, p.T-t0)
			sum += huber(residuals[i], scale)
		}
		return sum
	}
	scale := 0.1
	var cov mat.SymDense
	damping := 1e-3
	now := cost(theta, scale)
	for range 60 {
		var h [3][3]float64
		var g [3]float64
		for i, p := range points {
			j := gradient(theta, p.T-t0)
			w := 1.0
			if a := math.Abs(residuals[i]); a > 1.5*scale {
				w = 1.5 * scale / a
			}
			for a := range 3 {
				g[a] += w * j[a] * residuals[i]
				for b := range 3 {
					h[a][b] += w * j[a] * j[b]
				}
			}
		}
		m := mat.NewSymDense(3, nil)
		for a := range 3 {
			for b := a; b < 3; b++ {
				m.SetSym(a, b, h[a][b])
			}
			m.SetSym(a, a, h[a][a]*(1+damping)+1e-9)
		}
		var chol mat.Cholesky
		if !chol.Factorize(m) {
			damping *= 10
			continue
		}
		var step mat.VecDense
		if chol.SolveVecTo(&step, mat.NewVecDense(3, g[:])) != nil {
			break
		}
		next := theta
		for a := range 3 {
			next[a] += min(max(step.AtVec(a), -1), 1)
		}
		next[2] = min(next[2], next[0])
		c := cost(next, scale)
		if c > now {
			damping = min(damping*5, 1e6)
			cost(theta, scale) // residuals of where we are
			if damping >= 1e6 {
				break
			}
			continue
		}
		small := now-c < 1e-10*(1+now)
		theta, now, damping = next, c, damping/5
		if s := spread(residuals); s > 0 {
			scale = max(s, 1e-6)
			now = cost(theta, scale)
		}
		_ = chol.InverseTo(&cov)
		if small {
			break
		}
	}
	if cov.IsEmpty() {
		return Quantity{}, 0, fmt.Errorf("pump-down from %d readings: no fit was found: %w", n, ErrShort)
	}
	var sum, lagged float64
	for i, r := range residuals {
		sum += r * r
		if i > 0 {
			lagged += r * residuals[i-1]
		}
	}
	rho := 0.0
	if sum > 0 {
		rho = min(max(lagged/sum, 0), 0.98)
	}
	variance := sum / float64(n-3) * (1 + rho) / (1 - rho)
	u := func(i int) float64 { return math.Sqrt(cov.At(i, i) * variance) }
	x := math.Exp(theta[2])
	return Quantity{x, x * min(u(2), 10)}, math.Sqrt(sum / float64(n-3)), nil
}

func logModel(th [3]float64, t float64) float64 {
	base := math.Exp(th[2])
	return math.Log(base + (math.Exp(th[0])-base)*math.Exp(-math.Exp(th[1])*t))
}

// gradient is of logModel.
func gradient(th [3]float64, t float64) [3]float64 {
	p0, k, base := math.Exp(th[0]), math.Exp(th[1]), math.Exp(th[2])
	e := math.Exp(-k * t)
	p := base + (p0-base)*e
	return [3]float64{p0 * e / p, -(p0 - base) * k * t * e / p, base * (1 - e) / p}
}

func huber(r, scale float64) float64 {
	x := math.Abs(r) / scale
	if x <= 1.5 {
		return x * x / 2
	}
	return 1.5*x - 1.5*1.5/2
}

func pascals(p float64) string { return fmt.Sprintf("%.3g Pa", p) }
