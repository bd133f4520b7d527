// Package lamp shows alarms on a GPIO line that switches a stack light or the
// relay before one: on, or flashing, for as long as any alarm sounds. It does
// not follow the pulses of the sound.
//
// tipoff never switches the bombarder. The line drives a light and nothing else:
// a relay that could reach the bombarder, its contactor or its interlock must
// not be wired to it.
package lamp

import (
	"time"

	"tipoff/drivers"
	"tipoff/drivers/line"
)

// flashHalf is half a period of flashing: 2 Hz, inside the 1.4 to 2.8 Hz that
// IEC 60073 gives for a light that asks for action (from memory).
const flashHalf = 250 * time.Millisecond

// Options say how the light is wired.
type Options struct {
	Line      string // GPIO line, "GPIO17"
	ActiveLow bool   // the light is on while the line is low
	Flash     bool   // flash at 2 Hz; a mechanical relay wears out by it
}

// Open takes the line and switches the light off. One alarm after another does
// not begin the flashing again.
func Open(p drivers.Ports, o Options) (*line.Dev, error) {
	own := line.Steady()
	if o.Flash {
		own = &drivers.Pattern{Name: "flash", Pulses: []drivers.Pulse{{Length: flashHalf}}, Repeat: 2 * flashHalf}
	}
	return line.Open(p, line.Options{What: "lamp", Line: o.Line, ActiveLow: o.ActiveLow, Own: own,
		Hint: "the alarm may not be seen: check that no other program uses the line"})
}
