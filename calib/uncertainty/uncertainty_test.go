package uncertainty

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// coverage is the factor k for which ±k·u holds with probability p (0 < p < 1)
// at dof degrees of freedom, truncated to a whole number as GUM G.4.1 asks;
// Student's t, or the normal distribution for dof = +Inf.
func coverage(p, dof float64) float64 {
	q := (1 + p) / 2
	if math.IsInf(dof, 1) {
		return distuv.UnitNormal.Quantile(q)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Max(1, math.Floor(dof))}.Quantile(q)
}

// GUM H.1, end-gauge calibration: inputs and results as published (physics.md
// §9.1, a; physics_checks.csv topic gum). Lengths in nm, temperature in °C.
func TestGUMH1(t *testing.T) {
	const (
		ls     = 50.000623e6
		alpha  = 11.5e-6
		theta  = -0.1
		dalpha = 0.0
		dtheta = 0.0
	)
	l := ls + 215 - ls*(dalpha*theta+alpha*dtheta)
	if math.Abs(l-50.000838e6) > 0.5 {
		t.Errorf("l = %.1f nm", l)
	}
	u, dof := Combine(
		Component{U: 25, C: 1, DoF: 18},
		Component{U: 9.7, C: 1, DoF: 25.6}, // as H.1.6 gives it for d
		Component{U: 1.2e-6, C: 0},
		Component{U: 0.41, C: 0},
		Component{U: 0.58e-6, C: -ls * theta, DoF: 50},
		Component{U: 0.029, C: -ls * alpha, DoF: 2},
	)
	if math.Abs(u-31.71) > 0.05 || math.Round(u) != 32 {
		t.Errorf("u = %.3f nm, want 32 (31.71)", u)
	}
	if math.Floor(dof) != 16 || math.Abs(dof-16.7) > 0.1 {
		t.Errorf("degrees of freedom %.2f, want 16.7", dof)
	}
	k := coverage(0.99, dof)
	if math.Abs(k-2.92) > 0.005 {
		t.Errorf("t99 = %.4f, want 2.92", k)
	}
	if U := k * math.Round(u); math.Abs(U-93) > 0.5 {
		t.Errorf("U99 = %.1f nm, want 93", U)
	}
}

// Closed forms of the distributions, checked by their integrals.
func TestTypeB(t *testing.T) {
	const n = 200000
	var rect float64
	for i := range n {
		x := 2*(float64(i)+0.5)/n - 1
		rect += x * x
	}
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"rectangular", Rectangular(3), 3 * math.Sqrt(rect/n)},
		{"type A", TypeA(2, 16), 0.5},
	} {
		if math.Abs(c.got/c.want-1) > 1e-4 {
			t.Errorf("%s: %g, want %g", c.name, c.got, c.want)
		}
	}
}

func TestCoverage(t *testing.T) {
	// GUM table G.1 (normal) and G.2 (Student).
	for _, c := range []struct{ p, dof, want, tol float64 }{
		{0.9545, math.Inf(1), 2.000, 5e-4}, {0.95, math.Inf(1), 1.960, 5e-4}, {0.99, math.Inf(1), 2.576, 5e-4},
		{0.95, 1, 12.71, 5e-3}, {0.95, 10, 2.23, 5e-3}, {0.99, 16, 2.92, 5e-3}, {0.99, 16.9, 2.92, 5e-3}, {0.9545, 50, 2.05, 5e-3},
	} {
		if got := coverage(c.p, c.dof); math.Abs(got-c.want) > c.tol {
			t.Errorf("k(%g, %g) = %.4f, want %g", c.p, c.dof, got, c.want)
		}
	}
	if u, dof := Combine(Component{U: 3, C: 1}, Component{U: 2, C: 2}); u != 5 || !math.IsInf(dof, 1) {
		t.Error(u, dof)
	}
}
