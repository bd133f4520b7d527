// Package vacuum reads the plant from pressure against time: how fast gas comes
// in while a tube stands shut off from the pump, whether that is a leak, the
// walls or trapped gas, and how well the pump draws.
//
// Everything is SI: Pa, s, m³, Pa·m³/s. Uncertainties are standard
// uncertainties. A fit takes its noise from its own residuals, so that a gauge
// with coarse steps is not believed further than it shows.
package vacuum

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Point is one reading of pressure.
type Point struct {
	T float64 // s, any zero
	P float64 // Pa; not NaN
	U float64 // Pa, standard uncertainty of the gauge that is common to all points; 0: not counted
}

// Quantity is a value with its standard uncertainty.
type Quantity struct{ X, U float64 }

// Kind is what a rise of pressure looks like.
type Kind string

// The kinds. A real leak goes on at the same rate for as long as the pressure
// is far below the room's. Gas from the walls comes fast at first and ever
// slower, over many time constants. A trapped volume (a virtual leak) empties
// with one time constant and is then done.
const (
	Tight      Kind = "tight"        // no rise beyond the uncertainty
	Leak       Kind = "leak"         // straight
	Straight   Kind = "straight"     // a leak, or walls pumped so long that their bending does not show yet
	Outgassing Kind = "outgassing"   // bending over as walls do
	Trapped    Kind = "virtual leak" // bending over with one time constant, to an end
	Bending    Kind = "bending over" // walls or trapped gas: too short to tell
	Mixed      Kind = "leak and outgassing"
)

// Rise is what a stretch of isolation shows.
type Rise struct {
	Kind     Kind
	From, To float64  // s, the stretch used
	Rate     Quantity // Pa/s, over the whole stretch
	Final    Quantity // Pa/s, that which stays when the bending is over: what a leak can be at most
	Amount   Quantity // Pa, that which the bending part gives in all; NaN for Tight and Leak
	Tau      float64  // s, its time constant; NaN if it has none
	Leak     Quantity // Pa·m³/s = Final · volume; NaN if the volume is not known
	Total    Quantity // Pa·m³/s = Rate · volume
	Noise    float64  // Pa, scatter of the readings about the fit
	N        int
}

// ErrShort: too few readings, or too short a time, to say anything.
var ErrShort = errors.New("too few readings for a fit")

const (
	leastPoints = 20
	// leastTime is the shortest stretch that says anything of a rise, s: valves
	// give off gas when they turn and gauges lag.
	leastTime = 12
	// sure is how many standard uncertainties a term must have to be believed.
	// One in some thousand rises of a straight leak is then called bent.
	sure = 3.3
)

// FitRise fits a rise. Volume is that of all that is shut off together (tube
// and manifold), m³; X NaN or 0 if it is not known. age is for how long the walls
// had been pumped at the first point, s: the longer, the straighter what they
// give off, so that what is straight is a leak only if it is straighter than
// that; NaN if it is not known, then whatever is straight is called a leak. It
// returns [ErrShort] if the readings do not suffice.
func FitRise(points []Point, volume Quantity, age float64) (Rise, error) {
	points = usable(points)
	nan := Quantity{math.NaN(), math.NaN()}
	if len(points) < leastPoints || points[len(points)-1].T-points[0].T < leastTime {
		return Rise{}, fmt.Errorf("rate of rise from %d readings: %w", len(points), ErrShort)
	}
	n := len(points)
	t0 := points[0].T
	span := points[n-1].T - t0
	points = blocks(points)
	r := Rise{From: t0, To: t0 + span, Amount: nan, Tau: math.NaN(), N: n}

	straight := fitLinear(points, func(t float64) []float64 { return []float64{1, t - t0} })
	if straight == nil {
		return Rise{}, fmt.Errorf("rate of rise from %d readings: %w", len(points), ErrShort)
	}
	trapped, fromWalls := shapes(t0)
	line := func(t float64) float64 { return t - t0 }
	single, tau := bestBend(points, span, line, trapped)
	walls, wallTau := bestBend(points, span, line, fromWalls)

	r.Rate = straight.at(1)
	r.Noise = straight.noise
	scale := commonScale(points)
	r.Rate.U = math.Hypot(r.Rate.U, scale*r.Rate.X)
	bent := single
	r.Tau = tau
	asWalls := walls != nil && (single == nil || walls.chi < single.chi)
	if asWalls {
		bent, r.Tau = walls, wallTau
	}
	if bent == nil || !better(straight, bent) || bent.par[2] <= 0 {
		r.Tau = math.NaN()
		r.Final = r.Rate
		r.Kind = Leak
		if r.Rate.X < 2*r.Rate.U {
			r.Kind = Tight
		} else if age > 0 && !straighter(straight, points, age) {
			r.Kind = Straight
		}
		return r.times(volume), nil
	}
	r.Noise = bent.noise
	r.Final, r.Amount = bent.at(1), bent.at(2)
	if asWalls {
		// The walls' part has no end; its amount is what came in this time.
		f := math.Log1p(span / r.Tau)
		r.Amount = Quantity{r.Amount.X * f, r.Amount.U * f}
	}
	r.Final.U = math.Hypot(r.Final.U, scale*r.Final.X)
	leaks := r.Final.X > sure*r.Final.U && (!(age > 0) || unlikeOldWalls(bent, points, span, age))
	told := single != nil && walls != nil && tellsApart(single, walls)
	switch {
	case leaks:
		r.Kind = Mixed
	case told && asWalls:
		r.Kind = Outgassing
	case told && span > 2*tau:
		r.Kind = Trapped
	default:
		r.Kind = Bending
	}
	return r.times(volume), nil
}

