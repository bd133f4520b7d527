package ads1115

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
)

// Registers and bits of the config register (SBAS444D).
const (
	regConversion = 0
	regConfig     = 1
	regLow        = 2
	regHigh       = 3

	startBit      = 0x8000 // write: begin one conversion; read: idle
	singleShot    = 0x0100
	comparatorOff = 0x0003

	lowReset  = 0x8000
	highReset = 0x7FFF
)

// retryAfter is when a spoilt transfer is tried again, at the latest.
const retryAfter = 5 * time.Millisecond

func (d *Dev) retry() time.Duration { return d.clock.Now() + min(retryAfter, d.in[d.cur].wait()) }

// checkEvery is how often the settings are read back where not each sample
// does it.
const checkEvery = 250 * time.Millisecond

// Dev is one ADS1115. It implements drivers.Source.
type Dev struct {
	ports drivers.Ports // of the ready line
	clock clock.Clock
	in    []input
	info  []drivers.Input
	wave  int // index of the waveform input, -1 none
	// continuous is set for a single input that is plain or has a ready line.
	continuous bool
	line       readyLine

	link    bus.I2C
	started bool

	cur     int           // input being converted
	begun   time.Duration // when that conversion (or the continuous row) began
	ready   time.Duration // when it is surely over
	looks   int           // times it was found unfinished
	pending bool          // a conversion has been begun
	suspect bool          // an error came up: check the settings first
	flag    drivers.Fault // for the next sample
	checked time.Duration // last readback
	written uint16        // settings that the chip took last
	lost    int
	latest  int16  // code of the last reading, whichever its input
	same    int    // times that it came again where it can not be, in a row
	found   uint16 // settings that the chip had when they were read back
}

var _ drivers.Source = (*Dev)(nil)

// String implements drivers.Source.
func (d *Dev) String() string { return d.link.Device }

// Inputs implements drivers.Source.
func (d *Dev) Inputs() []drivers.Input { return d.info }

// SettingsLost counts how often the chip was found without its settings.
func (d *Dev) SettingsLost() int { return d.lost }

// Start implements drivers.Source.
func (d *Dev) Start(ctx context.Context) error {
	d.started, d.pending, d.suspect, d.flag, d.cur = false, false, false, 0, 0
	d.latest, d.same = 0, 0
	if err := d.link.Begin(ctx); err != nil {
		return err
	}
	if d.line.name != "" {
		if err := d.line.open(d.ports); err != nil {
			return d.lineFailed(err)
		}
	}
	now := d.clock.Now()
	for i := range d.in {
		d.in[i].due, d.in[i].known, d.in[i].swing = now, false, 0
	}
	if err := d.identify(); err != nil {
		return err
	}
	if err := d.begin(); err != nil {
		return err
	}
	ok, err := d.check()
	if err == nil && !ok {
		err = d.link.Wrong("reading back the settings", "it does not keep what was written")
	}
	if err != nil {
		return err
	}
	d.started = true
	d.link.OK()
	return nil
}

// lineFailed explains why the ready line can not be had.
func (d *Dev) lineFailed(err error) error {
	const doing = "taking the ready line"
	var e *drivers.Error
	if errors.As(err, &e) {
		return fmt.Errorf("%s: %s: %w", d.link.Device, doing, err)
	}
	return &drivers.Error{Device: d.link.Device, Doing: doing + " " + d.line.name, Is: drivers.NotPresent, Err: err,
		Hint: "check the line's name, and that no other program uses it; without the option ready tipoff needs no line"}
}

// thresholds are those that the chip is to have.
func (d *Dev) thresholds() (low, high uint16) {
	if d.line.name != "" {
		return lowReady, highReady
	}
	return lowReset, highReset
}

func (d *Dev) writeThresholds() error {
	low, high := d.thresholds()
	if err := d.link.SetWord(regLow, low); err != nil {
		return err
	}
	return d.link.SetWord(regHigh, high)
}

// identify writes both thresholds, which are used for the ready line or not at
// all, and expects them back. One wrong answer may be a disturbance, two are not.
func (d *Dev) identify() error {
	const doing = "identifying"
	wantLow, wantHigh := d.thresholds()
	var low, high uint16
	for range 2 {
		err := d.writeThresholds()
		if err != nil {
			return d.link.Fail(doing, err)
		}
		if low, err = d.link.Word(regLow); err != nil {
			return d.link.Fail(doing, err)
		}
		if high, err = d.link.Word(regHigh); err != nil {
			return d.link.Fail(doing, err)
		}
		if low == wantLow && high == wantHigh {
			return nil
		}
	}
	return d.link.Wrong(doing, fmt.Sprintf("its threshold registers read %04Xh and %04Xh instead of %04Xh and %04Xh", low, high, wantLow, wantHigh))
}

