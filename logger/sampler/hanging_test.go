package sampler_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/logger/frame"
	"tipoff/logger/health"
)

// A thermocouple that shows its terminals in an arc of 0.5 A is doubted after 5 s and
// no reading after 9 s; a weak arc takes longer.
func TestDangling(t *testing.T) {
	arc := func(amps float64) scene {
		return scene{role: frame.Current, unit: "A", x: from(10*time.Second, lively(0, 0.001), lively(amps, 0.001))}
	}
	tc := func(x func(time.Duration) float64) scene {
		return scene{role: frame.Glass, unit: "°C", step: 1.0 / 16, x: x, tc: true}
	}
	for name, c := range map[string]struct {
		x           func(time.Duration) float64
		amps        float64
		doubt, lost time.Duration // 0: never
	}{
		"open":                              {lively(27, 0.07), 0.5, 14500 * time.Millisecond, 18500 * time.Millisecond},
		"open, a weak arc":                  {lively(27, 0.07), 0.15, 19 * time.Second, 30 * time.Second},
		"heats as a wide tube does":         {lagged2(27, 4, 0.25), 0.3, 0, 0},
		"cold glass below warm terminals":   {lagged2(24.5, 4, 1), 0.3, 0, 0},
		"a tenth of a degree in the second": {func(at time.Duration) float64 { return 27 + 0.1*max(at-12*time.Second, 0).Seconds() }, 0.3, 16 * time.Second, 0},
	} {
		doubt := firstOf(t, 40*time.Second, calib.Contradicted, tc(c.x), arc(c.amps))
		lost := firstOf(t, 40*time.Second, calib.SensorFault, tc(c.x), arc(c.amps))
		near := func(got, want time.Duration) bool {
			return want == 0 && got == 0 || want != 0 && got >= want && got < want+time.Second
		}
		if !near(doubt, c.doubt) || !near(lost, c.lost) {
			t.Errorf("%s: doubted at %v, lost at %v; want %v, %v", name, doubt, lost, c.doubt, c.lost)
		}
	}
}

// lagged2 is a junction behind a lag of tau on glass that is heated from 10 s on.
func lagged2(start, tau, rate float64) func(time.Duration) float64 {
	f := lagged(tau, rate, 10*time.Second, time.Hour)
	return func(at time.Duration) float64 { return start - 100 + f(at) }
}

// Hot glass that is at its terminals' temperature within a second has lost its
// couple: no reading in an arc, doubted without one, and believed again when it comes
// back. What cools by itself, be it a junction in air, is believed.
func TestLeapToTheTerminals(t *testing.T) {
	const s = time.Second
	tc := func(x func(time.Duration) float64) scene {
		return scene{role: frame.Glass, unit: "°C", step: 1.0 / 16, x: x, tc: true}
	}
	pulled := tc(func(at time.Duration) float64 {
		if at > 10*s && at < 20*s {
			return lively(27, 0.07)(at)
		}
		return lively(180, 0.1)(at)
	})
	air := tc(func(at time.Duration) float64 { return 27 + 150*math.Exp(-max(at-10*s, 0).Seconds()/2) })
	arc := scene{role: frame.Current, unit: "A", x: lively(0.5, 0.001)}
	for name, c := range map[string]struct {
		scenes []scene
		q      calib.Quality
		told   string
	}{
		"in an arc":         {[]scene{pulled, arc}, calib.SensorFault, "shows only its terminals' temperature"},
		"without":           {[]scene{pulled}, calib.Contradicted, "faster than glass cools"},
		"a junction in air": {[]scene{air}, 0, ""},
	} {
		const both = calib.SensorFault | calib.Contradicted
		told := ""
		play(t, 30*s, false, func(at time.Duration, f *frame.Frame, h *health.Registry) {
			v := f.Readings[0].Value
			wrong := at > 10500*time.Millisecond && at < 20*s
			if wrong && v.Q&both&^calib.Contradicted != c.q&^calib.Contradicted || wrong && c.q != 0 && v.Good() && v.Q&calib.Suspect == 0 {
				t.Errorf("%s: %v: %v", name, at, v)
			}
			if (at < 10*s || at > 21*s) && v.Q&both != 0 {
				t.Errorf("%s: %v: %v", name, at, v)
			}
			for _, x := range h.List(at) {
				if !x.Hidden && strings.Contains(x.Cause+x.Hint, "docs/wiring") {
					told = x.Cause
				}
			}
		}, c.scenes...)
		if c.told == "" && told != "" || !strings.Contains(told, c.told) {
			t.Errorf("%s: told %q, want %q", name, told, c.told)
		}
	}
}
