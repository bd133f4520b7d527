// Package contact reads a switch on a GPIO line: the auxiliary contact of a
// contactor, a stopcock's switch, an acknowledge button.
//
// The line is looked at 50 times a second, and more often while it is changing.
// A change counts once the line has kept its new level for the debounce time;
// it is stamped with the moment at which the line was first seen at the level
// that it kept.
//
// Wire the contact between line and ground and use the pull-up: a broken wire
// then reads as open. A line that can not be read, because the chip that it is on
// was pulled out, is told as such and gives no state.
//
// There is no data sheet. Closing and opening contacts bounce for a few
// milliseconds (common practice), which the debounce time covers.
//
// tipoff only looks at the contact; it is no interlock.
package contact

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"syscall"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
)

const pollEvery = 20 * time.Millisecond

// Driver describes a contact for the registry. Its bus is the line's name.
func Driver() drivers.Driver {
	return drivers.Driver{
		Name:    "contact",
		Summary: "switch or button on a GPIO line",
		Bus:     "gpio",
		Inputs:  []string{""},
		Options: []drivers.Option{
			{Key: "active_low", Allowed: "yes, no", Default: "yes", Doc: "yes if the contact pulls the line to ground when it closes"},
			{Key: "pull", Allowed: "up, down, none", Default: "up", Doc: "resistor in the board that holds the line while the contact is open"},
			{Key: "debounce", Allowed: "1 ms to 1000 ms", Default: "20 ms", Doc: "how long a new level has to stay before it counts"},
		},
		Open: open,
	}
}

var pulls = map[string]gpio.Pull{"up": gpio.PullUp, "down": gpio.PullDown, "none": gpio.Float}

// Dev is one contact. It implements drivers.Source.
type Dev struct {
	ports     drivers.Ports
	clock     clock.Clock
	line      string
	info      []drivers.Input
	activeLow bool
	pull      gpio.Pull
	debounce  time.Duration
	fine      time.Duration // between looks while the line changes

	pin     gpio.PinIO
	reader  drivers.LevelReader // pin, if it tells errors
	started bool
	closed  bool
	shut    bool          // the contact's state, debounced
	moving  bool          // the line shows the other level
	since   time.Duration // when it began to, without a break
	last    time.Duration // stamp of the last sample
	ready   time.Duration // when to look next
}

var _ drivers.Source = (*Dev)(nil)

func open(p drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
	desc := Driver()
	o, err := bus.Only(desc, cfg)
	if err != nil {
		return nil, err
	}
	if cfg.Bus == "" {
		return nil, fmt.Errorf(`contact: no line is named, allowed is: bus = "GPIO17": %w`, drivers.BadConfig)
	}
	d := &Dev{ports: p, clock: c, line: cfg.Bus}
	if d.activeLow, err = o.YesNo("active_low"); err != nil {
		return nil, err
	}
	var ok bool
	if d.pull, ok = pulls[o.Word("pull")]; !ok {
		return nil, o.Wrong("pull")
	}
	ms, err := o.Number("debounce", "ms")
	if err != nil || ms < 1 || ms > 1000 {
		return nil, o.Wrong("debounce")
	}
	d.debounce = time.Duration(ms * 1e6)
	d.fine = min(max(d.debounce/4, time.Millisecond), pollEvery)
	d.info = []drivers.Input{{
		Name: cfg.Inputs[0].Input, Kind: drivers.State, Scale: 1, Integer: true, Interval: pollEvery,
		Accuracy: drivers.Accuracy{Source: "a state has no error limit"},
	}}
	return d, nil
}

// String implements drivers.Source.
func (d *Dev) String() string { return "contact on " + d.line }

// Inputs implements drivers.Source.
func (d *Dev) Inputs() []drivers.Input { return d.info }

