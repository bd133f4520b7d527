// Package uncertainty holds what the GUM (JCGM 100:2008) needs in a data
// logger: Type B distributions, combination, effective degrees of freedom,
// coverage factors and the writing of a result.
package uncertainty

import (
	"math"
	"strconv"

	"gonum.org/v1/gonum/stat/distuv"
)

// Rectangular is the standard uncertainty of a quantity known to lie within ±a
// with nothing more known: a/√3 (GUM 4.3.7).
func Rectangular(a float64) float64 { return math.Abs(a) / math.Sqrt(3) }

// Triangular is that of values within ±a that are likelier in the middle: a/√6
// (GUM 4.3.9).
func Triangular(a float64) float64 { return math.Abs(a) / math.Sqrt(6) }

// UShaped is that of a quantity that swings as a sine between ±a: a/√2.
func UShaped(a float64) float64 { return math.Abs(a) / math.Sqrt2 }

// Resolution is that of rounding to a digital step q: q/√12 (GUM F.2.2.1).
func Resolution(q float64) float64 { return math.Abs(q) / math.Sqrt(12) }

// Expanded is that of a certificate's expanded uncertainty with coverage factor k.
func Expanded(u, k float64) float64 { return math.Abs(u) / k }

// TypeA is the standard uncertainty of the mean of n readings whose sample
// standard deviation is s: s/√n (GUM 4.2.3).
func TypeA(s float64, n int) float64 { return s / math.Sqrt(float64(n)) }

// Component is one contribution to a result.
type Component struct {
	U float64 // standard uncertainty of the input
	C float64 // sensitivity ∂result/∂input
	// DoF are the degrees of freedom of U; 0 means unlimited.
	DoF float64
}

// Combine is the combined standard uncertainty of independent inputs,
// √Σ(c·u)² (GUM 5.1.2), and the effective degrees of freedom by
// Welch-Satterthwaite (GUM G.4.1), +Inf if no component limits them.
func Combine(inputs ...Component) (u, dof float64) {
	var s2, s4 float64
	for _, i := range inputs {
		v := i.C * i.U
		v *= v
		s2 += v
		if i.DoF > 0 {
			s4 += v * v / i.DoF
		}
	}
	if s4 == 0 {
		return math.Sqrt(s2), math.Inf(1)
	}
	return math.Sqrt(s2), s2 * s2 / s4
}

// Coverage is the factor k for which ±k·u holds with probability p (0 < p < 1)
// at dof degrees of freedom, truncated to a whole number as GUM G.4.1 asks;
// Student's t, or the normal distribution for dof = +Inf.
func Coverage(p, dof float64) float64 {
	q := (1 + p) / 2
	if math.IsInf(dof, 1) {
		return distuv.UnitNormal.Quantile(q)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Max(1, math.Floor(dof))}.Quantile(q)
}

// Format writes "x ± U" with U = 2u (k = 2) in two significant digits and x
// rounded to the same place. Without known u, x has four significant digits
// and "± ?"; without x it is "no reading".
func Format(x, u float64) string {
	if math.IsNaN(x) {
		return "no reading"
	}
	if math.IsNaN(u) || math.IsInf(u, 0) {
		return strconv.FormatFloat(x, 'g', 4, 64) + " ± ?"
	}
	U := 2 * math.Abs(u)
	if U == 0 || math.IsInf(x, 0) {
		return strconv.FormatFloat(x, 'g', -1, 64) + " ± 0"
	}
	e := int(math.Floor(math.Log10(U)))
	// 0.0996 has two digits as 0.10: round first, then count the places. The
	// tolerance takes 9.95 for what it was meant to be, not for its binary form.
	if math.Round(U*math.Pow(10, float64(1-e))+1e-9) >= 100 {
		e++
	}
	places := 1 - e
	if places > 5 || places < -4 {
		// One common power of ten, that of the larger number.
		p := int(math.Floor(math.Log10(math.Max(math.Abs(x), U))))
		f := math.Pow(10, float64(p))
		return "(" + fixed(x/f, places+p) + " ± " + fixed(U/f, places+p) + ")e" + strconv.Itoa(p)
	}
	return fixed(x, places) + " ± " + fixed(U, places)
}

// fixed writes x rounded to a number of decimals, which may be negative.
func fixed(x float64, places int) string {
	if places >= 0 {
		s := strconv.FormatFloat(x, 'f', places, 64)
		if r, err := strconv.ParseFloat(s, 64); err == nil && r == 0 && s[0] == '-' {
			return s[1:]
		}
		return s
	}
	f := math.Pow(10, float64(-places))
	return strconv.FormatFloat(math.Round(x/f)*f, 'f', 0, 64)
}
