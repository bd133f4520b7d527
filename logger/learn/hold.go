package learn

import (
	"math"
	"slices"
)

// Hold is how much air the arc holds on this bench: the pressure times length
// above which it goes out, as its logarithm (Pa·m) with standard uncertainty.
type Hold struct{ Log, U float64 }

const (
	// soft is how much the limit differs from tube to tube when length, bore and current
	// are allowed for, as a logarithm; set on the plants of seeds 101 to 106.
	soft = 0.15
	// mistaken is the share of arcs that go out for another reason, or that the
	// record shows wrongly.
	mistaken = 0.05
)

// HoldOf is what runs say of the pressure up to which the arc holds: each that
// held says "not lower", each arc lost says "not higher". The prior is a normal
// one of the logarithm. It is Bayes' rule on a grid, with the normal distribution
// as the step. Of many runs that say the same only one counts, as they are of one
// bench and no new throw of the dice: the second highest that held, for one run alone,
// whose gauge may be wrong, shall not raise the limit; and the second lowest lost.
func HoldOf(held, lost []float64, prior, priorU float64) Hold {
	h := Hold{Log: prior, U: priorU}
	if len(held)+len(lost) == 0 {
		return h
	}
	held, lost = slices.Clone(held), slices.Clone(lost)
	slices.Sort(held)
	slices.Sort(lost)
	if n := len(held); n > 1 {
		held = held[n-2 : n-1]
	} else {
		held = nil
	}
	if len(lost) > 1 {
		lost = lost[1:2]
	}
	const wide, n = 6.0, 1201
	var logs, at [n]float64
	top := math.Inf(-1)
	for i := range n {
		x := prior + wide*priorU*(2*float64(i)/(n-1)-1)
		l := -0.5 * math.Pow((x-prior)/priorU, 2)
		for _, p := range held {
			l += math.Log(normal((x - math.Log(p)) / soft))
		}
		for _, p := range lost {
			l += math.Log(mistaken + (1-mistaken)*normal((math.Log(p)-x)/soft))
		}
		at[i], logs[i] = x, l
		top = max(top, l)
	}
	var sum, first, second float64
	for i := range n {
		w := math.Exp(logs[i] - top)
		sum, first, second = sum+w, first+w*at[i], second+w*at[i]*at[i]
	}
	if !(sum > 0) || math.IsInf(top, 0) {
		return h
	}
	h.Log = first / sum
	h.U = math.Sqrt(max(0, second/sum-h.Log*h.Log))
	return h
}

// normal is the standard normal distribution function.
func normal(z float64) float64 { return max(1e-300, 0.5*math.Erfc(-z/math.Sqrt2)) }
