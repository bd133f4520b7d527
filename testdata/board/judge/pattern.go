package main

import (
	"fmt"
	"math"
)

// signal is the sound of an alarm: pulses of one length, again every repeat. s.
type signal struct {
	starts         []float64
	length, repeat float64
}

// The bursts after IEC 60601-1-8, which deploy/docs/sounders.md names: ten pulses,
// 3+2 twice, for an overheat; three longer ones for a lost reading.
var (
	high = signal{[]float64{0, 0.25, 0.5, 0.85, 1.1, 1.8, 2.05, 2.3, 2.65, 2.9}, 0.15, 6}
	lost = signal{[]float64{0, 0.4, 0.8}, 0.2, 8}
)

// pulse is a time during which an output was on, s.
type pulse struct{ from, to float64 }

// burst is a complete burst found among pulses, and by how much it is off.
type burst struct {
	at             float64
	pulses         []pulse
	starts, length float64 // largest error, s
}

// bursts finds the signal's complete bursts: pulses that follow each other as it
// states within slack, with nothing else among them. rest is the other pulses.
func (g signal) bursts(ps []pulse, slack float64) (whole []burst, rest []pulse) {
	n := len(g.starts)
	for i := 0; i < len(ps); {
		b := burst{at: ps[i].from, pulses: ps[i:min(i+n, len(ps))]}
		for k, p := range b.pulses {
			b.starts = max(b.starts, math.Abs(p.from-b.at-g.starts[k]))
			b.length = max(b.length, math.Abs(p.to-p.from-g.length))
		}
		if len(b.pulses) == n && b.starts <= slack && b.length <= slack {
			whole = append(whole, b)
			i += n
		} else {
			rest = append(rest, ps[i])
			i++
		}
	}
	return whole, rest
}

// noBurst tells of pulses of which none make a burst as stated. A host that holds the
// guest up tears bursts: only pulses that are not there are sure to be the daemon's.
func noBurst(what string, ps []pulse) error {
	err := fmt.Errorf("%s: none of the %d pulses from the overheat on make the stated burst", what, len(ps))
	if len(ps) == 0 {
		return err
	}
	return late{err}
}

// during is the pulses that begin in the span.
func during(ps []pulse, from, to float64) []pulse {
	var out []pulse
	for _, p := range ps {
		if p.from >= from && p.from < to {
			out = append(out, p)
		}
	}
	return out
}

// For quiet after the acknowledgement, from settle on, nothing may sound: longer
// than a burst's repeat.
const (
	settle = 0.5 // s
	quiet  = 6.5 // s
)

// goesOn tells what still sounds after the acknowledgement at ack. A reading
// that is lost only then, because the emulator was held up, has an alarm of its
// own, which is none of the overheat's.
func goesOn(what string, ps []pulse, ack, slack float64) error {
	others, left := lost.bursts(during(ps, ack+settle, math.Inf(1)), slack)
	if len(others) > 0 {
		fmt.Printf("%s: a lost reading was told %.1f s after the acknowledgement\n", what, others[0].at-ack)
	}
	for _, p := range ps {
		if p.from < ack+settle && p.to > ack+settle {
			left = append(left, p)
		}
	}
	left = during(left, 0, ack+settle+quiet)
	if len(left) == 0 {
		return nil
	}
	last := 0.0
	for _, p := range left {
		last = max(last, p.to)
	}
	err := fmt.Errorf("%s: %d pulses in the %.1f s after the acknowledgement, one of them %.2f s after it, the last until %.2f s after it",
		what, len(left), settle+quiet, left[0].from-ack, last-ack)
	if last < ack+settle+mostLate {
		return late{err}
	}
	return err
}
