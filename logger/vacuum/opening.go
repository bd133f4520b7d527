package vacuum

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Drawn is what the fall of the pressure says of the pump if the manifold has a
// given volume.
type Drawn struct {
	// LogSpeed is the logarithm of the speed at the gauge with the stopcock wide
	// open, m³/s, and U its standard uncertainty.
	LogSpeed, U float64
	// Misfit is minus twice the logarithm of the likelihood but for a constant: by it
	// volumes are compared.
	Misfit float64
}

// The falling pressure is followed by two volumes, manifold (with gauge and pump)
// and tube, joined by the tubulation:
//
//	Vm dpm/dt = C (pt − pm) − S(t) (pm − pf)    Vt dpt/dt = C (pm − pt)
//
// C = g (kv (pm+pt)/2 + km) is Knudsen's conductance of a tubulation (physics.md 4.7),
// g how much more this one lets through than one of 5 mm × 100 mm; pf is what oil and walls
// give back. A hand opens the stopcock: it lets through as the square of how far it
// is open, x, which grows evenly with time to 1, so that S = S∞ (1+r) x²/(1+r x²).
const (
	airViscous   = 8.43e-6 // m³/(s Pa): 0.843 L/s at 1 mbar, physics.md 4.7, 5 × 100 mm
	airMolecular = 1.42e-4 // m³/s, the same
	fallStep     = 0.25    // s
	fallNoise    = 0.008   // of a reading: gauge and stirred gas (common practice)
	fallTurns    = 10
)

// unknowns of the fall, as logarithms but for the opening's begin.
const (
	fSpeed  = iota
	fFirst  // pressure at the first reading
	fWide   // g
	fFloor  // pf, Pa
	fBegins // when the stopcock was shut, s from the first point's zero
	fOver   // r, the open stopcock's conductance over the pump's speed
	numFall
)

// fallKnown is what is known of them beforehand: mean and standard deviation (common
// practice); of fFirst the reading is the mean.
var fallKnown = [numFall][2]float64{
	fSpeed:  {math.Log(0.8e-3), 1.5},
	fFirst:  {0, 0.01},
	fWide:   {0, 0.8},    // 4 to 6 mm, 60 to 150 mm
	fFloor:  {1, 0.8},    // 3 Pa
	fBegins: {-1.5, 1.5}, // the phase's begin is found by the pressure
	fOver:   {1.6, .6},   // a bore of 8 to 10 mm before a small pump
}

// openings are how long a hand may take to open the stopcock, s, about as likely
// each: dust must not fly (common practice). As the fall often shows whether it was wide
// open and often not, each is fitted by itself and they are put together by their weight.
var openings = [...]float64{6, 8, 10, 12, 15}

// FitDrawn fits the pump's speed to the fall of the pressure in tube and manifold after
// the stopcock was opened by hand, once for each volume of the manifold. T of the points
// counts from when the stopcock began to be opened, as far as known; their pressures fall
// and the gas is cold. tube is the tube's volume, m³. It returns [ErrShort] if the
// readings do not suffice.
func FitDrawn(points []Point, tube float64, manifold []float64) ([]Drawn, error) {
	points = usable(points)
	if len(points) < 4 || !(tube > 0) {
		return nil, fmt.Errorf("pump's speed from %d readings: %w", len(points), ErrShort)
	}
	for _, p := range points {
		if !(p.P > 0) {
			return nil, fmt.Errorf("pump's speed from a reading of %s: %w", pascals(p.P), ErrShort)
		}
	}
	f := fall{points: points, tube: tube, known: fallKnown}
	f.known[fFirst][0] = math.Log(points[0].P)
	out := make([]Drawn, 0, len(manifold))
	// From where the whole fall would be with one speed, and for the next volume from
	// where it was with the last.
	n := len(points) - 1
	rate := math.Log(points[0].P/points[n].P) / (points[n].T - points[0].T)
	if !(rate > 0) {
		return nil, fmt.Errorf("pump's speed from a pressure that does not fall: %w", ErrShort)
	}
	var theta [len(openings)][numFall]float64
	for i, v := range manifold {
		f.manifold = v
		for k := range theta {
			if i > 0 {
				theta[k][fSpeed] += math.Log((v + tube) / (manifold[i-1] + tube))
				continue
			}
			for j := range theta[k] {
				theta[k][j] = f.known[j][0]
			}
			theta[k][fSpeed] = math.Log(rate * (v + tube))
		}
		d, ok := f.overOpenings(&theta)
		if !ok {
			return nil, fmt.Errorf("pump's speed from %d readings: no fit was found: %w", len(points), ErrShort)
		}
		out = append(out, d)
	}
	return out, nil
}

// overOpenings puts the openings together, each by its likelihood (Laplace's rule).
func (f *fall) overOpenings(theta *[len(openings)][numFall]float64) (Drawn, bool) {
	var all [len(openings)]Drawn
	least := math.Inf(1)
	for k, o := range openings {
		f.opens = o
		d, ok := f.fit(&theta[k])
		if !ok {
			return d, false
		}
		all[k] = d
		least = min(least, d.Misfit)
	}
	var w, first, second float64
	for _, d := range all {
		x := math.Exp((least - d.Misfit) / 2)
		w, first, second = w+x, first+x*d.LogSpeed, second+x*(d.LogSpeed*d.LogSpeed+d.U*d.U)
	}
	m := first / w
	return Drawn{m, math.Sqrt(max(0, second/w-m*m)), least - 2*math.Log(w/float64(len(all)))}, true
}

