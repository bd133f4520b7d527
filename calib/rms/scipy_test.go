package rms

import (
	"encoding/json"
	"math"
	"os"
	"testing"
	"time"
)

// testdata/scipy/reference.json: numpy's RMS of the same samples over whole
// cycles, scipy's quadrature for phase-cut sines.
func TestScipy(t *testing.T) {
	b, err := os.ReadFile("../../testdata/scipy/reference.json")
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		RMS []struct {
			Name      string
			Rate      float64
			Frequency float64
			Samples   []float64
			RMS       float64
		}
		PhaseCut []struct{ Alpha, RMS float64 } `json:"phase_cut"`
	}
	if err := json.Unmarshal(b, &ref); err != nil {
		t.Fatal(err)
	}
	if len(ref.RMS) < 6 || len(ref.PhaseCut) < 12 {
		t.Fatalf("%d waves, %d angles", len(ref.RMS), len(ref.PhaseCut))
	}
	for _, c := range ref.RMS {
		at := make([]time.Duration, len(c.Samples))
		for i := range at {
			at[i] = time.Duration(math.Round(float64(i) / c.Rate * 1e9))
		}
		m := New(Options{Mains: 50, Rate: c.Rate})
		m.PushAll(at, c.Samples)
		r, ok := m.RMS200()
		limit := 2e-4
		if c.Rate < 1000 {
			limit = 1e-3
		}
		if c.Name == "noisy sine" { // the windows differ by part of a cycle
			limit = 1e-3
		}
		t.Logf("%s: %.7f, numpy %.7f: %.5f %%", c.Name, r.RMS, c.RMS, 100*(r.RMS/c.RMS-1))
		if !ok || !(math.Abs(r.RMS/c.RMS-1) <= limit) || math.Abs(r.Frequency-c.Frequency) > 0.05 {
			t.Errorf("%s: %+v, numpy %g", c.Name, r, c.RMS)
		}
	}
	for _, c := range ref.PhaseCut {
		if got := cut(c.Alpha).rms; math.Abs(got-c.RMS) > 1e-9 {
			t.Errorf("closed form at %g°: %g, scipy %g", c.Alpha, got, c.RMS)
		}
	}
}
