// Package lamp shows alarms on a GPIO line that switches a stack light or the
// relay before one: on, or flashing, for as long as any alarm sounds. It does
// not follow the pulses of the sound.
//
// tipoff never switches the bombarder. The line drives a light and nothing else:
// a relay that could reach the bombarder, its contactor or its interlock must
// not be wired to it.
package lamp

import (
	"fmt"
	"os"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
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

// Dev is a light on one line. It implements drivers.Sounder. Its methods may be
// called from several goroutines.
type Dev struct {
	name  string
	pin   gpio.PinIO
	on    gpio.Level
	flash bool

	mu      sync.Mutex
	alarm   bool
	running bool          // start is known
	start   time.Duration // first Tick of the alarm
	known   bool          // the line is at level
	level   gpio.Level
	closed  bool
}

var _ drivers.Sounder = (*Dev)(nil)

// Open takes the line and switches the light off.
func Open(p drivers.Ports, o Options) (*Dev, error) {
	pin, err := p.Pin(o.Line)
	if err != nil {
		return nil, fmt.Errorf("lamp: %w", err)
	}
	d := &Dev{name: "lamp on " + o.Line, pin: pin, on: gpio.Level(!o.ActiveLow), flash: o.Flash}
	if err := d.drive(false); err != nil {
		return nil, err
	}
	return d, nil
}

// String implements drivers.Sounder.
func (d *Dev) String() string { return d.name }

// Set implements drivers.Sounder: any pattern lights the lamp at once. One alarm
// after another does not begin the flashing again.
func (d *Dev) Set(p *drivers.Pattern) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return d.fail(os.ErrClosed)
	}
	if alarm := p != nil; alarm != d.alarm {
		d.alarm, d.running = alarm, false
	}
	if d.running {
		return nil
	}
	return d.drive(d.alarm)
}

// Tick implements drivers.Sounder.
func (d *Dev) Tick(now time.Duration) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil
	}
	if !d.alarm {
		return d.drive(false)
	}
	if !d.running {
		d.running, d.start = true, now
	}
	return d.drive(!d.flash || (now-d.start)/flashHalf%2 == 0)
}

// drive sets the line if it is not known to be there.
func (d *Dev) drive(light bool) error {
	l := gpio.Level(light == bool(d.on))
	if d.known && d.level == l {
		return nil
	}
	if err := d.pin.Out(l); err != nil {
		d.known = false // try again at the next Tick
		return d.fail(err)
	}
	d.known, d.level = true, l
	return nil
}

func (d *Dev) fail(err error) error {
	return &drivers.Error{Device: d.name, Doing: "switching the line", Is: drivers.Transient, Err: err,
		Hint: "the alarm may not be seen: check that no other program uses the line"}
}

// Close implements drivers.Sounder.
func (d *Dev) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil
	}
	d.closed, d.alarm, d.known = true, false, false
	err := d.drive(false)
	if e := d.pin.Halt(); err == nil && e != nil {
		err = d.fail(e)
	}
	return err
}
