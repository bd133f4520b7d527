package alarm

import (
	"time"

	"tipoff/drivers"
)

// Signal names a sound. "" is the sound of the alarm's priority.
type Signal string

// Approach is the sound of a warning ahead of a limit: an even, hurried beat
// that cannot be taken for the bursts of an alarm.
const Approach Signal = "approach"

// tone is the fundamental, Hz. IEC 60601-1-8 asks for 150 to 1000 Hz; towards
// the upper end a small sounder is louder.
const tone = 880

// The bursts follow the shape of IEC 60601-1-8: ten pulses (3+2, twice) for
// high, three for medium, two for low; pulse lengths and pauses lie inside its
// ranges (75–200 ms and 2.5–15 s for high, 125–250 ms and 2.5–30 s for medium,
// over 15 s for low; ranges from memory of the standard). The beat of approach
// is 3.3 a second, inside the 0.5–4 Hz of ISO 7731 (from memory).

// PatternFor is the sound of a priority; nil for none.
func PatternFor(p Priority) *drivers.Pattern {
	const ms = time.Millisecond
	switch p {
	case High:
		return burst("high", 150*ms, 6*time.Second,
			0, 250*ms, 500*ms, 850*ms, 1100*ms,
			1800*ms, 2050*ms, 2300*ms, 2650*ms, 2900*ms)
	case Medium:
		return burst("medium", 200*ms, 8*time.Second, 0, 400*ms, 800*ms)
	case Low:
		return burst("low", 200*ms, 20*time.Second, 0, 400*ms)
	}
	return nil
}

// PatternOf is the sound of an alarm.
func PatternOf(d *Definition) *drivers.Pattern {
	if d.Signal == Approach {
		return burst(string(Approach), 120*time.Millisecond, 300*time.Millisecond, 0)
	}
	return PatternFor(d.Priority)
}

// Pattern is the sound that should be heard now, nil for silence. The same
// alarm sounding on gives the same pointer, so that a caller can compare.
func (m *Manager) Pattern() *drivers.Pattern {
	_, i := m.Sound()
	if i < 0 {
		return nil
	}
	return m.patterns[i]
}

func burst(name string, length, repeat time.Duration, starts ...time.Duration) *drivers.Pattern {
	p := &drivers.Pattern{Name: name, Repeat: repeat, Tone: tone}
	for _, s := range starts {
		p.Pulses = append(p.Pulses, drivers.Pulse{Start: s, Length: length})
	}
	return p
}
