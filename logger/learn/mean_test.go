package learn

import (
	"encoding/json"
	"math"
	"os"
	"testing"
)

// testdata/mean.json is by numpy and scipy, see mean.py for the command.
func TestScipy(t *testing.T) {
	text, err := os.ReadFile("testdata/mean.json")
	if err != nil {
		t.Fatal(err)
	}
	var want struct {
		Means []struct {
			X, U                 []float64
			Usual, Mean, Su, Tau float64
			Out                  []bool
		}
		Holds []struct {
			Held, Lost []float64
			Prior      float64
			PriorU     float64 `json:"prior_u"`
			Log, U     float64
		}
	}
	if err := json.Unmarshal(text, &want); err != nil {
		t.Fatal(err)
	}
	if len(want.Means) < 8 || len(want.Holds) < 4 {
		t.Fatalf("%d means, %d holds in the fixture", len(want.Means), len(want.Holds))
	}
	near := func(a, b, by float64) bool { return math.Abs(a-b) <= by }
	for i, w := range want.Means {
		m := MeanOf(w.X, w.U, w.Usual)
		if !near(m.X, w.Mean, 1e-9) || !near(m.U, w.Su, 1e-9) || !near(m.Tau, w.Tau, 1e-8) {
			t.Errorf("case %d of %d runs: %.10g ± %.10g, scatter %.10g; scipy %.10g ± %.10g, %.10g", i, len(w.X), m.X, m.U, m.Tau, w.Mean, w.Su, w.Tau)
		}
		for k := range w.Out {
			if m.Out[k] != w.Out[k] {
				t.Errorf("case %d: run %d left out %v, numpy %v", i, k, m.Out[k], w.Out[k])
			}
		}
	}
	for i, w := range want.Holds {
		h := HoldOf(w.Held, w.Lost, w.Prior, w.PriorU)
		if !near(h.Log, w.Log, 1e-4) || !near(h.U, w.U, 1e-4) {
			t.Errorf("hold %d: %.6f ± %.6f, scipy %.6f ± %.6f", i, h.Log, h.U, w.Log, w.U)
		}
	}
}

// One broken run moves the mean by less than its uncertainty, wherever it is.
func TestBrokenRunDoesNotMoveTheMean(t *testing.T) {
	x := []float64{1.02, 0.97, 1.01, 1.05, 0.98, 1.00, 0.96, 1.03}
	u := []float64{0.02, 0.02, 0.03, 0.02, 0.02, 0.01, 0.02, 0.02}
	good := MeanOf(x, u, 0.02)
	for _, far := range []float64{-30, -1, 0.5, 1.6, 4, 1e6} {
		b := MeanOf(append([]float64{far}, x...), append([]float64{0.001}, u...), 0.02)
		if !b.Out[0] || math.Abs(b.X-good.X) > 0.01*good.U {
			t.Errorf("with a run at %g: %.4f ± %.4f, without %.4f ± %.4f", far, b.X, b.U, good.X, good.U)
		}
	}
}

// Closed form: with no scatter beyond the runs' own uncertainty the mean is the
// weighted one, (Σ x/u²)/(Σ 1/u²), u = (Σ 1/u²)^-½ (GUM, any textbook).
func TestMeanWithoutScatter(t *testing.T) {
	m := MeanOf([]float64{1, 1, 1.01, 1, 1}, []float64{1, 2, 0.5, 1, 0.25}, 0)
	w := []float64{1, 0.25, 4, 1, 16}
	sum := 1 + 0.25 + 4 + 1 + 16.0
	want := (w[0] + w[1] + w[2]*1.01 + w[3] + w[4]) / sum
	if math.Abs(m.X-want) > 1e-12 || math.Abs(m.U-1/math.Sqrt(sum)) > 1e-12 || m.Tau != 0 {
		t.Errorf("%+v, want %.12f ± %.12f", m, want, 1/math.Sqrt(sum))
	}
	if n := MeanOf(nil, nil, 0.1); n.X == n.X {
		t.Errorf("the mean of nothing is %g", n.X)
	}
}

// Weibull's plotting positions: of 9 values the rank (9+1)·0.1 = 1 is the least,
// of 19 the second; of 5 there is no such rank and the least stands for it.
func TestRankedQuantile(t *testing.T) {
	x := make([]float64, 19)
	for i := range x {
		x[i] = float64(i + 1)
	}
	for _, c := range []struct {
		n       int
		q, want float64
	}{{9, 0.1, 1}, {9, 0.9, 9}, {19, 0.1, 2}, {19, 0.9, 18}, {5, 0.1, 1}, {5, 0.9, 5}, {14, 0.1, 1.5}} {
		if got := ranked(x[:c.n], c.q); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%g-quantile of 1 to %d: %g, want %g", c.q, c.n, got, c.want)
		}
	}
}
