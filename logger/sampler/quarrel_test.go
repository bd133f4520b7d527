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

// lagged is what a junction shows of glass that is at 100 °C and heated at rate in
// °C/s between two times: the response of a first-order lag tau to a ramp (closed form).
func lagged(tau, rate float64, from, to time.Duration) func(time.Duration) float64 {
	ramp := func(t float64) float64 { return t - tau*(1-math.Exp(-t/tau)) }
	return func(at time.Duration) float64 {
		y := 0.0
		if at > from {
			y = ramp((at - from).Seconds())
		}
		if at > to {
			y -= ramp((at - to).Seconds())
		}
		return 100 + rate*y + 0.1*float64(at/(50*time.Millisecond)%3)
	}
}

// A transformer that is unplugged in an arc, or was never plugged in, is found within
// 7 s; what an arc leaves behind, be it short or long, the couple quick or slow,
// passes for no arc. Rates up to 7 °C/s and lags of 2 to 5 s are those of the
// handbook; 10 s is a poor couple.
func TestHeatWithoutCurrent(t *testing.T) {
	at := func(on, off time.Duration) scene {
		return scene{role: frame.Current, unit: "A", x: func(at time.Duration) float64 {
			if at > on && at < off {
				return lively(0.5, 0.001)(at)
			}
			return 0
		}}
	}
	for _, tau := range []float64{2, 3, 5} {
		for _, rate := range []float64{1.5, 3, 7} {
			glass := scene{role: frame.Glass, unit: "°C", x: lagged(tau, rate, 30*time.Second, 70*time.Second)}
			pulled := firstOf(t, 75*time.Second, calib.Contradicted, at(30*time.Second, 50*time.Second), glass)
			if after := pulled - 50*time.Second; after < 4*time.Second || after > 7*time.Second {
				t.Errorf("lag %v s, %v °C/s: a transformer pulled in the arc is found after %v", tau, rate, after)
			}
			never := firstOf(t, 75*time.Second, calib.Contradicted, at(0, 0), glass)
			if after := never - 30*time.Second; after < time.Second || after > 10*time.Second {
				t.Errorf("lag %v s, %v °C/s: a transformer that was never plugged in is found after %v", tau, rate, after)
			}
		}
	}
	for _, tau := range []float64{2, 3, 5, 10} {
		for _, long := range []time.Duration{time.Second, 2 * time.Second, 4 * time.Second, 30 * time.Second} {
			for _, rate := range []float64{1.5, 4, 7} {
				end := 30*time.Second + long
				glass := scene{role: frame.Glass, unit: "°C", x: lagged(tau, rate, 30*time.Second, end)}
				if got := firstOf(t, end+30*time.Second, calib.Contradicted, at(30*time.Second, end), glass); got != 0 {
					t.Errorf("lag %v s, %v °C/s, arc of %v: contradicted %v after its end", tau, rate, long, got-end)
				}
			}
		}
	}
}

// The contactor's contact: on without a current marks the current within 0.6 s and is
// told after 3 s; off with a current marks the contact; off, a torch on the glass
// contradicts nothing; an arc that strikes late is forgotten when it does.
func TestContactorAndCurrent(t *testing.T) {
	contact := func(on, off time.Duration) scene {
		return scene{role: frame.Contact, x: func(at time.Duration) float64 {
			if at >= on && at < off {
				return 1
			}
			return 0
		}}
	}
	amps := func(on, off time.Duration) scene {
		return scene{role: frame.Current, unit: "A", x: func(at time.Duration) float64 {
			if at >= on && at < off {
				return lively(0.5, 0.001)(at)
			}
			return 0
		}}
	}
	const s = time.Second
	glass := scene{role: frame.Glass, unit: "°C", step: 0.1, x: lively(100, 0.2)}
	torch := scene{role: frame.Glass, unit: "°C", x: lagged(2, 4, 10*s, 40*s)}
	for name, c := range map[string]struct {
		scenes      []scene
		channel     int
		marked      time.Duration // 0: never
		told        time.Duration
		cause, hint string
	}{
		"no transformer":           {[]scene{amps(0, 0), contact(10*s, 40*s), glass}, 0, 10*s + 500*time.Millisecond, 13 * s, "contact2 says that the contactor is on, and current1 shows no current", "not plugged in"},
		"strikes after 2 s":        {[]scene{amps(12*s, 40*s), contact(10*s, 40*s), glass}, 0, 10*s + 500*time.Millisecond, 0, "", ""},
		"together":                 {[]scene{amps(10*s, 40*s), contact(10*s, 40*s), glass}, 0, 0, 0, "", ""},
		"the contact's wire broke": {[]scene{contact(0, 0), amps(10*s, 40*s), glass}, 0, 10*s + 500*time.Millisecond, 13 * s, "contact1 says that the contactor is off", "wire broken"},
		"a torch, contactor off":   {[]scene{amps(0, 0), contact(0, 0), torch}, 0, 0, 0, "", ""},
		"a torch, no contact":      {[]scene{amps(0, 0), torch}, 0, 12 * s, 12 * s, "shows no current", "torch"},
	} {
		var marked, told time.Duration
		var words string
		play(t, 50*s, false, func(at time.Duration, f *frame.Frame, h *health.Registry) {
			if marked == 0 && f.Readings[c.channel].Value.Q&calib.Contradicted != 0 {
				marked = at
			}
			for _, x := range h.List(at) {
				if x.Kind.Code == "channels-contradict" && told == 0 {
					told, words = at, x.Cause+": "+x.Hint
				}
			}
			if at > 48*s && (f.Readings[c.channel].Value.Q&calib.Contradicted != 0 || len(h.List(at)) > 0) {
				t.Errorf("%s: %v: still marked or told: %v", name, at, h.List(at))
			}
		}, c.scenes...)
		near := func(got, want time.Duration) bool {
			return want == 0 && got == 0 || want != 0 && got >= want && got <= want+2*s
		}
		if !near(marked, c.marked) || !near(told, c.told) || c.marked%s != 0 && marked > c.marked+200*time.Millisecond {
			t.Errorf("%s: marked at %v, told at %v; want %v, %v", name, marked, told, c.marked, c.told)
		}
		if !strings.Contains(words, c.cause) || !strings.Contains(words, c.hint) || words != "" && !strings.Contains(words, "docs/") {
			t.Errorf("%s: told %q", name, words)
		}
	}
}
