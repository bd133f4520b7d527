package lag

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/mat"
)

// Sample is one reading of the junction.
type Sample struct {
	At time.Duration
	T  float64 // °C
}

// Why a time constant is not found. The errors of [FromStep] and [FromRun]
// wrap one of these and say what was found and what to do.
var (
	ErrInput       = errors.New("the readings cannot be used")
	ErrFew         = errors.New("too few readings")
	ErrSmall       = errors.New("the step is too small")
	ErrUnsettled   = errors.New("the reading has not settled")
	ErrShape       = errors.New("the reading does not follow one time constant")
	ErrRange       = errors.New("the time constant is not that of a thermocouple on glass")
	ErrTransitions = errors.New("no usable striking or putting out of the arc")
	ErrScatter     = errors.New("the transitions do not agree")
)

const (
	leastStep    = 10.0 // °C
	leastSamples = 12   // after the step
)

// FromStep finds the time constant from a step: the junction, at rest, is
// brought to another temperature that stays (pressed on hot glass, lifted off
// it, put into water), and settles. samples are in order of time, from before
// or at the step until at least three time constants after it. It returns the
// time constant and its standard uncertainty in seconds.
//
// Fitted by least squares is end + step·exp(-t/tau) over what comes after the
// first tenth of the step; as an exponential looks the same from every point
// on, the moment of the step need not be known.
func FromStep(samples []Sample) (tau, u float64, err error) {
	if err := checkSamples(samples); err != nil {
		return 0, 0, fmt.Errorf("time constant from a step: %w", err)
	}
	n := len(samples)
	if n < leastSamples {
		return 0, 0, fmt.Errorf("time constant from a step: %w: %d, at least %d are needed", ErrFew, n, leastSamples)
	}
	first, last := samples[0].T, middle(samples[n-max(3, n/10):])
	step := last - first
	if math.Abs(step) < leastStep {
		return 0, 0, fmt.Errorf("time constant from a step: %w: %.1f °C, at least %.0f °C are needed", ErrSmall, math.Abs(step), leastStep)
	}
	start := 0
	for i, s := range samples {
		if math.Abs(s.T-first) < 0.1*math.Abs(step) {
			start = i + 1
		}
	}
	cut := samples[min(start, n):]
	if len(cut) < leastSamples {
		return 0, 0, fmt.Errorf("time constant from a step: %w: %d after the step began, at least %d are needed", ErrFew, len(cut), leastSamples)
	}
	t, y := make([]float64, len(cut)), make([]float64, len(cut))
	for i, s := range cut {
		t[i], y[i] = (s.At - cut[0].At).Seconds(), s.T
	}
	f := fit(t, y, func(tau, t float64, row []float64) {
		row[0], row[1] = 1, math.Exp(-t/tau)
	}, 2)
	if err := f.inRange(); err != nil {
		return 0, 0, fmt.Errorf("time constant from a step: %w", err)
	}
	if span := t[len(t)-1]; span < 2.5*f.tau {
		return 0, 0, fmt.Errorf("time constant from a step: %w: %.1f s were recorded, at least 3 time constants (%.1f s) are needed", ErrUnsettled, span, 3*f.tau)
	}
	if f.rms > 0.03*math.Abs(f.coef[1]) {
		return 0, 0, fmt.Errorf("time constant from a step: %w: it is off by %.1f °C rms in a step of %.0f °C; "+
			"repeat it with the thermocouple and the glass at rest", ErrShape, f.rms, math.Abs(step))
	}
	if f.u > 0.2*f.tau {
		return 0, 0, fmt.Errorf("time constant from a step: %w: %.1f s with an uncertainty of %.1f s", ErrShape, f.tau, f.u)
	}
	return f.tau, f.u, nil
}

func checkSamples(samples []Sample) error {
	for i, s := range samples {
		switch {
		case !(math.Abs(s.T) < 3000):
			return fmt.Errorf("%w: reading %d is %g °C", ErrInput, i+1, s.T)
		case i > 0 && s.At <= samples[i-1].At:
			return fmt.Errorf("%w: reading %d is not later than the one before", ErrInput, i+1)
		}
	}
	return nil
}

