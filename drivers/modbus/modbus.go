package modbus

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
	"tipoff/drivers/serialport"
)

// A device that does not answer is asked again after backoffMin, then twice that
// and so on up to backoffMax, so that it does not take its port's time from the
// others. The maximum keeps recovery below 2 s.
const (
	backoffMin = 100 * time.Millisecond
	backoffMax = time.Second
	patience   = 3 // timeouts in a row after which a device that answered is gone
)

// Dev is one device. It implements drivers.Source.
type Dev struct {
	clock   clock.Clock
	pool    *pool
	line    *line
	name    string
	timeout time.Duration
	in      []input
	info    []drivers.Input

	started  bool
	closed   bool
	answered bool
	silent   int           // timeouts in a row
	wait     time.Duration // before a silent device is asked again
}

type input struct {
	request
	format format
	order  order
	period time.Duration
	due    time.Duration
	last   time.Duration // stamp of the last sample
}

var _ drivers.Source = (*Dev)(nil)

// String implements drivers.Source.
func (d *Dev) String() string { return d.name }

// Inputs implements drivers.Source.
func (d *Dev) Inputs() []drivers.Input { return d.info }

// Start implements drivers.Source: it opens the port and asks for the inputs
// until one is answered. A device that refuses one register may have the others.
func (d *Dev) Start(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if d.closed {
		return d.idle()
	}
	d.started, d.answered, d.silent, d.wait = false, false, 0, backoffMin
	if d.line.port == nil {
		p, err := d.line.open(ctx)
		if err != nil {
			var e *drivers.Error
			if errors.As(err, &e) {
				return fmt.Errorf("%s: %w", d.name, err)
			}
			if d.line.tcp {
				return netError(d.name, "connecting", err)
			}
			return serialport.Failure(d.name, "opening the port", err)
		}
		d.line.port, d.line.free = p, 0
	}
	var first error
	for i := range d.in {
		in := &d.in[i]
		_, _, err := d.line.exchange(d.clock, d.clock.Now(), in.request, d.timeout)
		if err == nil {
			first = nil
			break
		}
		if err = d.sort("asking for "+in.where(), err); first == nil {
			first = err
		}
		var refused Exception
		if !errors.As(err, &refused) {
			break
		}
	}
	if first != nil {
		return first
	}
	now := d.clock.Now()
	for i := range d.in {
		d.in[i].due = now
	}
	d.started, d.answered = true, true
	return nil
}

// Read implements drivers.Source. Each call is at most one request. A device
// that does not answer takes its timeout; the port is in use for no longer.
func (d *Dev) Read(ctx context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	now := d.clock.Now()
	if err := ctx.Err(); err != nil {
		return 0, now, err
	}
	if !d.started {
		return 0, now, d.idle()
	}
	if d.line.port == nil {
		// Another device's transfer has found the port broken.
		d.started = false
		return 0, now + backoffMin, d.gone("reading", errPort)
	}
	next := 0
	for i := range d.in {
		if d.in[i].due < d.in[next].due {
			next = i
		}
	}
	in := &d.in[next]
	if t := max(in.due, d.line.free); now < t {
		return 0, t, nil
	}
	begun := now
	data, now, err := d.line.exchange(d.clock, begun, in.request, d.timeout)
	if err != nil {
		d.later(in, now, err)
		return 0, d.next(), d.sort("reading "+in.where(), err)
	}
	d.answered, d.silent, d.wait = true, 0, backoffMin
	in.due = max(in.due+in.period, now)
	at := max(begun+(now-begun)/2, in.last+1) // the reading was taken somewhere in between
	in.last = at
	raw := in.format.decode(data, in.order)
	var fault drivers.Fault
	if math.IsNaN(raw) || math.IsInf(raw, 0) {
		fault = drivers.Missing // how instruments say that they have no reading
	} else if lo, hi := in.format.rails(); lo != hi && (raw <= lo || raw >= hi) {
		fault = drivers.Clipped
	}
	dst[0] = drivers.Sample{At: at, Raw: raw, Aux: math.NaN(), Input: uint8(next), Fault: fault}
	return 1, d.next(), nil
}

// later says when to ask again after an error. One bad reply costs one reading;
// a silent device is left alone for longer and longer, and a register that the
// device refuses is not worth asking for often.
func (d *Dev) later(in *input, now time.Duration, err error) {
	var refused Exception
	switch {
	case errors.As(err, &refused):
		in.due = now + max(in.period, backoffMax)
	case errors.Is(err, serialport.ErrSilent):
		for i := range d.in {
			d.in[i].due = now + d.wait
		}
		d.wait = min(2*d.wait, backoffMax)
	default:
		in.due = now + min(in.period, backoffMin)
	}
}

func (d *Dev) next() time.Duration {
	t := d.in[0].due
	for _, in := range d.in[1:] {
		t = min(t, in.due)
	}
	return max(t, d.line.free)
}

func (in *input) where() string {
	kind := "holding"
	if in.function == readInput {
		kind = "input"
	}
	return fmt.Sprintf("%s register %d", kind, in.register)
}

// sort makes a drivers.Error of what exchange says.
func (d *Dev) sort(doing string, err error) error {
	e := &drivers.Error{Device: d.name, Doing: doing, Is: drivers.Transient, Err: err}
	var port portError
	var refused Exception
	switch {
	case errors.As(err, &port):
		d.line.lost()
		d.started = false
		if d.line.tcp {
			return netError(d.name, doing, port.error)
		}
		e = serialport.Failure(d.name, doing, port.error)
		if e.Is == drivers.Transient {
			e.Is = drivers.NotPresent
		}
	case errors.Is(err, serialport.ErrSilent):
		d.silent++
		if !d.answered || d.silent >= patience {
			return d.gone(doing, err)
		}
		e.Hint = "it answered before; a loose wire or a disturbance"
	case errors.As(err, &refused):
		d.refused(e, refused)
	case !d.answered && !errors.Is(err, errUnit):
		e.Hint = "check baud, parity and stop_bits against the instrument's menu, and the termination of the line"
	case errors.Is(err, errUnit):
		e.Is, e.Hint = drivers.WrongDevice, "two devices may have the same unit number, or the line echoes what is sent"
	default:
		e.Hint = "a disturbance on the line: twisted pair, shield earthed at one end, 120 Ω at both ends; see docs/wiring"
	}
	return e
}

func (d *Dev) refused(e *drivers.Error, x Exception) {
	switch x {
	case 1, 2, 3:
		e.Is = drivers.BadConfig
		e.Hint = "compare function, register and type with the instrument's register list; many lists count from 1 or 40001, tipoff counts from 0"
	case 10, 11:
		e.Is, e.Hint = drivers.NotPresent, "the gateway answers, the device behind it does not: check its supply, wiring and unit number"
	}
}

func (d *Dev) gone(doing string, err error) error {
	e := &drivers.Error{Device: d.name, Doing: doing, Is: drivers.NotPresent, Err: err,
		Hint: "check the instrument's supply, its unit number, baud, parity, and that A and B are not swapped"}
	if d.line.tcp {
		e.Hint = "check the instrument's supply and its unit number"
	}
	return e
}

var errPort = errors.New("the port failed")

func (d *Dev) idle() error {
	l := bus.Link{Device: d.name}
	return l.Idle()
}

// Close implements drivers.Source.
func (d *Dev) Close() error {
	if d.closed {
		return nil
	}
	d.closed, d.started = true, false
	if err := d.pool.release(d.line); err != nil {
		return fmt.Errorf("%s: closing the port: %w", d.name, err)
	}
	return nil
}
