package certificate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Kind is the shape of a correction.
type Kind string

// The kinds. x is the indicated value, y the corrected one.
const (
	Offset    Kind = "offset"     // y = x + a
	Linear    Kind = "linear"     // y = a + b·x
	Quadratic Kind = "quadratic"  // y = a + b·x + c·x²
	ZeroSpan  Kind = "zero-span"  // y = (x - zero)·span
	Factor    Kind = "factor"     // log10 y = a + log10 x
	LogLinear Kind = "log-linear" // log10 y = a + b·log10 x
	Ratio     Kind = "ratio"      // y = b·x
)

// shape says which of a, b, c are fitted, how many points that takes and what
// is believable.
type shape struct {
	free         [3]bool
	log          bool
	least        int
	gainLo, gain float64 // believable b
}

func (k Kind) shape() (s shape, ok bool) {
	switch k {
	case Offset:
		return shape{free: [3]bool{true}, least: 1, gainLo: 1, gain: 1}, true
	case Linear:
		return shape{free: [3]bool{true, true}, least: 2, gainLo: 0.5, gain: 2}, true
	case Quadratic:
		return shape{free: [3]bool{true, true, true}, least: 4, gainLo: 0.5, gain: 2}, true
	case ZeroSpan:
		return shape{free: [3]bool{true, true}, least: 2, gainLo: 0.5, gain: 2}, true
	case Factor:
		return shape{free: [3]bool{true}, log: true, least: 1, gainLo: 1, gain: 1}, true
	case LogLinear:
		return shape{free: [3]bool{true, true}, log: true, least: 2, gainLo: 0.8, gain: 1.25}, true
	case Ratio:
		return shape{free: [3]bool{false, true}, least: 3, gainLo: 0.5, gain: 2}, true
	}
	return shape{}, false
}

// KindsOf are the corrections that suit a role.
func KindsOf(role string) []Kind {
	switch role {
	case "pressure":
		return []Kind{Offset, ZeroSpan, Factor, LogLinear}
	case "glass", "shell":
		return []Kind{Offset, Linear, Quadratic, TimeConstant}
	case "ambient":
		return []Kind{Offset, Linear, Quadratic}
	case "current":
		return []Kind{Ratio}
	}
	return nil
}

// Log tells whether the kind works on the logarithm.
func (k Kind) Log() bool { s, _ := k.shape(); return s.log }

func kindFits(role string, k Kind) bool { return slices.Contains(KindsOf(role), k) }

func words(kinds []Kind) string {
	var out []string
	for _, k := range kinds {
		out = append(out, string(k))
	}
	return strings.Join(out, ", ")
}

// Fit is a correction with the covariance of its numbers.
type Fit struct {
	Kind Kind
	// C are a, b, c of w = a + b·z + c·z², where z and w are x and y or, for
	// kinds of the logarithm, log10 x and log10 y (x, y in the unit of the role).
	C [3]float64
	// Cov is the covariance matrix of C.
	Cov [3][3]float64
	// Residual is the standard deviation of the points about the fit, in the
	// unit of w; 0 if the points leave no freedom to tell.
	Residual float64
	From, To float64 // indicated values between which there are points
}

// Apply is the corrected value for x and its standard uncertainty by the points
// alone. Kinds of the logarithm leave x ≤ 0 as it is, with u NaN: not known.
func (f *Fit) Apply(x float64) (y, u float64) {
	y, u, _ = f.apply(x, f.Kind.Log())
	return y, u
}

// Slope is ∂y/∂x at x.
func (f *Fit) Slope(x float64) float64 {
	_, _, slope := f.apply(x, f.Kind.Log())
	return slope
}

func (f *Fit) apply(x float64, log bool) (y, u, slope float64) {
	if f.C[1] == 0 {
		return x, math.NaN(), 1 // no fit at all: no correction, and nothing known of it
	}
	z := x
	if log {
		if !(x > 0) {
			return x, math.NaN(), 1
		}
		z = math.Log10(x)
	}
	w := f.C[0] + z*(f.C[1]+z*f.C[2])
	v := f.Residual*f.Residual +
		f.Cov[0][0] + 2*z*f.Cov[0][1] + z*z*(f.Cov[1][1]+2*f.Cov[0][2]+z*(2*f.Cov[1][2]+z*f.Cov[2][2]))
	u = math.Sqrt(math.Max(0, v))
	slope = f.C[1] + 2*f.C[2]*z
	if log {
		y = math.Exp(w * math.Ln10)
		return y, y * math.Ln10 * u, slope * y / x
	}
	return w, u, slope
}