func middle(s []Sample) float64 {
	x := make([]float64, len(s))
	for i := range s {
		x[i] = s[i].T
	}
	slices.Sort(x)
	return x[len(x)/2]
}

// basis fills row with the model's linear parts at time t.
type basis func(tau, t float64, row []float64)

// fitted is what came of [fit].
type fitted struct {
	tau, u float64 // s
	coef   []float64
	rms    float64 // of the residuals
	edge   bool    // the best tau is the least or most that was tried
}

func (f *fitted) inRange() error {
	if f.edge || f.u != f.u {
		return fmt.Errorf("%w: %.1f s, at the edge of what was tried (%v to %v)", ErrRange, f.tau, MinTau, MaxTau)
	}
	return nil
}

// fit finds tau and the linear coefficients by least squares. For each tau the
// coefficients follow by QR; tau is searched on a grid, then by golden section.
// Its uncertainty is that of linearised least squares, with neighbouring
// residuals counted as dependent as they are.
func fit(t, y []float64, b basis, k int) fitted {
	n := len(t)
	a := mat.NewDense(n, k, nil)
	rhs := mat.NewDense(n, 1, nil)
	// solve leaves the residuals of z in res.
	var qr mat.QR
	var x mat.Dense
	solve := func(tau float64, z, res []float64) (float64, bool) {
		for i := range n {
			b(tau, t[i], a.RawRowView(i))
			rhs.Set(i, 0, z[i])
		}
		qr.Factorize(a)
		x.Reset()
		var bad mat.Condition
		if err := qr.SolveTo(&x, false, rhs); err != nil && !errors.As(err, &bad) {
			return math.Inf(1), false
		}
		sum := 0.0
		for i := range n {
			res[i] = z[i]
			for j := range k {
				res[i] -= a.At(i, j) * x.At(j, 0)
			}
			sum += res[i] * res[i]
		}
		return sum, sum == sum
	}
	res, other := make([]float64, n), make([]float64, n)
	cost := func(logTau float64) float64 {
		s, ok := solve(math.Exp(logTau), y, res)
		if !ok {
			return math.Inf(1)
		}
		return s
	}
	const grid = 40
	lo, hi := math.Log(MinTau.Seconds()), math.Log(MaxTau.Seconds())
	step := (hi - lo) / grid
	at, least := 0, math.Inf(1)
	for i := range grid + 1 {
		if c := cost(lo + float64(i)*step); c < least {
			at, least = i, c
		}
	}
	p, q := lo+float64(at-1)*step, lo+float64(at+1)*step
	const golden = 0.6180339887498949
	c, d := q-golden*(q-p), p+golden*(q-p)
	fc, fd := cost(c), cost(d)
	for range 40 {
		if fc < fd {
			q, d, fd = d, c, fc
			c = q - golden*(q-p)
			fc = cost(c)
		} else {
			p, c, fc = c, d, fd
			d = p + golden*(q-p)
			fd = cost(d)
		}
	}
	f := fitted{tau: math.Exp((p + q) / 2), edge: at == 0 || at == grid, coef: make([]float64, k)}
	sum, _ := solve(f.tau, y, res)
	for j := range k {
		f.coef[j] = x.At(j, 0)
	}
	f.rms = math.Sqrt(sum / float64(max(1, n-k-1)))
	lagged := 0.0
	for i := 1; i < n; i++ {
		lagged += res[i] * res[i-1]
	}
	rho := min(max(lagged/sum, 0), 0.98)
	// The model's change with tau, less what the coefficients can make good.
	dm := make([]float64, n)
	h := 1e-4 * f.tau
	row := make([]float64, k)
	for i := range n {
		for _, sign := range [2]float64{1, -1} {
			b(f.tau+sign*h, t[i], row)
			for j := range k {
				dm[i] += sign * f.coef[j] * row[j] / (2 * h)
			}
		}
	}
	own, _ := solve(f.tau, dm, other)
	f.u = f.rms / math.Sqrt(own) * math.Sqrt((1+rho)/(1-rho))
	return f
}
