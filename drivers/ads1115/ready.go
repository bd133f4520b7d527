package ads1115

import (
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
)

// Thresholds that make the pin ALERT/RDY tell the end of each conversion: the
// top bit of Hi_thresh set, that of Lo_thresh clear (SBAS444, conversion ready
// pin). The comparator must not be off then.
const (
	lowReady  = 0x0000
	highReady = 0x8000
)

// stalledAfter is how many conversion times may pass without an edge.
const stalledAfter = 4

// readyLine is the GPIO line that ALERT/RDY is wired to. The pin falls at the
// end of each conversion (for some 8 µs in continuous mode).
type readyLine struct {
	name    string
	pin     gpio.PinIO
	stamper drivers.EdgeStamper // nil: edges without stamps
	last    time.Duration       // edge taken last, or when conversions began
	span    time.Duration       // the chip's own conversion time, learned
}

// open takes the line.
func (l *readyLine) open(p drivers.Ports) error {
	if l.pin == nil {
		pin, err := p.Pin(l.name)
		if err != nil {
			return err
		}
		l.pin = pin
	}
	// The pin pulls down only; a pull-up on the chip's board is better.
	if err := l.pin.In(gpio.PullUp, gpio.FallingEdge); err != nil {
		return err
	}
	l.stamper, _ = l.pin.(drivers.EdgeStamper)
	return nil
}

// restart makes the line wait for the end of a conversion of length period that
// begins at begun.
func (l *readyLine) restart(begun, period time.Duration) {
	l.last = begun
	if l.span < period*3/4 || l.span > period*5/4 {
		l.span = period * 9 / 10 // the fastest chip that the data sheet allows
	}
}

// mostEdges bounds one look at the line: noise may make any number of them.
const mostEdges = 64

// edge takes the latest edge at which a conversion can have ended, if one came.
// Edges closer than the chip can convert are sparks; where conversions follow
// each other steadily, so are those that come 3 % early.
func (l *readyLine) edge(now, period time.Duration, steady bool) (at time.Duration, ok bool) {
	for range mostEdges {
		if !l.pin.WaitForEdge(0) {
			break
		}
		t := now
		if l.stamper != nil {
			t = l.stamper.EdgeAt()
		}
		d := t - l.last
		if d < period*4/5 {
			continue
		}
		early := steady && l.stamper != nil && d < l.span-l.span/32
		if d < period*5/4 {
			l.span += (d - l.span) / 8
		}
		if !early {
			l.last, at, ok = t, t, true
		}
	}
	return at, ok
}

// next is when to look for an edge: just after it is due, and if it is overdue
// every sixteenth of a conversion time.
func (l *readyLine) next(now, period time.Duration) time.Duration {
	if l.stamper == nil {
		// The last edge is known by when it was found, which was late already.
		return max(l.last+l.span*15/16, now+period/16)
	}
	return max(l.last+l.span+20*time.Microsecond, now+period/16)
}

// takeReady is take for a chip with a ready line.
func (d *Dev) takeReady(dst []drivers.Sample, now time.Duration) (int, error) {
	in := &d.in[d.cur]
	l := &d.line
	at, ok := l.edge(now, in.period, d.continuous)
	if !ok {
		d.ready = l.next(now, in.period)
		if now-l.last < stalledAfter*in.wait() {
			return 0, nil
		}
		return d.stalled(dst, now)
	}
	var raw int16
	leapt := false
	// A conversion that ends while the last is being fetched may be what was
	// fetched: then once more, with its stamp.
	for range 3 {
		var err error
		if raw, leapt, err = d.fetch(); err != nil {
			return 0, err
		}
		newer, more := l.edge(d.clock.Now(), in.period, d.continuous)
		if !more {
			break
		}
		at = newer
	}
	fault := d.flag
	d.flag = 0
	if d.doubtful(raw, leapt, now) {
		ok, err := d.check()
		if err != nil {
			return 0, err
		}
		if ok && !d.continuous && d.found&startBit == 0 {
			// It is still converting: the edge was a spark.
			d.flag = fault
			d.ready = now + in.period/16
			return 0, nil
		}
		if !ok {
			return d.unset(dst, at, raw, fault)
		}
	}
	d.link.OK()
	in.saw(raw, leapt)
	dst[0] = d.sample(at, raw, fault)
	d.ready = l.next(now, in.period)
	if d.continuous {
		return 1, nil
	}
	d.cur = d.choose(now)
	return 1, d.begin()
}

// stalled says that no conversion ends: the chip has lost its settings, does not
// convert any more, or the line is off.
func (d *Dev) stalled(dst []drivers.Sample, now time.Duration) (int, error) {
	ok, err := d.check()
	if err != nil {
		return 0, err
	}
	if !ok {
		return 0, d.restore()
	}
	dst[0] = drivers.Sample{
		At: now, Raw: float64(d.in[d.cur].last), Aux: math.NaN(), Input: uint8(d.cur), Fault: d.flag | drivers.Frozen,
	}
	return 1, &drivers.Error{
		Device: d.link.Device, Doing: "waiting for a conversion", Is: drivers.Transient,
		Err:  fmt.Errorf("no edge on %s for %v", d.line.name, now-d.line.last),
		Hint: "the chip does not convert, or the wire from its pin ALERT/RDY or the pull-up on it is off",
	}
}
