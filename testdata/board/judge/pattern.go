package main

import "math"

// stated is the high alarm as deploy/docs/sounders.md and the standard that it
// names state it: a burst of ten pulses, 3+2 twice, again every six seconds.
// Times in s.
var stated = struct {
	starts         [10]float64
	length, repeat float64
}{
	starts: [10]float64{0, 0.25, 0.5, 0.85, 1.1, 1.8, 2.05, 2.3, 2.65, 2.9},
	length: 0.15, repeat: 6,
}

// pulse is a time during which an output was on, s.
type pulse struct{ from, to float64 }

// burst is a complete burst found among pulses, and by how much it is off.
type burst struct {
	at             float64
	pulses         []pulse
	starts, length float64 // largest error, s
}

// bursts finds the complete bursts of the high alarm: ten pulses that follow
// each other as stated within slack, with nothing else among them.
func bursts(ps []pulse, slack float64) []burst {
	var out []burst
	n := len(stated.starts)
	for i := 0; i+n <= len(ps); i++ {
		b := burst{at: ps[i].from, pulses: ps[i : i+n]}
		for k, p := range b.pulses {
			b.starts = max(b.starts, math.Abs(p.from-b.at-stated.starts[k]))
			b.length = max(b.length, math.Abs(p.to-p.from-stated.length))
		}
		if b.starts <= slack && b.length <= slack {
			out = append(out, b)
			i += n - 1
		}
	}
	return out
}

// during is the pulses of which a part lies in the span.
func during(ps []pulse, from, to float64) []pulse {
	var out []pulse
	for _, p := range ps {
		if p.to > from && p.from < to {
			out = append(out, p)
		}
	}
	return out
}
