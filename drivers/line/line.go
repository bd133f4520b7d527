// Package line lets a GPIO or PWM line follow an alarm: what buzzer and lamp
// have in common.
//
// tipoff never switches the bombarder. A line drives a sounder or a light and
// nothing else.
package line

import (
	"fmt"
	"os"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"tipoff/drivers"
)

// Steady is a pattern without a pause.
func Steady() *drivers.Pattern {
	return &drivers.Pattern{Name: "steady", Pulses: []drivers.Pulse{{Length: 1<<63 - 1}}}
}

// Options say what is on the line.
type Options struct {
	What      string // "sounder", "lamp": for messages
	Line      string // "GPIO18"
	ActiveLow bool   // on while the line is low
	Hint      string // what it means that the line can not be switched
	// Tone is the frequency, Hz, of a square wave while the line is on; 0 is a
	// steady level. The line must be able to do PWM.
	Tone float64
	// Own is followed whatever pattern is set; nil follows the pattern set.
	Own *drivers.Pattern
}

// Dev is one line. It implements drivers.Sounder. Its methods may be called from
// several goroutines.
type Dev struct {
	opt  Options
	name string
	pin  gpio.PinIO

	mu      sync.Mutex
	pattern *drivers.Pattern
	running bool          // start is known
	start   time.Duration // of the pattern: its first Tick
	known   bool          // the line is as on says
	on      bool
	closed  bool
}

var _ drivers.Sounder = (*Dev)(nil)

// Open takes the line by its name and switches it off.
func Open(p drivers.Ports, o Options) (*Dev, error) {
	pin, err := p.Pin(o.Line)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.What, err)
	}
	d := &Dev{opt: o, name: o.What + " on " + o.Line, pin: pin}
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
	if p != nil && d.opt.Own != nil {
		p = d.opt.Own
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

// drive switches the line if it is not known to be so.
func (d *Dev) drive(on bool) error {
	if d.known && d.on == on {
		return nil
	}
	var err error
	if on && d.opt.Tone > 0 {
		err = d.pin.PWM(gpio.DutyHalf, physic.Frequency(d.opt.Tone*float64(physic.Hertz)))
	} else {
		err = d.pin.Out(gpio.Level(on != d.opt.ActiveLow))
	}
	if err != nil {
		d.known = false // try again at the next Tick
		return d.fail(err)
	}
	d.known, d.on = true, on
	return nil
}

func (d *Dev) fail(err error) error {
	return &drivers.Error{Device: d.name, Doing: "switching the line", Is: drivers.Transient, Err: err, Hint: d.opt.Hint}
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