// Read implements drivers.Source. Each call takes at most one conversion.
func (d *Dev) Read(ctx context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	now := d.clock.Now()
	if err := ctx.Err(); err != nil {
		return 0, now, err
	}
	if !d.started {
		return 0, now, d.link.Idle()
	}
	if d.suspect {
		if err := d.recover(); err != nil {
			return 0, d.retry(), err
		}
	}
	if !d.pending {
		if err := d.begin(); err != nil {
			return 0, d.retry(), d.spoil(err)
		}
	}
	if now < d.ready {
		return 0, d.ready, nil
	}
	var n int
	var err error
	if d.line.name != "" {
		n, err = d.takeReady(dst, now)
	} else {
		n, err = d.take(dst, now)
	}
	if err != nil {
		return n, d.retry(), d.spoil(err)
	}
	return n, d.ready, nil
}

// spoil notes that the chip's state is not known any more.
func (d *Dev) spoil(err error) error {
	d.suspect, d.pending = true, false
	return err
}

// recover makes sure of the settings after an error: noise on the supply that
// broke a transfer may have reset the chip too.
func (d *Dev) recover() error {
	ok, err := d.check()
	if err != nil {
		return err
	}
	d.pending = false
	if !ok {
		if err := d.restore(); err != nil { // with the thresholds
			return err
		}
	} else if d.line.name != "" {
		// Without them no edge comes; they are too many to read back each time.
		if err := d.writeThresholds(); err != nil {
			return d.link.Fail("writing the thresholds", err)
		}
	}
	d.suspect = false
	d.link.OK()
	return nil
}

// restore writes lost settings again and makes sure that they stay.
func (d *Dev) restore() error {
	d.lost++
	if d.line.name != "" {
		if err := d.writeThresholds(); err != nil {
			return d.link.Fail("writing lost settings again", err)
		}
	}
	if err := d.begin(); err != nil {
		return err
	}
	ok, err := d.check()
	if err == nil && !ok {
		err = d.link.Wrong("writing lost settings again", "it does not keep what was written")
	}
	d.flag = drivers.Restored
	return err
}

// take fetches the finished conversion and begins the next.
func (d *Dev) take(dst []drivers.Sample, now time.Duration) (int, error) {
	in := &d.in[d.cur]
	raw, leapt, err := d.fetch()
	if err != nil {
		return 0, err
	}
	fault := d.flag
	d.flag = 0
	if d.doubtful(raw, leapt, now) {
		ok, err := d.check()
		if err != nil {
			return 0, err
		}
		if !ok {
			return d.unset(dst, now, raw, fault)
		}
		if !d.continuous && d.found&startBit == 0 {
			// Not over yet, against the data sheet.
			if d.looks++; d.looks < 4 {
				d.ready = now + in.wait()
				d.flag = fault
				return 0, nil
			}
			fault |= drivers.Frozen
			d.pending = false
		}
	}
	d.link.OK()
	if d.repeats(in, raw) {
		if d.same++; d.same < 3 {
			d.flag = fault
			return 0, d.begin()
		}
		fault |= drivers.Frozen
	} else {
		d.same = 0
		d.latest = raw
		in.saw(raw, leapt)
	}
	at := d.begun + in.period
	if d.continuous {
		// The latest conversion ended at some time within the last period.
		at = max(d.begun, now-in.period/2)
		d.ready = now + in.wait()
	}
	dst[0] = d.sample(at, raw, fault)
	if d.continuous && d.pending {
		return 1, nil
	}
	d.cur = d.choose(now)
	return 1, d.begin()
}

// fetch reads the conversion of the current input; one that leaps is asked for
// until two answers agree.
func (d *Dev) fetch() (raw int16, leapt bool, err error) {
	v, err := d.link.Word(regConversion)
	if err != nil {
		return 0, false, d.link.Fail("reading a conversion", err)
	}
	raw = int16(v)
	if leapt = d.in[d.cur].leaps(raw); leapt {
		raw, err = d.again(raw)
	}
	return raw, leapt, err
}

// doubtful tells whether a code is only believed once the settings were found in
// place: a chip that was reset answers 0 until its next conversion, and another chip
// in its place anything, so a 0 and what leaps are doubted.
func (d *Dev) doubtful(raw int16, leapt bool, now time.Duration) bool {
	return (!d.continuous && !d.in[d.cur].waveform) || raw == 0 || leapt || now-d.checked >= checkEvery
}

// unset gives a code that was converted with unknown settings, and restores them.
func (d *Dev) unset(dst []drivers.Sample, at time.Duration, raw int16, fault drivers.Fault) (int, error) {
	dst[0] = d.sample(at, raw, 0)
	dst[0].Fault = fault | drivers.Settling | drivers.Restored // what the rails are is unknown
	return 1, d.restore()
}

