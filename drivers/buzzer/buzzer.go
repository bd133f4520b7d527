// Package buzzer sounds alarms on one line: a piezo sounder with its own tone, a
// relay, a siren, anything that a GPIO line switches on and off; or a bare piezo
// or small loudspeaker that a PWM line gives its tone.
//
// It follows the pulses of the alarm, or sounds without a pause while there is
// one.
package buzzer

import (
	"tipoff/drivers"
	"tipoff/drivers/line"
)

// Options say how the sounder is wired.
type Options struct {
	Line      string  // GPIO line "GPIO18", or with Tone a PWM output "pwmchip0/pwm0"
	ActiveLow bool    // it sounds while the line is low
	Steady    bool    // sound without a pause, for what has pulses of its own
	Tone      float64 // Hz of the square wave that a bare piezo needs; 0: it has a tone of its own
}

// Open takes the line and silences it.
func Open(p drivers.Ports, o Options) (*line.Dev, error) {
	lo := line.Options{What: "sounder", Line: o.Line, ActiveLow: o.ActiveLow, Tone: o.Tone,
		Hint: "the alarm may not be heard: check that no other program uses the line"}
	if o.Steady {
		lo.Own = line.Steady()
	}
	return line.Open(p, lo)
}
