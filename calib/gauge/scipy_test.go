package gauge_test

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"tipoff/calib/certificate"
	"tipoff/calib/gauge"
)

type scipy struct {
	Tables []struct {
		Name             string
		Rows             [][2]float64
		Volts, Pa, Slope []float64
	}
	Fits []struct {
		Name         string
		X, Y, U      []float64
		Coefficients []float64
		Covariance   [][]float64
	}
}

func readScipy(t *testing.T) (ref scipy) {
	t.Helper()
	b, err := os.ReadFile("../../testdata/scipy/reference.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &ref); err != nil {
		t.Fatal(err)
	}
	return ref
}

// scipy's PchipInterpolator in log-log is the same curve (Fritsch and Butland),
// the slopes at the ends included.
func TestScipyTable(t *testing.T) {
	ref := readScipy(t)
	if len(ref.Tables) < 3 {
		t.Fatalf("%d tables", len(ref.Tables))
	}
	for _, c := range ref.Tables {
		tab, err := gauge.NewTable(c.Rows)
		if err != nil {
			t.Fatal(err)
		}
		if len(c.Volts) < 30 {
			t.Fatalf("%s: %d points", c.Name, len(c.Volts))
		}
		for i, v := range c.Volts {
			pa, slope := tab.Pressure(v)
			if math.Abs(pa/c.Pa[i]-1) > 1e-12 || math.Abs(slope/c.Slope[i]-1) > 1e-9 {
				t.Errorf("%s at %g V: %g Pa, %g Pa/V; scipy %g, %g", c.Name, v, pa, slope, c.Pa[i], c.Slope[i])
			}
		}
	}
}

// The fit of a certificate against scipy's curve_fit with absolute sigmas.
func TestScipyFit(t *testing.T) {
	ref := readScipy(t)
	kinds := map[string]certificate.Kind{"line": certificate.Linear, "parabola": certificate.Quadratic}
	if len(ref.Fits) != len(kinds) {
		t.Fatalf("%d fits", len(ref.Fits))
	}
	for _, c := range ref.Fits {
		var points []certificate.Point
		for i := range c.X {
			points = append(points, certificate.Point{Indicated: c.X[i], Reference: c.Y[i], U: c.U[i]})
		}
		fit, err := certificate.Solve(points, kinds[c.Name])
		if err != nil {
			t.Fatal(c.Name, err)
		}
		for i, want := range c.Coefficients {
			// scipy finds them by iteration: a thousandth of their uncertainty.
			if s := math.Sqrt(c.Covariance[i][i]); math.Abs(fit.C[i]-want) > 1e-3*s {
				t.Errorf("%s: coefficient %d is %g, scipy %g ± %g", c.Name, i, fit.C[i], want, s)
			}
			for k, v := range c.Covariance[i] {
				scale := math.Sqrt(c.Covariance[i][i] * c.Covariance[k][k])
				if math.Abs(fit.Cov[i][k]-v) > 1e-4*scale {
					t.Errorf("%s: covariance %d, %d is %g, scipy %g", c.Name, i, k, fit.Cov[i][k], v)
				}
			}
		}
	}
}
