package envelope

import (
	"math"
	"testing"
	"time"

	"tipoff/logger/phase"
)

// The mean rate of glass that gains 2 °C/s is 2 °C/s, also where ten seconds of it
// were not seen: without frames, or in frames without a reading.
func TestPaceOverABreak(t *testing.T) {
	for name, hole := range map[string]string{"none": "", "no frames": "skip", "no reading": "nan"} {
		var p pace
		for i := range 400 {
			s := float64(i) / 10
			o := phase.Observation{At: time.Duration(i) * 100 * time.Millisecond, Glass: 150 + 2*s}
			if s >= 12 && s < 22 {
				if hole == "skip" {
					continue
				}
				if hole == "nan" {
					o.Glass = math.NaN()
				}
			}
			p.follow(o, Uncertainties{Glass: 1}, true, 140)
		}
		if r, _, ok := p.rate(); !ok || math.Abs(r-2) > 0.01 {
			t.Errorf("%s: %.3f °C/s, %v", name, r, ok)
		}
	}
}
