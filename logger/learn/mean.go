package learn

import (
	"math"
	"slices"
)

// Mean is the mean of what several runs say of one number.
type Mean struct {
	X   float64 // NaN if no run says anything
	U   float64 // standard uncertainty
	Tau float64 // standard deviation from run to run beyond the runs' own uncertainties
	Out []bool  // runs that were left out, as too far from the others
}

// farOff is how many standard deviations a run must lie from the median to be
// left out; a normal run does so in 1 of 16,000 cases.
const farOff = 4.0

// fewRuns is the number of runs below which the scatter from run to run is not
// believed to be less than what is usual.
const fewRuns = 5

// MeanOf is the random-effects mean of x with standard uncertainties u. The
// scatter from run to run is that of Paule and Mandel (J. Res. Natl. Bur.
// Stand. 87 (1982) 377): it makes the weighted sum of squares equal to its
// number of degrees of freedom. Before that, runs are left out that lie more
// than four standard deviations from the median; the deviation is the run's own
// and 1.4826 times the median absolute deviation, whichever says more. Below
// five runs the scatter is taken to be at least usual.
func MeanOf(x, u []float64, usual float64) Mean {
	n := len(x)
	m := Mean{X: math.NaN(), U: math.NaN(), Out: make([]bool, n)}
	if n == 0 {
		return m
	}
	mid := median(x)
	off := make([]float64, n)
	for i := range x {
		off[i] = math.Abs(x[i] - mid)
	}
	mad := 1.4826 * median(off)
	if n < fewRuns {
		mad = max(mad, usual)
	}
	var kx, kv []float64
	for i := range x {
		if m.Out[i] = off[i] > farOff*max(mad, math.Hypot(u[i], usual)) && n > 2; !m.Out[i] {
			kx, kv = append(kx, x[i]), append(kv, u[i]*u[i])
		}
	}
	t2 := pauleMandel(kx, kv)
	if n < fewRuns {
		t2 = max(t2, usual*usual)
	}
	var w float64
	m.X, w = weighted(kx, kv, t2)
	m.U, m.Tau = 1/math.Sqrt(w), math.Sqrt(t2)
	return m
}

func weighted(x, v []float64, t2 float64) (mean, weight float64) {
	s := 0.0
	for i := range x {
		w := 1 / (v[i] + t2)
		s, weight = s+w*x[i], weight+w
	}
	return s / weight, weight
}

// pauleMandel is the variance between runs, 0 if the runs' own uncertainties
// explain their scatter.
func pauleMandel(x, v []float64) float64 {
	excess := func(t2 float64) float64 {
		m, _ := weighted(x, v, t2)
		q := 0.0
		for i := range x {
			q += (x[i] - m) * (x[i] - m) / (v[i] + t2)
		}
		return q - float64(len(x)-1)
	}
	if len(x) < 2 || excess(0) <= 0 {
		return 0
	}
	lo, hi := 0.0, 0.0
	for _, a := range x {
		hi = max(hi, (a-x[0])*(a-x[0]))
	}
	for hi *= 4; excess(hi) > 0; {
		hi *= 4
	}
	for range 100 { // excess falls with t2
		if mid := (lo + hi) / 2; excess(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

func median(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	n := len(s)
	if n%2 == 1 {
		return s[n/2]
	}
	return (s[n/2-1] + s[n/2]) / 2
}