// Undo is the indicated value that Apply corrects to y.
func (f *Fit) Undo(y float64) float64 {
	w := y
	if f.Kind.Log() {
		if !(y > 0) {
			return y
		}
		w = math.Log10(y)
	}
	a, b, c := f.C[0]-w, f.C[1], f.C[2]
	z := -a / b
	if c != 0 {
		// The root that is -a/b as c goes to 0.
		z = -2 * a / (b + math.Sqrt(math.Max(0, b*b-4*a*c)))
	}
	if f.Kind.Log() {
		return math.Pow(10, z)
	}
	return z
}

// Zero is what the channel shows at nothing: zero of y = (x - zero)·span.
func (f *Fit) Zero() float64 { return -f.C[0] / f.C[1] }

// Span is the factor of y = (x - zero)·span.
func (f *Fit) Span() float64 { return f.C[1] }

// String is the correction as a formula in SI units.
func (f Fit) String() string {
	switch f.Kind {
	case Offset:
		return fmt.Sprintf("corrected = indicated %+.4g", f.C[0])
	case Linear:
		return fmt.Sprintf("corrected = %.4g %+.6g × indicated", f.C[0], f.C[1])
	case Quadratic:
		return fmt.Sprintf("corrected = %.4g %+.6g × indicated %+.4g × indicated²", f.C[0], f.C[1], f.C[2])
	case ZeroSpan:
		return fmt.Sprintf("corrected = (indicated %+.4g) × %.6g", -f.Zero(), f.Span())
	case Factor:
		return fmt.Sprintf("corrected = %.5g × indicated", math.Pow(10, f.C[0]))
	case LogLinear:
		return fmt.Sprintf("log10 corrected = %.4g %+.5g × log10 indicated", f.C[0], f.C[1])
	case Ratio:
		return fmt.Sprintf("corrected = %.6g × indicated", f.C[1])
	}
	return "no correction"
}

// same tells whether the numbers are those of o, up to rounding in a file.
func (f Fit) same(o Fit) bool {
	near := func(a, b float64) bool { return math.Abs(a-b) <= 1e-9*(1+math.Abs(a)+math.Abs(b)) }
	return f.Kind == o.Kind && near(f.C[0], o.C[0]) && near(f.C[1], o.C[1]) &&
		math.Abs(f.C[2]-o.C[2]) <= 1e-9*math.Abs(f.C[2]) && near(f.Residual, o.Residual)
}

// Refusal says why points make no calibration and what to do about it.
type Refusal struct {
	Reason string
	Do     string
	// Point is the index of the point to blame, -1 if it is none in particular.
	Point int
}

func (r *Refusal) Error() string { return r.Reason + "; " + r.Do }

// Solve fits a correction of the given kind to the points by weighted least
// squares (weights 1/U²). A refusal is of type [*Refusal].
func Solve(points []Point, kind Kind) (Fit, error) {
	s, ok := kind.shape()
	if !ok {
		return Fit{}, &Refusal{fmt.Sprintf("there is no correction of kind %q", string(kind)), "choose one of offset, linear, quadratic, zero-span, factor, log-linear, ratio", -1}
	}
	fit, r := solve(points, kind, s)
	if r == nil {
		return fit, nil
	}
	// Points that make no sense but do the other way round were written into
	// the wrong columns.
	if len(points) >= s.least && len(points) > 1 {
		turned := slices.Clone(points)
		for i := range turned {
			turned[i].Reference, turned[i].Indicated = turned[i].Indicated, turned[i].Reference
		}
		if _, still := solve(turned, kind, s); still == nil {
			return Fit{}, &Refusal{"reference and indicated look swapped: the points fit only the other way round",
				"put the reference's value into reference and the channel's into indicated", -1}
		}
	}
	return Fit{}, r
}

