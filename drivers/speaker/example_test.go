package speaker_test

import (
	"fmt"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/speaker"
)

// A synth needs no device: this counts how long a pulse of 150 ms is heard.
func ExampleSynth() {
	s := speaker.NewSynth(48000, 0.8)
	s.Set(&drivers.Pattern{
		Pulses: []drivers.Pulse{{Length: 150 * time.Millisecond}},
		Repeat: time.Second,
		Tone:   880,
	})
	second := make([]int16, 48000)
	s.Render(second, 1)
	last := 0
	for i, v := range second {
		if v != 0 {
			last = i
		}
	}
	fmt.Println("silent after", (time.Duration(last+1) * time.Second / 48000).Round(time.Millisecond))
	// Output: silent after 150ms
}
