package max31855

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
)

// period is the time of a conversion, 70 to 100 ms (from memory).
const period = 100 * time.Millisecond

// wait is the time between reads, long enough that each finds a new conversion.
const wait = period + period/10

// Driver describes the chip for the registry.
func Driver() drivers.Driver {
	return drivers.Driver{
		Name:    "max31855",
		Summary: "thermocouple converter without linearisation, one version for each type (SPI)",
		Bus:     "spi",
		Inputs:  []string{""},
		Options: []drivers.Option{
			{Key: "type", Allowed: "K, J, N, S, T, E, R", Default: "K", Doc: "the type letter in the chip's name: MAX31855K is for type K"},
		},
		Open: open,
	}
}

// types are the versions, and sensitivities the chip's divisor in each, V/°C. K
// is from the data sheet, page 8; the others are from memory.
const types = "KJNSTER"

var sensitivities = [...]float64{41.276e-6, 57.953e-6, 36.256e-6, 9.587e-6, 52.18e-6, 76.373e-6, 10.506e-6}

func open(p drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
	desc := Driver()
	o, err := bus.Only(desc, cfg)
	if err != nil {
		return nil, err
	}
	kind, letter, err := o.Letter("type", types)
	if err != nil {
		return nil, err
	}
	gain := sensitivities[kind]
	return &Dev{
		clock: c,
		// 5 MHz is the chip's limit; cables to a thermocouple board like less.
		link: bus.SPI{Link: bus.Link{Device: "MAX31855 on " + cfg.Bus}, Ports: p, Name: cfg.Bus, Mode: spi.Mode0, Speed: physic.MegaHertz},
		info: []drivers.Input{{
			Name: cfg.Inputs[0].Input, Kind: drivers.Thermocouple, Scale: 0.25, AuxScale: 0.0625, Integer: true,
			RawMin: -270 * 4, RawMax: 1800 * 4, Interval: wait, Type: letter,
			Linearised: fmt.Sprintf("%.3f µV/°C", gain*1e6), Sensitivity: gain,
			Accuracy: drivers.Accuracy{
				Offset: 2, ColdJunction: 2,
				Source: "Maxim 19-5793 MAX31855, front page: ±2 °C from -200 to +700 °C (type K); cold junction ±2 °C from -20 to +85 °C (from memory)",
			},
		}},
	}, nil
}

// Dev is one MAX31855. It implements drivers.Source.
type Dev struct {
	clock clock.Clock
	info  []drivers.Input

	link  bus.SPI
	live  bool
	ready time.Duration
	last  uint32 // frame of the last reading
	known bool   // last is this run's
	r     [4]byte
	w     [4]byte // zeros; the chip has no input
}

var _ drivers.Source = (*Dev)(nil)

// String implements drivers.Source.
func (d *Dev) String() string { return d.link.Device }

// Inputs implements drivers.Source.
func (d *Dev) Inputs() []drivers.Input { return d.info }

// Start implements drivers.Source.
func (d *Dev) Start(ctx context.Context) error {
	d.live, d.known = false, false
	if err := d.link.Begin(ctx); err != nil {
		return err
	}
	if err := d.fetch("identifying"); err != nil {
		return err
	}
	d.ready = d.clock.Now()
	d.live = true
	d.link.OK()
	return nil
}

// fetch reads one frame whose fixed bits are right into d.r.
func (d *Dev) fetch(doing string) error {
	for range 2 { // one wrong answer may be a disturbance
		if err := d.link.Conn.Tx(d.w[:], d.r[:]); err != nil {
			return d.link.Fail(doing, err)
		}
		if sound(binary.BigEndian.Uint32(d.r[:])) {
			return nil
		}
	}
	if what := bus.Stuck(d.r[:]); what != "" {
		return d.link.Silent(doing, what)
	}
	return d.link.Wrong(doing, fmt.Sprintf("its frame %08Xh breaks the rules of a MAX31855", binary.BigEndian.Uint32(d.r[:])))
}

// sound checks the fixed bits 17 and 3, and that bit 16 is the sum of the three
// fault bits. A frame of zeros would mean 0 °C twice; a data line held low is by
// far the likelier cause.
func sound(f uint32) bool {
	return f != 0 && f&(1<<17|1<<3) == 0 && (f>>16&1 == 1) == (f&7 != 0)
}

// Read implements drivers.Source.
func (d *Dev) Read(ctx context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	now := d.clock.Now()
	if err := ctx.Err(); err != nil {
		return 0, now, err
	}
	if !d.live {
		return 0, now, d.link.Idle()
	}
	if now < d.ready {
		return 0, d.ready, nil
	}
	if err := d.confirmed(); err != nil {
		d.ready = now + retryAfter
		return 0, d.ready, err
	}
	d.ready = now + wait
	d.link.OK()
	s := &dst[0]
	s.At, s.Input = max(now-period/2, 0), 0
	s.Raw, s.Aux, s.Fault = decode(d.last)
	return 1, d.ready, nil
}

// retryAfter is when a spoilt transfer is tried again; a conversion's time would
// be too long for an alarm to wait.
const retryAfter = 5 * time.Millisecond

// confirmed fetches a reading into d.last. The chip sends no checksum, so one
// that leaps from the last is fetched again, at once, until two agree: a turned
// bit is not sent twice, a hot tube is.
func (d *Dev) confirmed() error {
	const doing = "reading the temperature"
	var seen [4]uint32
	for n := range seen {
		if err := d.fetch(doing); err != nil {
			return err
		}
		seen[n] = binary.BigEndian.Uint32(d.r[:])
		if n == 0 && d.known && near(seen[0], d.last) {
			d.last = seen[0]
			return nil
		}
		for _, o := range seen[:n] {
			if near(seen[n], o) {
				d.last, d.known = seen[n], true
				return nil
			}
		}
	}
	return d.link.Disturbed(doing, bus.ErrUnsteady)
}

// near tells whether two frames may be of one temperature: 0.5 °C apart at
// most, of hot and of cold junction, and with the same faults.
func near(a, b uint32) bool {
	ra, ca, fa := decode(a)
	rb, cb, fb := decode(b)
	return math.Abs(ra-rb) <= 2 && math.Abs(ca-cb) <= 8 && fa == fb
}

// decode takes a frame apart (tables 2 to 5).
func decode(f uint32) (raw, aux float64, fault drivers.Fault) {
	raw = float64(int32(f) >> 18)
	aux = float64(int16(f) >> 4)
	if f&1 != 0 {
		fault |= drivers.OpenCircuit
	}
	if f&2 != 0 {
		fault |= drivers.ShortToGround
	}
	if f&4 != 0 {
		fault |= drivers.ShortToSupply
	}
	return raw, aux, fault
}

// Close implements drivers.Source.
func (d *Dev) Close() error {
	d.live = false
	return d.link.Close()
}
