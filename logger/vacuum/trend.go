package vacuum

import (
	"math"
	"slices"
)

// Trend is how a quantity of the plant goes from run to run.
type Trend struct {
	N       int
	PerRun  Quantity // relative change from one run to the next: 0.02 is 2 % more each run
	First   float64  // level of the line at the first run
	Last    float64  // level of the line at the last
	Chance  float64  // probability of so clear an order if there were none, two-sided
	Certain bool     // beyond doubt: Chance below 1 %, and the change is more than a tenth
}

// leastRuns is how many runs make a trend: with fewer not even a perfect order
// is beyond chance.
const leastRuns = 6

// FitTrend finds the trend of positive values in the order of their runs: the
// median of the slopes of all pairs of ln x (Theil and Sen), tested by the
// number of pairs in order (Mann and Kendall), both of which one bad run does not
// move. Values that are NaN or not positive are left out. ok is false with
// fewer than six.
func FitTrend(values []float64) (t Trend, ok bool) {
	var at, y []float64
	for i, v := range values {
		if v > 0 && !math.IsInf(v, 0) {
			at, y = append(at, float64(i)), append(y, math.Log(v))
		}
	}
	n := len(y)
	if n < leastRuns {
		return Trend{N: n}, false
	}
	var slopes []float64
	s, pairs := 0, 0
	for i := range n {
		for j := i + 1; j < n; j++ {
			slopes = append(slopes, (y[j]-y[i])/(at[j]-at[i]))
			pairs++
			switch {
			case y[j] > y[i]:
				s++
			case y[j] < y[i]:
				s--
			}
		}
	}
	slices.Sort(slopes)
	b := median(slopes)
	rest := make([]float64, n)
	for i := range n {
		rest[i] = y[i] - b*at[i]
	}
	slices.Sort(rest)
	level := median(rest)
	// Kendall's S has the variance n(n-1)(2n+5)/18; its normal approximation,
	// with the correction for steps of two, holds from about n = 6.
	sigma := math.Sqrt(float64(n*(n-1)*(2*n+5)) / 18)
	z := 0.0
	if s != 0 {
		z = (math.Abs(float64(s)) - 1) / sigma
	}
	// The slope's confidence bounds are the slopes that sit sigma of ranks from
	// the median (Sen 1968).
	lo := slopes[max(0, int(float64(pairs)/2-sigma/2))]
	hi := slopes[min(pairs-1, int(float64(pairs)/2+sigma/2))]
	t = Trend{
		N: n, PerRun: Quantity{math.Expm1(b), (hi - lo) / 2},
		First: math.Exp(level + b*at[0]), Last: math.Exp(level + b*at[n-1]),
		Chance: math.Erfc(z / math.Sqrt2),
	}
	t.Certain = t.Chance < 0.01 && math.Abs(math.Log(t.Last/t.First)) > 0.1
	return t, true
}

// median of sorted values.
func median(sorted []float64) float64 {
	n := len(sorted)
	if n%2 == 1 {
		return sorted[n/2]
	}
	return (sorted[n/2-1] + sorted[n/2]) / 2
}

// spread is the standard deviation as the median departure tells it.
func spread(r []float64) float64 {
	a := make([]float64, len(r))
	for i, x := range r {
		a[i] = math.Abs(x)
	}
	slices.Sort(a)
	return 1.4826 * median(a)
}
