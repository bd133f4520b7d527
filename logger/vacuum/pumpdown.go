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
	// Load is the gas that keeps the base up, Pa·m³/s = Speed · Base. The pump's
	// own ultimate pressure is in it, for no gauge on the manifold can tell them
	// apart.
	Load    Quantity
	Scatter float64 // of ln p about the fit
	N       int
}

// constantFrom is the pressure below which the effective speed is taken as
// constant, Pa: above it the operator is still opening the stopcock and the
// tubulation's conductance changes with pressure (10 Torr).
const constantFrom = 1333

// FitPumpDown fits p = base + (p₀ − base)·exp(−rate·t), the balance V dp/dt =
// Q − S p (physics.md 4.3), to the part below 10 Torr. It works on ln p, since a
// gauge is off by a fraction of what it shows, and gives far-off readings less
// weight (Huber, 1.5 times the scatter).
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
	t0 := points[0].T
	span := points[n-1].T - t0
	low := math.Inf(1)
	for _, p := range points {
		low = min(low, p.P)
	}
	if low > points[0].P/1.5 {
		return PumpDown{}, fmt.Errorf("pump-down from %s to %s: it hardly falls: %w",
			pascals(points[0].P), pascals(low), ErrShort)
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
	theta[1] = math.Log(math.Log(points[0].P/half) / fell)

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
		return PumpDown{}, fmt.Errorf("pump-down from %d readings: no fit was found: %w", n, ErrShort)
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
	d := PumpDown{From: t0, To: t0 + span, N: n, Scatter: math.Sqrt(sum / float64(n-3))}
	rate, base := math.Exp(theta[1]), math.Exp(theta[2])
	gauge := commonScale(points)
	d.Rate = Quantity{rate, rate * u(1)}
	d.Base = Quantity{base, base * math.Hypot(min(u(2), 10), gauge)}
	d.Speed, d.Load = Quantity{math.NaN(), math.NaN()}, Quantity{math.NaN(), math.NaN()}
	if volume.X > 0 {
		s := rate * volume.X
		d.Speed = Quantity{s, s * math.Hypot(u(1), volume.U/volume.X)}
		q := s * base
		d.Load = Quantity{q, q * math.Hypot(d.Speed.U/s, d.Base.U/base)}
	}
	return d, nil
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
