package drift

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// A scale that falls by 20 % over forty runs that scatter by 5 % is told; over fewer,
// or by less, it is told late or not at all, as one that stands still must hardly ever
// be. What a calibration has put right is not told again.
func TestGain(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	start := time.Date(2026, 1, 1, 8, 0, 0, 0, time.UTC)
	series := func(lost float64) (runs []Heated) {
		for i := range GainWindow {
			runs = append(runs, Heated{Start: start.AddDate(0, 0, i), Heating: 30 * (1 - lost*float64(i)/(GainWindow-1)) * math.Exp(0.05*r.NormFloat64()), U: 0.1})
		}
		return runs
	}
	falls, rises, told := 0, 0, 0
	for range 100 {
		if text := Gain(series(0.2), time.Time{}); strings.Contains(text, "less for the same") && strings.Contains(text, "too low") {
			falls++
		}
		if text := Gain(series(-0.2), time.Time{}); strings.Contains(text, "more for the same") && strings.Contains(text, "too high") {
			rises++
		}
	}
	for range 2000 {
		if Gain(series(0), time.Time{}) != "" {
			told++
		}
	}
	t.Logf("told: %d of 100 that fall, %d of 100 that rise, %d of 2000 that stand still", falls, rises, told)
	if falls < 95 || rises < 90 || told > 6 {
		t.Error("told too seldom, or without cause")
	}
	runs := series(0.3)
	if Gain(runs, time.Time{}) == "" || Gain(runs, start.AddDate(0, 0, GainWindow-8)) != "" || Gain(runs[:9], time.Time{}) != "" {
		t.Error("calibrated a week ago, or too few runs")
	}
	for i := range runs {
		runs[i].U = 0.5
	}
	if Gain(runs, time.Time{}) != "" {
		t.Error("told from runs that know nothing")
	}
}