// sample makes a sample of a code of the current input.
func (d *Dev) sample(at time.Duration, raw int16, fault drivers.Fault) drivers.Sample {
	if raw == math.MaxInt16 || raw == math.MinInt16 {
		fault |= drivers.Clipped
	}
	return drivers.Sample{At: at, Raw: float64(raw), Aux: math.NaN(), Input: uint8(d.cur), Fault: fault}
}

// jump is how far a code may lie from the one before without being asked for
// again. Noise is a code or two.
const jump = 32

// leaps tells whether a code cannot be told from a turned bit: further from the
// last than noise, or for a waveform than it has stepped of late.
func (in *input) leaps(raw int16) bool {
	return !in.known || distance(raw, in.last) > jump+in.swing+in.swing/2
}

// saw remembers a code. A waveform's largest step is forgotten within some
// tenths of a second; only a step that was confirmed makes it larger, lest
// turned bits make room for turned bits.
func (in *input) saw(raw int16, confirmed bool) {
	if in.waveform && in.known {
		in.swing -= in.swing / 128
		if confirmed {
			in.swing = max(distance(raw, in.last), in.swing)
		}
	}
	in.last, in.known = raw, true
}

// repeats tells of a chip that does not convert any more: one input leaps to the
// very code that another gave last, or did so and the chip has not said anything
// else since. Rails and zeros may be the same by right. With one input there is
// nothing to tell it by.
func (d *Dev) repeats(in *input, raw int16) bool {
	if raw != d.latest || raw == 0 || raw == math.MaxInt16 || raw == math.MinInt16 || len(d.in) < 2 {
		return false
	}
	return d.same >= 3 || in.known && distance(raw, in.last) > jump+in.swing
}

func distance(a, b int16) int32 {
	return max(int32(a)-int32(b), int32(b)-int32(a))
}

// again asks for the conversion again until two answers agree: the chip sends
// no checksum, but a turned bit is not sent twice.
func (d *Dev) again(raw int16) (int16, error) {
	const doing = "reading a conversion"
	seen := [4]int16{raw}
	for n := 1; n < len(seen); n++ {
		v, err := d.link.Word(regConversion)
		if err != nil {
			return raw, d.link.Fail(doing, err)
		}
		seen[n] = int16(v)
		for _, o := range seen[:n] {
			if distance(seen[n], o) <= jump {
				return seen[n], nil
			}
		}
	}
	return raw, d.link.Disturbed(doing, bus.ErrUnsteady)
}

// choose picks the next input.
func (d *Dev) choose(now time.Duration) int {
	if d.wave < 0 {
		return (d.cur + 1) % len(d.in)
	}
	for i := range d.in {
		if in := &d.in[i]; i != d.wave && now >= in.due {
			in.due = max(in.due+slowEvery, now)
			return i
		}
	}
	return d.wave
}

// begin writes the settings of the current input, which begins its conversion.
func (d *Dev) begin() error {
	before := d.clock.Now()
	if err := d.link.SetWord(regConfig, d.config()|startBit); err != nil {
		return d.link.Fail("beginning a conversion", err)
	}
	in := &d.in[d.cur]
	d.written = d.config()
	d.begun = d.clock.Now()
	d.ready = d.begun + in.wait()
	d.looks, d.pending = 0, true
	if d.line.name != "" {
		d.line.restart(before, in.period)
		d.ready = d.line.next(d.begun, in.period)
	}
	return nil
}

func (d *Dev) config() uint16 {
	if d.continuous {
		return d.in[d.cur].config
	}
	return d.in[d.cur].config | singleShot
}

// check reads the config register into d.found and tells whether the settings in it
// are those written last, or those whose writing just failed. A wrong answer is
// asked again once.
func (d *Dev) check() (bool, error) {
	for range 2 {
		v, err := d.link.Word(regConfig)
		if err != nil {
			return false, d.link.Fail("reading back the settings", err)
		}
		d.found = v
		if v &^= startBit; v == d.written || v == d.config() {
			d.checked = d.clock.Now()
			return true, nil
		}
	}
	return false, nil
}

// Close implements drivers.Source: it puts the chip into power-down.
func (d *Dev) Close() error {
	if d.started {
		// The chip may be gone; nothing is lost if it stays awake.
		_ = d.link.SetWord(regConfig, d.in[d.cur].config|singleShot)
	}
	d.started = false
	if d.line.pin != nil {
		_ = d.line.pin.Halt() // gives the line back; its edges are of no use now
		d.line.pin = nil
	}
	return d.link.Close()
}