func (d *Dev) fail(doing string, err error) error {
	var e *drivers.Error
	if errors.As(err, &e) {
		return fmt.Errorf("%s: %w", d, err)
	}
	err = bus.WithErrno(err)
	out := &drivers.Error{Device: d.String(), Doing: doing, Is: drivers.Transient, Err: err}
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ENXIO):
		out.Is, out.Hint = drivers.NotPresent, "the kernel knows no line of this name, or its chip was pulled out; the names depend on the board"
	case errors.Is(err, fs.ErrPermission):
		out.Is, out.Hint = drivers.Permission, "the user that tipoff runs as must be in the group that owns /dev/gpiochip*: gpio on most systems"
	case errors.Is(err, syscall.EBUSY):
		out.Hint = "another program or a kernel driver uses the line"
	case errors.Is(err, syscall.EIO), errors.Is(err, syscall.EREMOTEIO), errors.Is(err, syscall.ETIMEDOUT):
		out.Hint = "the chip that the line is on does not answer the kernel: check its plug and supply"
	}
	return out
}

// Start implements drivers.Source.
func (d *Dev) Start(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if d.closed {
		return d.fail("starting", os.ErrClosed)
	}
	d.started = false
	d.release()
	pin, err := d.ports.Pin(d.line)
	if err != nil {
		return d.fail("opening the line", err)
	}
	// Edges are not asked for: they would come on another goroutine.
	if err := pin.In(d.pull, gpio.NoEdge); err != nil {
		return d.fail("making the line an input", err)
	}
	d.pin = pin
	d.reader, _ = pin.(drivers.LevelReader)
	if d.shut, err = d.look(); err != nil {
		return d.fail(looking, err)
	}
	d.moving = false
	d.started, d.ready, d.last = true, d.clock.Now(), d.clock.Now()-1
	return nil
}

const looking = "looking at the line"

// look tells whether the contact is closed just now.
func (d *Dev) look() (shut bool, err error) {
	var level gpio.Level
	if d.reader != nil {
		level, err = d.reader.Level()
	} else {
		level = d.pin.Read()
	}
	return bool(level) != d.activeLow, err
}

// release gives the line back. What that says of a line that is gone adds nothing.
func (d *Dev) release() {
	if d.pin != nil {
		_ = d.pin.Halt()
		d.pin = nil
	}
}

// Read implements drivers.Source.
func (d *Dev) Read(ctx context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	now := d.clock.Now()
	if err := ctx.Err(); err != nil {
		return 0, now, err
	}
	if !d.started {
		return 0, now, &drivers.Error{Device: d.String(), Doing: "reading", Is: drivers.Transient, Err: errors.New("not started")}
	}
	if now < d.ready {
		return 0, d.ready, nil
	}
	at := now
	shut, err := d.look()
	if err != nil {
		d.moving, d.ready = false, now+pollEvery
		return 0, d.ready, d.fail(looking, err)
	}
	if shut == d.shut {
		d.moving = false
	} else if !d.moving {
		d.moving, d.since = true, now
	}
	switch {
	case d.moving && now-d.since >= d.debounce:
		d.shut, d.moving, at = !d.shut, false, d.since
	case d.moving:
		// Nothing is said until it is known what it becomes: at most the
		// debounce time, since a level that goes back ends the waiting.
		d.ready = now + d.fine
		return 0, d.ready, nil
	}
	d.ready = now + pollEvery
	dst[0] = drivers.Sample{At: max(at, d.last+1), Aux: math.NaN()}
	if d.shut {
		dst[0].Raw = 1
	}
	d.last = dst[0].At
	return 1, d.ready, nil
}

// Close implements drivers.Source: it gives the line back.
func (d *Dev) Close() error {
	d.closed = true
	if d.pin == nil {
		return nil
	}
	pin := d.pin
	d.pin, d.started = nil, false
	if err := pin.Halt(); err != nil {
		return fmt.Errorf("%s: giving the line back: %w", d, err)
	}
	return nil
}
