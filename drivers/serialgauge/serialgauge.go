package serialgauge

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
	"tipoff/drivers/serialport"
)

const (
	// lookEvery is how often the port is looked at while something is expected.
	// A stamp is late by this much at most.
	lookEvery = 10 * time.Millisecond
	// maxLine is the longest line; what is longer is no reading.
	maxLine = 256
	// patience is how many questions in a row may stay without an answer, or
	// lines be unreadable, before the instrument counts as gone or as another.
	patience = 3
	// listen is how long Start waits for an instrument that has been silent.
	listen = 800 * time.Millisecond
)

// Dev is one instrument. It implements drivers.Source.
type Dev struct {
	clock clock.Clock
	open  serialport.Opener
	port  string
	name  string
	mode  serialport.Mode
	query []byte // empty: it sends by itself
	end   []byte // of a line; empty: \r or \n
	match *matcher
	// Groups of the pattern; exponent is -1 where the value has its own.
	value, exponent int
	period          time.Duration
	timeout         time.Duration
	info            []drivers.Input

	line     serialport.Port // nil: not open
	closed   bool
	answered bool
	missed   int // timeouts in a row
	junk     int // unreadable lines in a row
	asked    time.Duration
	waiting  bool          // a question is out
	last     time.Duration // stamp of the last reading
	heard    time.Duration // last reading, or Start
	silent   error         // what overdue said last, nil after a reading
	first    [1]drivers.Sample
	text     lineBuffer
	chunk    [512]byte
	number   []byte // value and exponent put together
}

var _ drivers.Source = (*Dev)(nil)

// String implements drivers.Source.
func (d *Dev) String() string { return d.name }

// Inputs implements drivers.Source.
func (d *Dev) Inputs() []drivers.Input { return d.info }

// Start implements drivers.Source: it opens the port. Whether the instrument is
// there, Read tells, since it may take its time to answer; but after it was found
// silent Start waits for a reading, at most 0.8 s, so that it stays silent until
// it is heard again.
func (d *Dev) Start(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if d.closed {
		return d.idle()
	}
	fresh := d.line == nil
	if fresh {
		p, err := d.open(d.port, d.mode)
		if err != nil {
			var e *drivers.Error
			if errors.As(err, &e) {
				return fmt.Errorf("%s: %w", d.name, err)
			}
			return serialport.Failure(d.name, "opening the port", err)
		}
		d.line = p
	}
	if fresh || d.silent == nil {
		if err := d.line.Flush(); err != nil {
			return d.broken("setting up the port", err)
		}
		// The first line may have begun before the port was opened.
		d.text.reset(len(d.query) == 0)
	}
	if err := d.line.SetTimeout(0); err != nil {
		return d.broken("setting up the port", err)
	}
	now := d.clock.Now()
	d.waiting, d.missed, d.junk = false, 0, 0
	d.asked, d.heard = now-d.period, now
	if d.silent != nil {
		return d.listen(now)
	}
	return nil
}

// listen waits for a sign of life. What comes between two calls the kernel keeps.
func (d *Dev) listen(now time.Duration) error {
	deadline := now + listen
	if len(d.query) > 0 {
		if err := d.ask(now); err != nil {
			return err
		}
		deadline = now + min(listen, d.timeout)
	}
	for d.silent != nil {
		now = d.clock.Now()
		if now >= deadline {
			d.waiting = false
			return d.silent
		}
		if err := d.line.SetTimeout(deadline - now); err != nil {
			return d.broken("waiting for a reading", err)
		}
		if _, err := d.take(d.first[:]); err != nil && d.line == nil {
			return err
		}
	}
	if err := d.line.SetTimeout(0); err != nil {
		return d.broken("setting up the port", err)
	}
	return nil
}

// Read implements drivers.Source. It never waits.
func (d *Dev) Read(ctx context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	now := d.clock.Now()
	if err := ctx.Err(); err != nil {
		return 0, now, err
	}
	if d.line == nil {
		return 0, now, d.idle()
	}
	if len(d.query) > 0 && !d.waiting {
		if t := d.asked + d.period; now < t {
			return 0, t, nil
		}
		return 0, now + lookEvery, d.ask(now)
	}
	n, err := d.take(dst)
	if err == nil && n == 0 {
		err = d.overdue(now)
	}
	next := now + lookEvery
	if len(d.query) > 0 && !d.waiting {
		next = max(now, d.asked+d.period)
	}
	return n, next, err
}

// ask sends the question, after forgetting what came without being asked for.
func (d *Dev) ask(now time.Duration) error {
	if err := d.line.Flush(); err != nil {
		return d.broken("asking", err)
	}
	d.text.reset(false)
	n, err := d.line.Write(d.query)
	if err != nil {
		return d.broken("asking", err)
	}
	if n != len(d.query) {
		return &drivers.Error{Device: d.name, Doing: "asking", Is: drivers.Transient, Err: errShort}
	}
	d.asked, d.waiting = now, true
	return nil
}

var (
	errShort  = errors.New("not all bytes of the question were taken")
	errNumber = errors.New("not a number")
)

