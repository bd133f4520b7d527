package speaker

import (
	"math"
	"time"

	"tipoff/drivers"
)

const (
	// ramp is how long a pulse takes to rise and to fall: short enough to be
	// heard as a pulse, long enough not to click. IEC 60601-1-8 gives 10 to 20 ms
	// or more, by the pulse's length (from memory).
	ramp = 15 * time.Millisecond
	// defaultTone is the fundamental where the pattern names none, Hz.
	defaultTone = 880
	// highest is the upper end of the harmonics, Hz.
	highest = 4000
	// harmonics is the most that a tone has.
	harmonics = 8
	waveLen   = 1024
)

// Synth computes the sound of patterns. It knows no device and no clock: its
// time is the number of frames rendered. The zero value is not usable.
type Synth struct {
	rate   int
	level  float64 // peak, 0 to 1 of full scale
	tone   float64 // that wave was made for
	wave   [waveLen + 1]float32
	pulses []span
	repeat int64 // frames; 0: the pattern is played once
	pos    int64 // frame in the pattern
	phase  float64
	step   float64 // of phase, for each frame
	gain   float64 // 0 to 1, before it is rounded off
	slope  float64 // of gain, for each frame
	active bool
}

// span is a pulse in frames; it begins to fall before to and is silent at to,
// unless it is steady.
type span struct{ from, fall int64 }

// NewSynth makes a silent synth. rate is in frames a second, level the peak of
// the sound, above 0 and at most 1 of full scale.
func NewSynth(rate int, level float64) *Synth {
	s := &Synth{rate: rate, level: level, slope: 1 / (ramp.Seconds() * float64(rate))}
	s.setTone(defaultTone) // so that the first alarm need not
	return s
}

// Set begins a pattern from its start; nil is silence.
func (s *Synth) Set(p *drivers.Pattern) {
	s.pos, s.phase, s.gain = 0, 0, 0
	s.pulses, s.active = s.pulses[:0], p != nil
	if p == nil {
		return
	}
	s.repeat = s.frames(p.Repeat)
	for _, u := range p.Pulses {
		end := u.Start + u.Length
		fall := s.frames(end - min(ramp, u.Length/2))
		if p.Repeat > 0 && end >= p.Repeat {
			fall = s.repeat // it goes on into the next repetition
		}
		s.pulses = append(s.pulses, span{s.frames(u.Start), fall})
	}
	tone := p.Tone
	if !(tone >= 20 && tone <= highest) {
		tone = defaultTone
	}
	s.setTone(tone)
}

func (s *Synth) frames(d time.Duration) int64 {
	return int64(math.Round(d.Seconds() * float64(s.rate)))
}

// setTone fills the wave with one period of the tone: harmonics up to 4 kHz, each
// 3 dB below the one before down to -9 dB, scaled to a peak of 1.
func (s *Synth) setTone(f float64) {
	s.step = f / float64(s.rate) * waveLen
	if f == s.tone {
		return
	}
	s.tone = f
	n := max(min(harmonics, int(highest/f)), 1)
	peak := 0.0
	for i := range waveLen {
		// sin(kx) from sin and cos of x by recurrence: this must not take long.
		sin1, cos1 := math.Sincos(2 * math.Pi * float64(i) / waveLen)
		prev, cur, sum := 0.0, sin1, 0.0
		for k := 1; k <= n; k++ {
			sum += cur * amplitudes[min(k, len(amplitudes))-1]
			prev, cur = cur, 2*cos1*cur-prev
		}
		s.wave[i] = float32(sum)
		peak = max(peak, math.Abs(sum))
	}
	for i := range waveLen {
		s.wave[i] *= float32(1 / peak)
	}
	s.wave[waveLen] = s.wave[0]
}

// amplitudes of the harmonics: 0, -3, -6, -9, -9 … dB.
var amplitudes = [...]float64{1, 0.708, 0.501, 0.355}

// Render computes the next len(dst)/channels frames, the same in each channel.
func (s *Synth) Render(dst []int16, channels int) {
	for n := 0; n+channels <= len(dst); {
		on, run := s.gate()
		left := int64((len(dst) - n) / channels)
		run = min(run, left)
		s.pos += run
		if s.repeat > 0 && s.pos >= s.repeat {
			s.pos -= s.repeat
		}
		if !on && s.gain == 0 {
			k := int(run) * channels
			clear(dst[n : n+k])
			n += k
			s.phase = 0 // each pulse begins alike
			continue
		}
		for range run {
			v := s.sample(on)
			for range channels {
				dst[n] = v
				n++
			}
		}
	}
}

// sample is one frame.
func (s *Synth) sample(on bool) int16 {
	if on {
		s.gain = min(s.gain+s.slope, 1)
	} else {
		s.gain = max(s.gain-s.slope, 0)
	}
	i := int(s.phase)
	w := float64(s.wave[i]) + float64(s.wave[i+1]-s.wave[i])*(s.phase-float64(i))
	if s.phase += s.step; s.phase >= waveLen {
		s.phase -= waveLen
	}
	g := s.gain * s.gain * (3 - 2*s.gain) // rounds the ramp's corners off
	return int16(math.MaxInt16 * s.level * g * w)
}

// gate tells whether a pulse is on now, and for how many frames that holds.
func (s *Synth) gate() (on bool, run int64) {
	run = math.MaxInt64
	if s.repeat > 0 {
		run = s.repeat - s.pos
	}
	if !s.active {
		return false, run
	}
	for _, u := range s.pulses {
		switch {
		case s.pos < u.from:
			run = min(run, u.from-s.pos)
		case s.pos < u.fall:
			return true, min(run, u.fall-s.pos)
		}
	}
	return false, run
}