// shapes are how gas comes from a trapped volume, and from walls: their rate
// falls as 1/(t+τ), desorption from sites of all energies (trade.md G4: starts
// fast and flattens, never quite ends).
func shapes(t0 float64) (trapped, walls func(tau float64) func(float64) float64) {
	trapped = func(tau float64) func(float64) float64 {
		return func(t float64) float64 { return -math.Expm1(-(t - t0) / tau) }
	}
	walls = func(tau float64) func(float64) float64 {
		return func(t float64) float64 { return math.Log1p((t - t0) / tau) }
	}
	return trapped, walls
}

// oldWalls are how gas comes from walls that were pumped for age seconds. The
// flow falls as 1/t (physics.md 4.3, b), from rubber and grease as 1/√t (from
// memory).
func oldWalls(t0, age float64) [2]func(float64) float64 {
	return [2]func(float64) float64{
		func(t float64) float64 { return math.Sqrt(1+(t-t0)/age) - 1 },
		func(t float64) float64 { return math.Log1p((t - t0) / age) },
	}
}

// straighter tells whether the readings follow a line better, beyond chance,
// than old walls.
func straighter(line *linear, points []Point, age float64) bool {
	for _, old := range oldWalls(points[0].T, age) {
		l := fitLinear(points, func(t float64) []float64 { return []float64{1, old(t)} })
		if l == nil || line.chi >= l.chi || !tellsApart(line, l) {
			return false
		}
	}
	return true
}

// unlikeOldWalls tells whether the straight part of a bent rise is one beyond
// chance, and not what old walls give.
func unlikeOldWalls(bent *linear, points []Point, span, age float64) bool {
	trapped, walls := shapes(points[0].T)
	for _, old := range oldWalls(points[0].T, age) {
		for _, shape := range [2]func(float64) func(float64) float64{trapped, walls} {
			l, _ := bestBend(points, span, old, shape)
			if l == nil || bent.chi >= l.chi || !tellsApart(bent, l) {
				return false
			}
		}
	}
	return true
}

func (r Rise) times(v Quantity) Rise {
	nan := Quantity{math.NaN(), math.NaN()}
	if !(v.X > 0) {
		r.Leak, r.Total = nan, nan
		return r
	}
	product := func(a Quantity) Quantity {
		return Quantity{a.X * v.X, math.Hypot(a.U*v.X, a.X*v.U)}
	}
	r.Leak, r.Total = product(r.Final), product(r.Rate)
	return r
}

// usable are the points that are numbers, in their order.
func usable(points []Point) []Point {
	out := make([]Point, 0, len(points))
	for _, p := range points {
		if p.P == p.P && !math.IsInf(p.P, 0) && p.T == p.T {
			out = append(out, p)
		}
	}
	return out
}

