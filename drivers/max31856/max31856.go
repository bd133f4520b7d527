package max31856

import (
	"context"
	"fmt"
	"math"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
)

// Bits of CR0.
const (
	automatic = 0x80
	filter50  = 0x01
)

// Bits of the status register and the mask that tell of a threshold passed.
const (
	overCold  = 0x20
	underCold = 0x10
	overHot   = 0x08
	underHot  = 0x04
)

// The register file: settings in 00h..09h, results in 0Ah..0Fh.
const (
	settings  = 10
	registers = 16
	regCJT    = 0x0A
	regLTC    = 0x0C
	regStatus = 0x0F
	writing   = 0x80
)

// powerUp is what the settings are after power-up.
var powerUp = [settings]byte{0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00}

// Dev is one MAX31856. It implements drivers.Source.
type Dev struct {
	clock  clock.Clock
	info   []drivers.Input
	want   [settings]byte
	period time.Duration

	link    bus.SPI
	started bool
	ready   time.Duration
	flag    drivers.Fault // for the next sample
	lost    int
	last    answer
	known   bool // last is this run's
	w, r    [1 + registers]byte
}

// answer is what one reading of the register file says.
type answer struct {
	raw, aux float64
	fault    drivers.Fault
}

const (
	// jump is how far a reading may lie from the one before, or from the same
	// one read again, without being asked for again: 0.5 °C of 1/128 °C.
	jump = 64
	// jumpCold is the same for the cold junction: 0.5 °C of 1/64 °C.
	jumpCold = 32
	// retryAfter is when a spoilt transfer is tried again; a conversion's time
	// would be too long for an alarm to wait.
	retryAfter = 5 * time.Millisecond
)

// near tells whether two answers may be of one temperature.
func (a answer) near(b answer) bool {
	return math.Abs(a.raw-b.raw) <= jump && math.Abs(a.aux-b.aux) <= jumpCold && a.fault == b.fault
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
	d.started, d.known, d.flag = false, false, 0
	if err := d.link.Begin(ctx); err != nil {
		return err
	}
	if err := d.configure("writing the settings"); err != nil {
		return err
	}
	d.started = true
	d.link.OK()
	return nil
}

// configure writes all settings and reads them back. Filter and type may only
// be changed while conversion is off, so automatic mode comes last.
func (d *Dev) configure(doing string) error {
	for range 2 {
		d.w[0] = writing
		copy(d.w[1:], d.want[:])
		d.w[1] &^= automatic
		if err := d.link.Conn.Tx(d.w[:1+settings], d.r[:1+settings]); err != nil {
			return d.link.Fail(doing, err)
		}
		d.w[1] = d.want[0]
		if err := d.link.Conn.Tx(d.w[:2], d.r[:2]); err != nil {
			return d.link.Fail(doing, err)
		}
		if err := d.fetch(); err != nil {
			return d.link.Fail(doing, err)
		}
		if d.configured() {
			d.ready = d.clock.Now() + d.wait()
			return nil
		}
	}
	if what := bus.Stuck(d.r[1:]); what != "" {
		return d.link.Silent(doing, what)
	}
	return d.link.Wrong(doing, fmt.Sprintf("registers 00h to 09h read % X instead of % X", d.r[1:1+settings], d.want))
}

// fetch reads the register file into d.r[1:].
func (d *Dev) fetch() error {
	clear(d.w[:])
	return d.link.Conn.Tx(d.w[:], d.r[:])
}

func (d *Dev) configured() bool { return [settings]byte(d.r[1:1+settings]) == d.want }

// Read implements drivers.Source.
func (d *Dev) Read(ctx context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	now := d.clock.Now()
	if err := ctx.Err(); err != nil {
		return 0, now, err
	}
	if !d.started {
		return 0, now, d.link.Idle()
	}
	if now < d.ready {
		return 0, d.ready, nil
	}
	restored, err := d.refresh()
	if err != nil {
		d.ready = now + retryAfter
		return 0, d.ready, err
	}
	if restored {
		d.flag, d.known = drivers.Restored, false
		return 0, d.ready, nil
	}
	got, err := d.confirmed()
	if err != nil {
		d.ready = now + retryAfter
		return 0, d.ready, err
	}
	d.ready = now + d.wait()
	d.link.OK()
	dst[0] = drivers.Sample{At: max(now-d.period/2, 0), Raw: got.raw, Aux: got.aux, Fault: d.flag | got.fault}
	d.flag = 0
	return 1, d.ready, nil
}

const reading = "reading the temperature"

// refresh fetches the register file and makes sure of the settings in it.
func (d *Dev) refresh() (restored bool, err error) {
	for range 3 { // a wrong answer may be a disturbance
		if err := d.fetch(); err != nil {
			return false, d.link.Fail(reading, err)
		}
		if d.configured() {
			return false, nil
		}
		if what := bus.Stuck(d.r[1:]); what != "" {
			return false, d.link.Silent(reading, what)
		}
		if [settings]byte(d.r[1:1+settings]) == powerUp {
			break
		}
	}
	d.lost++
	return true, d.configure("writing lost settings again")
}

// confirmed is the reading in the register file. The chip sends no checksum, so
// one that leaps from the last is fetched again, at once, until two agree: a
// turned bit is not sent twice, a hot tube is.
func (d *Dev) confirmed() (answer, error) {
	a := d.answer()
	if d.known && a.near(d.last) {
		d.last = a
		return a, nil
	}
	seen := [4]answer{a}
	for n := 1; n < len(seen); n++ {
		if err := d.fetch(); err != nil {
			return a, d.link.Fail(reading, err)
		}
		// With the settings spoilt in the same transfer, the rest is not
		// believed either.
		if !d.configured() {
			seen[n].raw = math.NaN()
			continue
		}
		seen[n] = d.answer()
		for _, o := range seen[:n] {
			if seen[n].near(o) {
				d.last, d.known = seen[n], true
				return seen[n], nil
			}
		}
	}
	return a, d.link.Disturbed(reading, bus.ErrUnsteady)
}

// answer decodes the register file.
func (d *Dev) answer() (a answer) {
	a.raw, a.aux = decode(d.r[1:])
	// A threshold that nobody set is not passed, and its bit is not looked at.
	a.fault = faults(d.r[1+regStatus] &^ (d.want[2] & (overCold | underCold | overHot | underHot)))
	return a
}

// decode takes temperature and cold junction out of the register file.
func decode(reg []byte) (raw, aux float64) {
	tc := int32(uint32(reg[regLTC])<<24|uint32(reg[regLTC+1])<<16|uint32(reg[regLTC+2])<<8) >> 13
	cj := int16(uint16(reg[regCJT])<<8|uint16(reg[regCJT+1])) >> 2
	return float64(tc), float64(cj)
}

// faults sorts the status register.
func faults(sr byte) (f drivers.Fault) {
	for _, b := range [...]struct {
		bit   byte
		fault drivers.Fault
	}{
		{0x80, drivers.ColdJunctionRange}, {0x40, drivers.InputRange},
		{0x02, drivers.InputVoltage}, {0x01, drivers.OpenCircuit},
		{overCold | underCold | overHot | underHot, drivers.Threshold},
	} {
		if sr&b.bit != 0 {
			f |= b.fault
		}
	}
	return f
}

// Close implements drivers.Source: it stops conversion.
func (d *Dev) Close() error {
	if d.started {
		// The chip may be gone; nothing is lost if it goes on converting.
		d.w[0], d.w[1] = writing, d.want[0]&^automatic
		_ = d.link.Conn.Tx(d.w[:2], d.r[:2])
	}
	d.started = false
	return d.link.Close()
}
