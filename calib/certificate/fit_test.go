package certificate

import (
	"errors"
	"math"
	"strings"
	"testing"
)

// gumH3 are the readings of the thermometer calibration of JCGM 100:2008 (GUM),
// annex H.3, table H.6: indicated temperature and correction in °C (values from
// memory; that they give the annex's results is the check on them).
var gumH3 = [][2]float64{
	{21.521, -0.171}, {22.012, -0.169}, {22.512, -0.166}, {23.003, -0.159}, {23.507, -0.164}, {23.999, -0.165},
	{24.513, -0.156}, {25.002, -0.157}, {25.503, -0.159}, {26.010, -0.161}, {26.511, -0.160},
}

// The fit reproduces GUM H.3.3: y1 = -0.1712 °C with s 0.0029, y2 = 0.00218 with
// s 0.00067, s = 0.0035, the correction at 30 °C -0.1494 °C with u 0.0041.
func TestGUMH3(t *testing.T) {
	var points []Point
	for _, r := range gumH3 {
		points = append(points, Point{Reference: r[0] + r[1], Indicated: r[0], U: 0.0035})
	}
	fit, err := Solve(points, Linear)
	if err != nil {
		t.Fatal(err)
	}
	check := func(what string, got, want, tolerance float64) {
		t.Helper()
		if !(math.Abs(got-want) <= tolerance) {
			t.Errorf("%s = %v; GUM H.3 says %v", what, got, want)
		}
	}
	at20, _ := fit.Apply(20)
	at30, _ := fit.Apply(30)
	check("y1", at20-20, -0.1712, 5e-5)
	check("y2", fit.C[1]-1, 0.00218, 5e-6)
	check("s", fit.Residual, 0.0035, 5e-5)
	u := func(x float64) float64 {
		return math.Sqrt(fit.Cov[0][0] + 2*x*fit.Cov[0][1] + x*x*fit.Cov[1][1])
	}
	check("s(y1)", u(20), 0.0029, 5e-5)
	check("s(y2)", math.Sqrt(fit.Cov[1][1]), 0.00067, 5e-6)
	check("b(30)", at30-30, -0.1494, 5e-5)
	check("u(b(30))", u(30), 0.0041, 5e-5)
}

// Points made with a known correction give it back.
func TestKnownCorrections(t *testing.T) {
	for _, c := range []struct {
		kind Kind
		x    []float64
		f    func(float64) float64
		want string
	}{
		{Offset, []float64{1.5}, func(x float64) float64 { return x - 1.5 }, "corrected = indicated -1.5"},
		{Linear, []float64{1, 98, 200}, func(x float64) float64 { return 0.5 + 1.01*x }, "corrected = 0.5 +1.01 × indicated"},
		{Quadratic, []float64{0, 50, 100, 200, 300}, func(x float64) float64 { return 1 + 0.99*x + 2e-5*x*x }, "corrected = 1 +0.99 × indicated +2e-05 × indicated²"},
		{ZeroSpan, []float64{3, 500, 2000}, func(x float64) float64 { return (x - 3) * 1.02 }, "corrected = (indicated -3) × 1.02"},
		{Factor, []float64{1e5}, func(x float64) float64 { return 1.05 * x }, "corrected = 1.05 × indicated"},
		{LogLinear, []float64{1, 30, 1000, 1e5}, func(x float64) float64 { return 1.1 * math.Pow(x, 0.98) }, "log10 corrected = 0.04139 +0.98 × log10 indicated"},
		{Ratio, []float64{0.1, 0.3, 0.6}, func(x float64) float64 { return 1.04 * x }, "corrected = 1.04 × indicated"},
	} {
		var points []Point
		for _, x := range c.x {
			points = append(points, Point{Reference: c.f(x), Indicated: x, U: 0.001 * (1 + x)})
		}
		fit, err := Solve(points, c.kind)
		if err != nil {
			t.Errorf("%s: %v", c.kind, err)
			continue
		}
		if fit.String() != c.want {
			t.Errorf("%s: %s; want %s", c.kind, fit, c.want)
		}
		for _, x := range c.x {
			y, u := fit.Apply(x)
			if math.Abs(y-c.f(x)) > 1e-9*(1+y) || !(u > 0) {
				t.Errorf("%s: %v becomes %v ± %v, want %v", c.kind, x, y, u, c.f(x))
			}
			if back := fit.Undo(y); math.Abs(back-x) > 1e-9*(1+x) {
				t.Errorf("%s: %v undone is %v, want %v", c.kind, y, back, x)
			}
			h := 1e-6 * (1 + x)
			hi, _ := fit.Apply(x + h)
			if d := (hi - y) / h; math.Abs(d-fit.Slope(x)) > 1e-4 {
				t.Errorf("%s: slope %v at %v, the difference says %v", c.kind, fit.Slope(x), x, d)
			}
		}
	}
}

