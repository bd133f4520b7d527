package main

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// Lines of the PL061: the buzzer's by bench.toml, the others by the shop.
const (
	thumb    = 0 // high for a moment when the alarm is acknowledged
	overheat = 1 // high while the glass is at its ceiling or over it
	buzzer   = 5
)

// edge is a change of a line as QEMU saw it, s of the host's clock.
type edge struct {
	at   float64
	line int
	high bool
}

// With -msg timestamp=on: PID@SECONDS:pl061_set_output DEVICE setting output LINE to LEVEL.
var traced = regexp.MustCompile(`@(\d+\.\d+):pl061_set_output \S+ setting output (\d) to (\d)`)

func parseTrace(text string) ([]edge, error) {
	var out []edge
	for line := range strings.Lines(text) {
		m := traced.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		at, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			return nil, fmt.Errorf("reading QEMU's trace: %w", err)
		}
		out = append(out, edge{at, int(m[2][0] - '0'), m[3] == "1"})
	}
	if len(out) == 0 {
		return nil, errors.New("QEMU's trace has no change of a line")
	}
	return out, nil
}

// rise is when the line first went high after from.
func rise(es []edge, line int, from float64) (float64, error) {
	for _, e := range es {
		if e.line == line && e.high && e.at > from {
			return e.at, nil
		}
	}
	return 0, fmt.Errorf("line %d never rose", line)
}

func pulsesOf(es []edge, line int) []pulse {
	var out []pulse
	high := false
	for _, e := range es {
		if e.line != line || e.high == high {
			continue
		}
		high = e.high
		if high {
			out = append(out, pulse{from: e.at, to: es[len(es)-1].at})
		} else {
			out[len(out)-1].to = e.at
		}
	}
	return out
}

const (
	mostLate = 1.5  // s, from the overheat to the line, on a processor that is emulated
	lineJit  = 0.06 // s, the same for the pulses
)

// judgeBuzzer looks at the first overheat of the day.
func judgeBuzzer(es []edge) error {
	over, err := rise(es, overheat, 0)
	if err != nil {
		return fmt.Errorf("buzzer: the overheat: %w", err)
	}
	ack, err := rise(es, thumb, over)
	if err != nil {
		return fmt.Errorf("buzzer: the acknowledgement: %w", err)
	}
	ps := pulsesOf(es, buzzer)
	var wrong error
	early, _ := high.bursts(during(ps, 0, over-0.2), lineJit)
	for _, b := range early {
		wrong = errors.Join(wrong, fmt.Errorf("buzzer: the alarm for an overheat sounded %.1f s before it", over-b.at))
	}
	// A pulse of the hurried warning may run into the first burst; the line's
	// rise after the overheat that begins the beat of whole bursts is the alarm's.
	after := during(ps, over-0.2, ack)
	if len(after) == 0 {
		return errors.Join(wrong, errors.New("buzzer: its line did not rise at the overheat"))
	}
	whole, _ := high.bursts(after, lineJit)
	if len(whole) == 0 {
		return errors.Join(wrong, noBurst("buzzer", after), goesOn("buzzer", ps, ack, lineJit))
	}
	first := whole[0].at
	for first-high.repeat > over-0.2 {
		first -= high.repeat
	}
	behind := first - over
	fmt.Printf("buzzer: the alarm's beat began %.0f ms after the overheat; %d whole bursts, starts within %.0f ms, lengths within %.0f ms\n",
		1e3*behind, len(whole), 1e3*worst(whole, func(b burst) float64 { return b.starts }), 1e3*worst(whole, func(b burst) float64 { return b.length }))
	if behind > mostLate {
		wrong = errors.Join(wrong, lately("buzzer: the alarm's line rose %.2f s after the overheat, asked is %.2f s", behind, mostLate))
	}
	if err := goesOn("buzzer", ps, ack, lineJit); err != nil {
		return errors.Join(wrong, err)
	}
	fell := 0.0
	for _, p := range ps {
		if p.from < ack+settle && p.to > ack {
			fell = p.to - ack
		}
	}
	fmt.Printf("buzzer: low %.0f ms after the acknowledgement, and for the %.1f s after that\n", 1e3*fell, quiet)
	return wrong
}

func worst(bs []burst, of func(burst) float64) float64 {
	w := 0.0
	for _, b := range bs {
		w = max(w, of(b))
	}
	return w
}
