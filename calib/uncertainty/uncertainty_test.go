package uncertainty

import (
	"math"
	"strings"
	"testing"
)

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
	k := Coverage(0.99, dof)
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
	var rect, tri, ush float64
	for i := range n {
		p := (float64(i) + 0.5) / n
		x := 2*p - 1
		rect += x * x
		y := math.Sqrt(2*math.Min(p, 1-p)) - 1 // quantile of the triangle's left half
		tri += y * y
		z := math.Sin(2 * math.Pi * p)
		ush += z * z
	}
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"rectangular", Rectangular(3), 3 * math.Sqrt(rect/n)},
		{"triangular", Triangular(-3), 3 * math.Sqrt(tri/n)},
		{"U-shaped", UShaped(3), 3 * math.Sqrt(ush/n)},
		{"resolution", Resolution(6), 3 * math.Sqrt(rect/n)},
		{"expanded", Expanded(4, 2), 2},
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
		if got := Coverage(c.p, c.dof); math.Abs(got-c.want) > c.tol {
			t.Errorf("k(%g, %g) = %.4f, want %g", c.p, c.dof, got, c.want)
		}
	}
	if u, dof := Combine(Component{U: 3, C: 1}, Component{U: 2, C: 2}); u != 5 || !math.IsInf(dof, 1) {
		t.Error(u, dof)
	}
}

func TestFormat(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		x, u float64
		want string
	}{
		{231.37, 1.24, "231.4 ± 2.5"},
		{1.23456, 0.000123, "1.23456 ± 0.00025"},
		{9.0049, 0.0498, "9.00 ± 0.10"}, // 0.0996 rounds to 0.10
		{100021.3, 35.2, "100021 ± 70"},
		{12345, 620, "12300 ± 1200"},
		{-0.0001, 0.05, "0.00 ± 0.10"},
		{0.013332, 0.0002, "0.01333 ± 0.00040"},
		{1.2345e-7, 1.1e-9, "(1.235 ± 0.022)e-7"},
		{5, 0, "5 ± 0"},
		{5, nan, "5 ± ?"},
		{nan, 1, "no reading"},
	} {
		if got := Format(c.x, c.u); got != c.want {
			t.Errorf("Format(%g, %g) = %q, want %q", c.x, c.u, got, c.want)
		}
	}
}

// Whatever is written has two significant digits of U, and no more places in x.
func FuzzFormat(f *testing.F) {
	f.Add(1.0, 0.1)
	f.Add(1e9, 4.99e-3)
	f.Add(-1e-9, 3e4)
	f.Fuzz(func(t *testing.T, x, u float64) {
		if math.IsNaN(x) || math.IsInf(x, 0) || !(u > 1e-30 && u < 1e30) || math.Abs(x) > 1e30 {
			return
		}
		s := Format(x, u)
		a, b, ok := strings.Cut(strings.Trim(strings.Split(s, ")")[0], "("), " ± ")
		if !ok {
			t.Fatal(s)
		}
		_, fa, _ := strings.Cut(a, ".")
		_, fb, _ := strings.Cut(b, ".")
		if len(fa) != len(fb) {
			t.Errorf("%g, %g: %q has different places", x, u, s)
		}
	})
}
