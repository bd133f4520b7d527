// Package buzzer sounds alarms on a GPIO line: a piezo sounder with its own
// tone, a relay, a lamp, anything that one line switches on and off.
package buzzer

import (
	"fmt"
	"os"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
)

// Dev is a sounder on one line. It implements drivers.Sounder. Its methods may
// be called from several goroutines.
type Dev struct {
	name string
	pin  gpio.PinIO
	on   gpio.Level

	mu      sync.Mutex
	pattern *drivers.Pattern
	running bool          // start is known
	start   time.Duration // of the pattern: its first Tick
	known   bool          // the line is at level
	level   gpio.Level
	closed  bool
}

var _ drivers.Sounder = (*Dev)(nil)

// Open takes the line by its name and silences it. activeLow is for a sounder
// that sounds while the line is low.
func Open(p drivers.Ports, line string, activeLow bool) (*Dev, error) {
	pin, err := p.Pin(line)
	if err != nil {
		return nil, fmt.Errorf("sounder: %w", err)
	}
	d := &Dev{name: "sounder on " + line, pin: pin, on: gpio.Level(!activeLow)}
	if err := d.drive(false); err != nil {
		return nil, err
	}
	return d, nil
}

// String implements drivers.Sounder.
func (d *Dev) String() string { return d.name }

// Set implements drivers.Sounder. The line follows at once; the pattern's time
// counts from the next Tick. Setting the pattern that is set already changes
// nothing.
func (d *Dev) Set(p *drivers.Pattern) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return d.fail(os.ErrClosed)
	}
	if p != d.pattern {
		d.pattern, d.running = p, false
	}
	if d.running {
		return nil
	}
	return d.drive(p.On(0))
}

// Tick implements drivers.Sounder.
func (d *Dev) Tick(now time.Duration) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil
	}
	if d.pattern == nil {
		return d.drive(false)
	}
	if !d.running {
		d.running, d.start = true, now
	}
	return d.drive(d.pattern.On(now - d.start))
}

// drive sets the line if it is not known to be there.
func (d *Dev) drive(sound bool) error {
	l := gpio.Level(sound == bool(d.on))
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
		Hint: "the alarm may not be heard: check that no other program uses the line"}
}

// Close implements drivers.Sounder.
func (d *Dev) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil
	}
	d.closed, d.pattern, d.known = true, nil, false
	err := d.drive(false)
	if e := d.pin.Halt(); err == nil && e != nil {
		err = d.fail(e)
	}
	return err
}