// A point with less uncertainty weighs more: by 1/U² (JCGM 100, weighted mean).
func TestWeights(t *testing.T) {
	fit, err := Solve([]Point{{Reference: 10, Indicated: 9, U: 1}, {Reference: 20, Indicated: 21, U: 0.5}, {Reference: 30, Indicated: 29, U: 1}}, Offset)
	if err != nil {
		t.Fatal(err)
	}
	if want := (1.0 - 4 + 1) / 6; math.Abs(fit.C[0]-want) > 1e-12 {
		t.Errorf("offset %v, want the weighted mean %v", fit.C[0], want)
	}
	if want := 1.0 / 6; math.Abs(fit.Cov[0][0]-want) > 1e-12 {
		t.Errorf("variance %v, want %v", fit.Cov[0][0], want)
	}
}

func TestRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	at := func(ref, ind float64) Point { return Point{Reference: ref, Indicated: ind, U: 0.1} }
	// True temperature bends away from the indicated one; the columns are swapped.
	var bent, turned []Point
	for _, x := range []float64{0, 50, 100, 150, 200, 250, 300} {
		y := x + 1 - 0.1*x + 6e-4*x*x
		bent = append(bent, Point{Reference: y, Indicated: x, U: 0.02})
		turned = append(turned, Point{Reference: x, Indicated: y, U: 0.02})
	}
	if _, err := Solve(bent, Quadratic); err != nil {
		t.Fatalf("the right way round: %v", err)
	}
	for name, c := range map[string]struct {
		kind   Kind
		points []Point
		reason string
	}{
		"none":            {Offset, nil, "too few"},
		"one of two":      {Linear, []Point{at(0, 1)}, "too few"},
		"two of three":    {Ratio, []Point{at(1, 1), at(2, 2)}, "too few"},
		"NaN":             {Linear, []Point{at(nan, 1), at(2, 2)}, "not a number"},
		"Inf":             {Linear, []Point{at(1, inf), at(2, 2)}, "not a number"},
		"no u":            {Offset, []Point{{Reference: 1, Indicated: 1}}, "no uncertainty"},
		"endless u":       {Offset, []Point{{Reference: 1, Indicated: 1, U: inf}}, "not a number"},
		"huge":            {Offset, []Point{at(1e300, 1e300)}, "beyond"},
		"twice":           {Linear, []Point{at(0, 1), at(0.05, 50)}, "same reference"},
		"backwards":       {Linear, []Point{at(0, 100), at(100, 0)}, "not monotone"},
		"turns":           {Linear, []Point{at(0, 0), at(50, 60), at(100, 55)}, "not monotone"},
		"stuck":           {Linear, []Point{at(0, 20), at(100, 20)}, "not monotone"},
		"scattered":       {Linear, []Point{at(0, 0), at(50, 58), at(100, 100)}, "scattered"},
		"gain":            {Linear, []Point{at(0, 0), at(100, 30)}, "gain"},
		"offset":          {Offset, []Point{at(0, 22)}, "absurd"},
		"zero":            {ZeroSpan, []Point{at(0, 2000), at(1000, 3000)}, "zero"},
		"factor":          {Factor, []Point{at(1e5, 1e4)}, "factor"},
		"log of nothing":  {LogLinear, []Point{at(0, 1), at(100, 100)}, "at or below zero"},
		"log slope":       {LogLinear, []Point{at(1, 1), at(1e5, 3e3)}, "gain"},
		"swapped":         {Quadratic, turned, "swapped"},
		"unknown kind":    {"cubic", []Point{at(1, 1)}, "no correction of kind"},
		"Torr for pascal": {ZeroSpan, []Point{at(0, 0), at(20, 2666)}, "gain"},
	} {
		_, err := Solve(c.points, c.kind)
		var r *Refusal
		if !errors.As(err, &r) {
			t.Errorf("%s: accepted (%v)", name, err)
			continue
		}
		if !strings.Contains(r.Reason, c.reason) || r.Do == "" {
			t.Errorf("%s: refused with %q; want a reason with %q and what to do", name, err, c.reason)
		}
	}
}

// The scattered point is named.
func TestBlames(t *testing.T) {
	points := []Point{{Reference: 0, Indicated: 0.1, U: 0.1}, {Reference: 50, Indicated: 50, U: 0.1}, {Reference: 100, Indicated: 103, U: 0.1}, {Reference: 150, Indicated: 149.9, U: 0.1}}
	_, err := Solve(points, Linear)
	var r *Refusal
	if !errors.As(err, &r) || r.Point != 2 {
		t.Errorf("%v; want point 3 blamed", err)
	}
}

// The uncertainty of a fit grows outside its points.
func TestExtrapolation(t *testing.T) {
	fit, err := Solve([]Point{{Reference: 0, Indicated: 0.3, U: 0.1}, {Reference: 100, Indicated: 100.1, U: 0.1}}, Linear)
	if err != nil {
		t.Fatal(err)
	}
	_, in := fit.Apply(50)
	_, out := fit.Apply(400)
	// Two points: u(x)² = (((b-x)/(b-a))² + ((x-a)/(b-a))²)·0.1².
	if math.Abs(in-0.1/math.Sqrt2) > 1e-3 || math.Abs(out-0.5) > 5e-3 {
		t.Errorf("u(50) = %v, u(400) = %v; want 0.0707 and 0.5", in, out)
	}
}

func TestNoFit(t *testing.T) {
	var f Fit
	if y, u := f.Apply(5); y != 5 || !math.IsNaN(u) {
		t.Errorf("no fit makes %v ± %v of 5", y, u)
	}
}
