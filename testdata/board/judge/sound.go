package main

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// rate is the frames a second of the recording.
const rate = 48000

// The tone as deploy/docs/sounders.md states it.
const pitch = 880.0 // Hz

var levels = []float64{0, -3, -6, -9} // dB, fundamental and harmonics

const (
	edgeLevel = 0.02  // of the peak: a pulse begins and ends here
	toneJit   = 0.012 // s, of starts and lengths
	mostPitch = 2.0   // Hz
	mostLevel = 0.5   // dB
)

func samples(b []byte) []float64 {
	out := make([]float64, len(b)/2)
	for i := range out {
		out[i] = float64(int16(binary.LittleEndian.Uint16(b[2*i:]))) / 32768
	}
	return out
}

// pulsesIn finds where there is sound, to 1 ms: the peak of a millisecond and of
// its neighbours, so that the tone's own zeros are no pauses.
func pulsesIn(x []float64) []pulse {
	const step = rate / 1000
	env := make([]float64, len(x)/step)
	top := 0.0
	for i := range env {
		for _, v := range x[i*step : (i+1)*step] {
			env[i] = max(env[i], math.Abs(v))
		}
		top = max(top, env[i])
	}
	var out []pulse
	on := false
	for i := range env {
		loud := env[i] > edgeLevel*top || i > 0 && env[i-1] > edgeLevel*top && i+1 < len(env) && env[i+1] > edgeLevel*top
		if loud && !on {
			out = append(out, pulse{from: float64(i) / 1000})
		}
		if on || loud {
			out[len(out)-1].to = float64(i) / 1000
		}
		on = loud
	}
	return out
}

// goertzel is the amplitude of frequency f in x, a Hann window before it.
func goertzel(x []float64, f float64) float64 {
	w := 2 * math.Pi * f / rate
	c := 2 * math.Cos(w)
	var s1, s2, gain float64
	for i, v := range x {
		h := 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(len(x)))
		gain += h
		s1, s2 = v*h+c*s1-s2, s1
	}
	return 2 * math.Sqrt(s1*s1+s2*s2-c*s1*s2) / gain
}

// strongest is the frequency with the most in x, of those that lie within span
// of middle; x has one tone there.
func strongest(x []float64, middle, span float64) float64 {
	for step := span / 8; step > 0.1; step /= 8 {
		best, most := middle, -1.0
		for f := middle - 8*step; f <= middle+8*step; f += step {
			if a := goertzel(x, f); a > most {
				best, most = f, a
			}
		}
		middle = best
	}
	return middle
}

// judgeSound looks at the recording; events tell when it began and what
// happened.
func judgeSound(x []float64, es []event) error {
	began, err := after(es, 0, "recording")
	if err != nil {
		return err
	}
	over, err := after(es, began, "overheat true")
	if err != nil {
		return fmt.Errorf("sound: %w", err)
	}
	ack, err := after(es, over, "acknowledged")
	if err != nil {
		return fmt.Errorf("sound: %w", err)
	}
	over, ack = over-began, ack-began
	ps := pulsesIn(x)
	whole, _ := high.bursts(during(ps, over, ack), toneJit)
	if len(whole) == 0 {
		torn := during(ps, over, ack)
		return errors.Join(noBurst("sound", torn), judgeTone(x, torn), goesOn("sound", ps, ack, toneJit))
	}
	fmt.Printf("sound: the first whole burst began %.2f s after the overheat; %d whole bursts, starts within %.0f ms, lengths within %.0f ms\n",
		whole[0].at-over, len(whole), 1e3*worst(whole, func(b burst) float64 { return b.starts }), 1e3*worst(whole, func(b burst) float64 { return b.length }))
	var wrong error
	if whole[0].at-over > mostLate+high.repeat {
		wrong = lately("sound: the first whole burst began %.1f s after the overheat, asked are %.1f s", whole[0].at-over, mostLate+high.repeat)
	}
	var clean []pulse
	for _, b := range whole {
		clean = append(clean, b.pulses...)
	}
	wrong = errors.Join(wrong, judgeTone(x, clean))
	if float64(len(x))/rate < ack+settle+quiet {
		return errors.Join(wrong, lately("sound: the recording ends too early after the acknowledgement"))
	}
	if err := goesOn("sound", ps, ack, toneJit); err != nil {
		return errors.Join(wrong, err)
	}
	fmt.Printf("sound: the alarm is silent from %.1f s after the acknowledgement on, for %.1f s\n", settle, quiet)
	return wrong
}

// judgeTone measures the steady middle of each of the pulses that has the length of
// the burst's.
func judgeTone(x []float64, ps []pulse) error {
	var wrong error
	lowest, highest, off := math.Inf(1), math.Inf(-1), 0.0
	for _, p := range ps {
		if math.Abs(p.to-p.from-high.length) > toneJit {
			continue
		}
		mid := x[int((p.from+0.025)*rate):int((p.to-0.025)*rate)]
		f := strongest(mid, pitch, 48)
		lowest, highest = min(lowest, f), max(highest, f)
		one := goertzel(mid, pitch)
		for k, want := range levels {
			got := 20 * math.Log10(goertzel(mid, pitch*float64(k+1))/one)
			off = max(off, math.Abs(got-want))
		}
		if other := goertzel(mid, 1.5*pitch); other > 0.05*one {
			wrong = errors.Join(wrong, fmt.Errorf("sound: %.0f Hz in the pulse at %.2f s", 1.5*pitch, p.from))
		}
	}
	if lowest > highest {
		return errors.New("sound: no pulse from the overheat on has the length of the stated burst's")
	}
	fmt.Printf("sound: pitch %.2f to %.2f Hz, harmonics within %.2f dB of what is stated\n", lowest, highest, off)
	if lowest < pitch-mostPitch || highest > pitch+mostPitch {
		wrong = errors.Join(wrong, fmt.Errorf("sound: pitch %.2f to %.2f Hz, asked is %.0f ± %.0f Hz", lowest, highest, pitch, mostPitch))
	}
	if off > mostLevel {
		wrong = errors.Join(wrong, fmt.Errorf("sound: a harmonic is %.2f dB off, allowed are %.1f dB", off, mostLevel))
	}
	return wrong
}
