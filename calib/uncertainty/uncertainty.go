// Package uncertainty holds what the GUM (JCGM 100:2008) needs in a data
// logger: Type A and B, combination and effective degrees of freedom.
package uncertainty

import "math"

// Rectangular is the standard uncertainty of a quantity known to lie within ±a
// with nothing more known: a/√3 (GUM 4.3.7).
func Rectangular(a float64) float64 { return math.Abs(a) / math.Sqrt(3) }

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