// take reads what has come and makes samples of the whole lines in it. Of an
// answer only the first line counts that is a reading.
func (d *Dev) take(dst []drivers.Sample) (int, error) {
	k, err := d.line.Read(d.chunk[:])
	now := d.clock.Now()
	if err != nil {
		return 0, d.broken("reading", err)
	}
	n := 0
	for i, c := range d.chunk[:k] {
		line, ok := d.text.add(c, d.end)
		if !ok || n == len(dst) {
			continue
		}
		v, perr := d.parse(line)
		if perr != nil {
			if d.junk++; d.junk >= patience && err == nil {
				err = d.unreadable(line, perr)
			}
			continue
		}
		if len(d.query) > 0 && !d.waiting {
			continue
		}
		// The bytes behind it came later, each by its time on the line.
		at := max(now-time.Duration(k-1-i)*d.mode.ByteTime(), d.last+1)
		d.last, d.heard = at, now
		d.waiting, d.answered, d.missed, d.junk, d.silent = false, true, 0, 0, nil
		dst[n] = drivers.Sample{At: at, Raw: v, Aux: math.NaN()}
		n++
		err = nil
	}
	return n, err
}

// parse finds the number in a line. A byte 0 is what the kernel gives for one
// with wrong parity (termios(3)), so a line with such a byte is no reading, even
// if the pattern fits beside it.
func (d *Dev) parse(line []byte) (float64, error) {
	if bytes.IndexByte(line, 0) >= 0 {
		return 0, errSpoilt
	}
	if !d.match.find(line) {
		return 0, errPattern
	}
	text := d.match.text(line, d.value)
	if d.exponent >= 0 {
		// Put together as text, the number is rounded once.
		d.number = append(append(d.number[:0], text...), 'e')
		text = append(d.number, d.match.text(line, d.exponent)...)
		d.number = text
	}
	if len(text) == 0 {
		return 0, errPattern
	}
	v, err := strconv.ParseFloat(string(text), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, errNumber
	}
	return v, nil
}

var (
	errPattern = errors.New("not of the pattern")
	errSpoilt  = errors.New("a byte came with wrong parity")
)

// overdue tells when the instrument has been silent for too long.
func (d *Dev) overdue(now time.Duration) error {
	since := d.heard
	if len(d.query) > 0 {
		since = d.asked
	}
	if now-since < d.timeout {
		return nil
	}
	d.waiting, d.heard = false, now
	d.missed++
	e := &drivers.Error{Device: d.name, Doing: "waiting for a reading", Is: drivers.Transient, Err: serialport.ErrSilent}
	switch {
	case d.junk > 0:
		e.Err = errJunk
		e.Hint = "something is sent, but nothing that the pattern matches: compare pattern, terminator, baud and parity with the instrument's manual"
	case !d.answered || d.missed >= patience:
		e.Is = drivers.NotPresent
		e.Hint = "check the instrument's supply and cable (crossed or straight), baud and parity, and that it is set to send"
	default:
		e.Hint = "it answered before; a loose plug or a disturbance"
	}
	if e.Is == drivers.NotPresent || d.missed >= patience {
		d.silent = e
	}
	return e
}

var errJunk = errors.New("no line is a reading")

func (d *Dev) unreadable(line []byte, why error) error {
	d.junk = 1 // so that it is told again after some more, not with each line
	return &drivers.Error{Device: d.name, Doing: "reading", Is: drivers.Transient, Err: fmt.Errorf("%q: %w", line[:min(len(line), 40)], why),
		Hint: "compare pattern and unit with what the instrument sends; strange characters mean a wrong baud or parity, or a disturbance"}
}

func (d *Dev) broken(doing string, err error) error {
	// It has failed already; what closing says adds nothing.
	_ = d.line.Close()
	d.line = nil
	e := serialport.Failure(d.name, doing, err)
	if e.Is == drivers.Transient {
		e.Is = drivers.NotPresent
	}
	return e
}

func (d *Dev) idle() error {
	l := bus.Link{Device: d.name}
	return l.Idle()
}

// Close implements drivers.Source.
func (d *Dev) Close() error {
	d.closed = true
	if d.line == nil {
		return nil
	}
	p := d.line
	d.line = nil
	if err := p.Close(); err != nil {
		return fmt.Errorf("%s: closing the port: %w", d.name, err)
	}
	return nil
}

// lineBuffer puts lines together.
type lineBuffer struct {
	b    [maxLine]byte
	n    int
	skip bool // until the next end: a partial or an over-long line
}

// reset forgets what has come; partial says that the rest of a line follows.
func (l *lineBuffer) reset(partial bool) { l.n, l.skip = 0, partial }

// add takes one byte and gives the line that it ends, without its end. Empty
// lines are none. The line is valid until the next add.
func (l *lineBuffer) add(c byte, end []byte) (line []byte, ok bool) {
	if len(end) == 0 && (c == '\r' || c == '\n') {
		return l.whole(l.n)
	}
	if l.n == len(l.b) {
		// Too long: keep its tail, in which the end may already have begun.
		l.skip = true
		l.n = copy(l.b[:], l.b[len(l.b)-8:])
	}
	l.b[l.n] = c
	l.n++
	if k := l.n - len(end); len(end) > 0 && k >= 0 && string(l.b[k:l.n]) == string(end) {
		return l.whole(k)
	}
	return nil, false
}

func (l *lineBuffer) whole(n int) ([]byte, bool) {
	skip := l.skip
	l.n, l.skip = 0, false
	if skip || n == 0 {
		return nil, false
	}
	return l.b[:n], true
}