func solve(points []Point, kind Kind, s shape) (Fit, *Refusal) {
	if r := sound(points, s); r != nil {
		return Fit{}, r
	}
	if len(points) < s.least {
		return Fit{}, &Refusal{fmt.Sprintf("too few points: %d, and a %s correction needs %d", len(points), kind, s.least),
			"take more points, spread over the range that is worked in", -1}
	}
	if len(points) > maxPoints {
		return Fit{}, &Refusal{fmt.Sprintf("%d points", len(points)), fmt.Sprintf("keep to %d", maxPoints), -1}
	}
	if r := ordered(points); r != nil {
		return Fit{}, r
	}
	fit, r := leastSquares(points, kind, s)
	if r != nil {
		return Fit{}, r
	}
	if r := scattered(points, s, &fit); r != nil {
		return Fit{}, r
	}
	return fit, absurd(points, s, &fit)
}

// sound looks at each point by itself.
func sound(points []Point, s shape) *Refusal {
	for i, p := range points {
		n := i + 1
		switch {
		case !finite(p.Reference, p.Indicated, p.U):
			return &Refusal{fmt.Sprintf("point %d holds a value that is not a number", n), "undo it and take it again", i}
		case !(p.U > 0):
			return &Refusal{fmt.Sprintf("point %d has no uncertainty", n), "state what the reference is good for", i}
		case math.Abs(p.Reference) > 1e9 || math.Abs(p.Indicated) > 1e9 || p.U > 1e9 || p.U < 1e-12:
			return &Refusal{fmt.Sprintf("point %d is beyond anything a bench can show", n), "check the units and take it again", i}
		case s.log && !(p.Reference > 0 && p.Indicated > 0):
			return &Refusal{fmt.Sprintf("point %d is at or below zero, where a logarithmic gauge has no reading", n),
				"take it at a pressure that the reference can tell", i}
		}
	}
	return nil
}

// ordered looks for points twice and for columns that turn back.
func ordered(points []Point) *Refusal {
	order := make([]int, len(points))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(points[a].Reference, points[b].Reference) })
	for k := 1; k < len(order); k++ {
		a, b := order[k-1], order[k]
		p, q := points[a], points[b]
		if q.Reference-p.Reference <= math.Max(p.U, q.U) {
			return &Refusal{fmt.Sprintf("points %d and %d are the same reference (%.6g and %.6g, within their uncertainty)", a+1, b+1, p.Reference, q.Reference),
				"undo one of them and set the reference further away", max(a, b)}
		}
		if q.Indicated <= p.Indicated {
			return &Refusal{fmt.Sprintf("not monotone: from point %d to %d the reference rises from %.6g to %.6g but the channel goes from %.6g to %.6g",
				a+1, b+1, p.Reference, q.Reference, p.Indicated, q.Indicated),
				"check the sensor's wiring and polarity, wait until it has settled, and take both points again", b}
		}
	}
	return nil
}

// transform gives z, w and the standard uncertainty of w.
func transform(p Point, log bool) (z, w, u float64) {
	if log {
		return math.Log10(p.Indicated), math.Log10(p.Reference), p.U / (p.Reference * math.Ln10)
	}
	return p.Indicated, p.Reference, p.U
}

func leastSquares(points []Point, kind Kind, s shape) (Fit, *Refusal) {
	fit := Fit{Kind: kind, C: [3]float64{0, 1, 0}, From: math.Inf(1), To: math.Inf(-1)}
	var cols []int
	for j, free := range s.free {
		if free {
			cols = append(cols, j)
		}
	}
	// z is scaled to about 1, so that its square keeps the matrix well behaved.
	scale := 0.0
	for _, p := range points {
		z, _, _ := transform(p, s.log)
		scale = math.Max(scale, math.Abs(z))
		fit.From, fit.To = math.Min(fit.From, p.Indicated), math.Max(fit.To, p.Indicated)
	}
	if scale == 0 {
		scale = 1
	}
	n, m := len(points), len(cols)
	a, b := mat.NewDense(n, m, nil), mat.NewVecDense(n, nil)
	for i, p := range points {
		z, w, u := transform(p, s.log)
		for k, j := range cols {
			a.Set(i, k, math.Pow(z/scale, float64(j))/u)
		}
		b.SetVec(i, (w-z)/u) // the correction is what is fitted
	}
	singular := &Refusal{"the points do not determine the correction", "spread them over the range that is worked in", -1}
	var qr mat.QR
	qr.Factorize(a)
	if !(qr.Cond() < 1e10) {
		return Fit{}, singular
	}
	var x mat.VecDense
	if err := qr.SolveVecTo(&x, false, b); err != nil {
		return Fit{}, singular
	}
	var ata, cov mat.Dense
	ata.Mul(a.T(), a)
	if err := cov.Inverse(&ata); err != nil {
		return Fit{}, singular
	}
	for k, j := range cols {
		f := math.Pow(scale, float64(j))
		fit.C[j] += x.AtVec(k) / f
		for l, i := range cols {
			fit.Cov[j][i] = cov.At(k, l) / (f * math.Pow(scale, float64(i)))
		}
	}
	if !finite(fit.C[:]...) {
		return Fit{}, singular
	}
	return fit, nil
}

