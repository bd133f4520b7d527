package sampler

import (
	"math"
	"time"
)

// spacing is how evenly a waveform is sampled: the times between its samples.
// A hole, more than longest mean spacings, is a fault of its own and left out.
type spacing struct {
	wave   bool
	begun  bool
	last   time.Duration
	n      uint64
	sum    float64 // s
	square float64 // s²
	worst  float64 // s
}

const (
	longest = 8.0
	// spacingMin is how many spacings are seen before holes are told from them.
	spacingMin = 100
)

func (s *spacing) add(at time.Duration) {
	if !s.begun {
		s.begun, s.last = true, at
		return
	}
	d := (at - s.last).Seconds()
	s.last = at
	if s.n >= spacingMin && d > longest*s.sum/float64(s.n) {
		return
	}
	s.n++
	s.sum += d
	s.square += d * d
	s.worst = max(s.worst, d)
}

// Spacing is the times between the samples of a waveform.
type Spacing struct {
	Samples uint64
	Mean    time.Duration
	Jitter  time.Duration // standard deviation
	Worst   time.Duration // longest
}

// Spacing is how evenly channel i was sampled since the last [Sampler.ResetSpacing];
// false if it is no waveform or too little was seen.
func (s *Sampler) Spacing(i int) (Spacing, bool) {
	p := &s.spacing[i]
	if !p.wave || p.n < spacingMin {
		return Spacing{}, false
	}
	mean := p.sum / float64(p.n)
	sd := math.Sqrt(max(0, p.square/float64(p.n)-mean*mean))
	seconds := func(x float64) time.Duration { return time.Duration(math.Round(x * 1e9)) }
	return Spacing{Samples: p.n, Mean: seconds(mean), Jitter: seconds(sd), Worst: seconds(p.worst)}, true
}

// ResetSpacing begins to measure anew, as a run does.
func (s *Sampler) ResetSpacing() {
	for i := range s.spacing {
		s.spacing[i] = spacing{wave: s.spacing[i].wave}
	}
}