// commonScale is the relative uncertainty that all readings share: a gauge
// that is 5 % off shows every rate 5 % off.
func commonScale(points []Point) float64 {
	sum, n := 0.0, 0
	for _, p := range points {
		if p.U > 0 && p.P > 0 {
			sum += p.U / p.P
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}

// linear is a least-squares fit of a model that is linear in its parameters.
type linear struct {
	par   []float64
	cov   mat.Symmetric
	noise float64
	chi   float64 // sum of squared residuals
	n     float64 // independent readings that they are worth
}

func (l *linear) at(i int) Quantity { return Quantity{l.par[i], math.Sqrt(l.cov.At(i, i))} }

// fitLinear fits p = Σ par·basis(t). Readings next to each other are not
// independent (gauges lag), so the covariance is widened by the correlation of
// neighbouring residuals.
func fitLinear(points []Point, basis func(t float64) []float64) *linear {
	k := len(basis(points[0].T))
	n := len(points)
	a := mat.NewDense(n, k, nil)
	b := mat.NewVecDense(n, nil)
	for i, p := range points {
		a.SetRow(i, basis(p.T))
		b.SetVec(i, p.P)
	}
	var normal mat.SymDense
	normal.SymOuterK(1, a.T())
	var chol mat.Cholesky
	if !chol.Factorize(&normal) || chol.Cond() > 1e13 {
		return nil
	}
	var rhs, x mat.VecDense
	rhs.MulVec(a.T(), b)
	if chol.SolveVecTo(&x, &rhs) != nil {
		return nil
	}
	var fit mat.VecDense
	fit.MulVec(a, &x)
	var chi, lagged float64
	before := 0.0
	for i := range n {
		d := b.AtVec(i) - fit.AtVec(i)
		chi += d * d
		lagged += d * before
		before = d
	}
	l := &linear{par: make([]float64, k), chi: chi, noise: math.Sqrt(chi / float64(n-k))}
	for i := range k {
		l.par[i] = x.AtVec(i)
	}
	rho := 0.0
	if chi > 0 {
		rho = min(max(lagged/chi, 0), 0.95)
	}
	l.n = max(float64(n)*(1-rho)/(1+rho), float64(k+1))
	variance := chi / float64(n-k) * (1 + rho) / (1 - rho)
	var inv mat.SymDense
	if chol.InverseTo(&inv) != nil {
		return nil
	}
	inv.ScaleSym(variance, &inv)
	l.cov = &inv
	return l
}

// bestBend fits p = c + a·line(t) + b·shape(t) for the time constant that fits best.
func bestBend(points []Point, span float64, line func(t float64) float64, shape func(tau float64) func(float64) float64) (*linear, float64) {
	var best *linear
	at := math.NaN()
	try := func(tau float64) {
		f := shape(tau)
		l := fitLinear(points, func(t float64) []float64 { return []float64{1, line(t), f(t)} })
		if l != nil && l.par[1] < 0 {
			// Nothing but the pump takes gas away: without the straight term.
			if m := fitLinear(points, func(t float64) []float64 { return []float64{1, f(t)} }); m != nil {
				cov := mat.NewSymDense(3, nil)
				cov.SetSym(0, 0, m.cov.At(0, 0))
				cov.SetSym(1, 1, l.cov.At(1, 1))
				cov.SetSym(2, 2, m.cov.At(1, 1))
				l = &linear{par: []float64{m.par[0], 0, m.par[1]}, cov: cov, noise: m.noise, chi: m.chi, n: m.n}
			}
		}
		if l != nil && (best == nil || l.chi < best.chi) {
			best, at = l, tau
		}
	}
	const steps = 24
	low, high := span/40, span*1.5
	for i := range steps + 1 {
		try(low * math.Pow(high/low, float64(i)/steps))
	}
	if best == nil {
		return nil, at
	}
	// Closer and closer about the best: a time constant that is off by a part
	// in a hundred leaves a slope behind that looks like a leak.
	for ratio := math.Pow(high/low, 1.0/steps); ratio > 1.0005; ratio = math.Sqrt(ratio) {
		centre, chi := at, best.chi
		for _, tau := range [2]float64{centre / math.Sqrt(ratio), centre * math.Sqrt(ratio)} {
			if tau >= low && tau <= high {
				try(tau)
			}
		}
		if best.chi == chi && at != centre {
			break
		}
	}
	// The time constant was fitted as well: with its derivative as a fourth
	// column the covariance is that of all four.
	f, g := shape(at), shape(at*1.001)
	all := fitLinear(points, func(t float64) []float64 {
		return []float64{1, line(t), f(t), (g(t) - f(t)) * 1000}
	})
	if all != nil {
		cov := mat.NewSymDense(3, nil)
		for i := range 3 {
			for j := i; j < 3; j++ {
				cov.SetSym(i, j, all.cov.At(i, j))
			}
		}
		best.cov = cov
	}
	return best, at
}

// better tells whether the bent fit earns its two more parameters: the drop
// of squared residuals, in units of the noise with its correlation, is beyond
// chance (F test at about the level of [sure]).
func better(straight, bent *linear) bool {
	if bent.chi <= 0 {
		return straight.chi > 0
	}
	f := (straight.chi - bent.chi) / 2 / (bent.chi / max(bent.n-4, 1))
	return f > sure*sure && bent.par[2] > sure*math.Sqrt(bent.cov.At(2, 2))
}

// tellsApart tells whether one of two shapes with as many parameters fits
// better beyond chance (a likelihood ratio of some thousand).
func tellsApart(a, b *linear) bool {
	lo, hi := a, b
	if lo.chi > hi.chi {
		lo, hi = hi, lo
	}
	return lo.chi > 0 && lo.n*math.Log(hi.chi/lo.chi) > 2*8 || lo.chi == 0 && hi.chi > 0
}

// blocks averages readings over at least half a second, or a two-hundredth of
// the stretch: gauges lag, and what comes in between says nothing new.
func blocks(points []Point) []Point {
	n := len(points)
	width := max(0.5, (points[n-1].T-points[0].T)/200)
	var out []Point
	for i := 0; i < n; {
		var b Point
		k := 0.0
		for end := points[i].T + width; i < n && points[i].T < end; i++ {
			b.T, b.P, b.U, k = b.T+points[i].T, b.P+points[i].P, b.U+points[i].U, k+1
		}
		out = append(out, Point{b.T / k, b.P / k, b.U / k})
	}
	return out
}