// Residuals are reference minus corrected value at each point, in the unit of
// the channel.
func (f *Fit) Residuals(points []Point) []float64 {
	out := make([]float64, len(points))
	for i, p := range points {
		y, _ := f.Apply(p.Indicated)
		out[i] = p.Reference - y
	}
	return out
}

// scattered sets the residual and refuses points that stray from the fit by
// more than their uncertainties explain in one calibration of a thousand.
func scattered(points []Point, s shape, fit *Fit) *Refusal {
	var chi2, sum, worst float64
	blame := 0
	for i, p := range points {
		z, w, u := transform(p, s.log)
		r := w - (fit.C[0] + fit.C[1]*z + fit.C[2]*z*z)
		sum += r * r
		chi2 += r * r / (u * u)
		if math.Abs(r/u) > worst {
			worst, blame = math.Abs(r/u), i
		}
	}
	free := 0
	for _, f := range s.free {
		if f {
			free++
		}
	}
	dof := len(points) - free
	if dof == 0 {
		return nil
	}
	fit.Residual = math.Sqrt(sum / float64(dof))
	if limit := (distuv.ChiSquared{K: float64(dof)}).Quantile(0.999); chi2 > limit {
		return &Refusal{
			fmt.Sprintf("scattered: the points stray from a %s correction by more than their uncertainty, point %d the most (%.1f times)", fit.Kind, blame+1, worst),
			"take that point again after it has settled; if it stays, the reference is less certain than stated or the sensor needs another kind of correction", blame}
	}
	return nil
}

// The largest believable corrections.
const (
	maxOffset  = 20.0 // K or Pa, beside 5 % of the reading: more is a wrong sensor type, not an offset
	maxZero    = 1500 // Pa
	maxDecades = 0.5  // factor 3
)

// absurd refuses what no sensor in order needs.
func absurd(points []Point, s shape, fit *Fit) *Refusal {
	const do = "check the sensor, its wiring, its settings in bench.toml and the unit of the reference; this is a fault to mend, not to calibrate away"
	if b := fit.C[1]; !(b >= s.gainLo && b <= s.gain) {
		return &Refusal{fmt.Sprintf("absurd: a gain of %.3g, where %.3g to %.3g is believable", b, s.gainLo, s.gain), do, -1}
	}
	if s.log {
		for i, p := range points {
			y, _ := fit.Apply(p.Indicated)
			if d := math.Log10(y / p.Indicated); !(math.Abs(d) <= maxDecades) {
				return &Refusal{fmt.Sprintf("absurd: a factor of %.3g at point %d, where up to 3 is believable", math.Pow(10, d), i+1), do, i}
			}
		}
		return nil
	}
	switch fit.Kind {
	case ZeroSpan:
		if z := fit.Zero(); !(math.Abs(z) <= maxZero) {
			return &Refusal{fmt.Sprintf("absurd: a zero of %.4g Pa, where up to %d is believable", z, maxZero), do, -1}
		}
	case Offset, Linear, Quadratic:
		for i, p := range points {
			y, _ := fit.Apply(p.Indicated)
			if d := y - p.Indicated; !(math.Abs(d) <= maxOffset+0.05*math.Abs(p.Reference)) {
				return &Refusal{fmt.Sprintf("absurd: a correction of %.3g at point %d, where up to %.3g is believable", d, i+1, maxOffset+0.05*math.Abs(p.Reference)), do, i}
			}
		}
		if fit.Slope(fit.From) <= 0 || fit.Slope(fit.To) <= 0 {
			return &Refusal{"absurd: a correction that turns back within the points", "take more points, or fit a linear correction", -1}
		}
	}
	return nil
}