type fall struct {
	points         []Point
	tube, manifold float64
	opens          float64 // s
	known          [numFall][2]float64
}

// fit finds the unknowns from theta on, where it leaves them.
func (f *fall) fit(theta *[numFall]float64) (Drawn, bool) {
	n := len(f.points) + numFall
	now, next := make([]float64, n), make([]float64, n)
	cost := f.residuals(now, theta)
	damp := 1e-2
	jac := mat.NewDense(n, numFall, nil)
	var h mat.SymDense
	for range fallTurns {
		f.slopes(jac, now, theta)
		h.SymOuterK(1, jac.T())
		var g mat.VecDense
		g.MulVec(jac.T(), mat.NewVecDense(n, now))
		better, size := false, 0.0
		for range 8 {
			damped := mat.NewSymDense(numFall, nil)
			damped.CopySym(&h)
			for i := range numFall {
				damped.SetSym(i, i, h.At(i, i)*(1+damp))
			}
			var chol mat.Cholesky
			var step mat.VecDense
			if !chol.Factorize(damped) || chol.SolveVecTo(&step, &g) != nil {
				return Drawn{}, false
			}
			try := *theta
			size = 0
			for i := range try {
				try[i] -= step.AtVec(i)
				size = max(size, math.Abs(step.AtVec(i))/f.known[i][1])
			}
			if c := f.residuals(next, &try); c < cost {
				*theta, cost, better = try, c, true
				now, next = next, now
				damp = max(1e-6, damp/5)
				break
			}
			damp *= 5
		}
		if !better || size < 1e-2 {
			break
		}
	}
	f.slopes(jac, now, theta)
	h.SymOuterK(1, jac.T())
	var chol mat.Cholesky
	var inv mat.SymDense
	if !chol.Factorize(&h) || chol.InverseTo(&inv) != nil {
		return Drawn{}, false
	}
	return Drawn{LogSpeed: theta[fSpeed], U: math.Sqrt(inv.At(fSpeed, fSpeed)), Misfit: cost + chol.LogDet()}, true
}

func (f *fall) slopes(jac *mat.Dense, at []float64, theta *[numFall]float64) {
	r := make([]float64, len(at))
	for j := range theta {
		const d = 1e-4
		up := *theta
		up[j] += d
		f.residuals(r, &up)
		for i := range r {
			jac.Set(i, j, (r[i]-at[i])/d)
		}
	}
}

// residuals of readings, then of what is known beforehand, each over its standard
// deviation; it returns the sum of squares.
func (f *fall) residuals(dst []float64, theta *[numFall]float64) float64 {
	pm := math.Exp(theta[fFirst])
	pt := pm
	flow := flow{vm: f.manifold, vt: f.tube, opens: f.opens, begins: theta[fBegins], speed: math.Exp(theta[fSpeed]),
		wide: math.Exp(theta[fWide]), floor: math.Exp(theta[fFloor]), over: math.Exp(theta[fOver])}
	at := f.points[0].T
	sum := 0.0
	for i, p := range f.points {
		for at < p.T {
			dt := min(fallStep, p.T-at)
			flow.step(&pm, &pt, at+dt/2, dt)
			at += dt
		}
		dst[i] = math.Log(p.P/max(pm, 1e-9)) / fallNoise
		sum += dst[i] * dst[i]
	}
	for i, k := range f.known {
		r := (theta[i] - k[0]) / k[1]
		dst[len(f.points)+i] = r
		sum += r * r
	}
	return sum
}

// flow is a fall with its unknowns.
type flow struct{ vm, vt, opens, begins, speed, wide, floor, over float64 }

// step moves both pressures on by dt, for which conductance and speed stand: the
// matrix exponential of two lines in closed form.
func (f *flow) step(pm, pt *float64, mid, dt float64) {
	x := min(1, max(0.02, (mid-f.begins)/f.opens))
	s := f.speed * (1 + f.over) * x * x / (1 + f.over*x*x)
	c := f.wide * (airViscous*(*pm+*pt)/2 + airMolecular)
	a, b := -(s+c)/f.vm, c/f.vm
	e, d := c/f.vt, -c/f.vt
	m := (a + d) / 2
	q := math.Sqrt(max(0, m*m-(a*d-b*e)))
	// e^{mt} (cosh qt + sinh qt / q (A − m)), without overflow.
	plus, minus := math.Exp((m+q)*dt), math.Exp((m-q)*dt)
	ch, sh := (plus+minus)/2, dt*plus
	if q*dt > 1e-6 {
		sh = (plus - minus) / 2 / q
	}
	u, v := *pm-f.floor, *pt-f.floor
	*pm = f.floor + ch*u + sh*((a-m)*u+b*v)
	*pt = f.floor + ch*v + sh*(e*u+(d-m)*v)
}
