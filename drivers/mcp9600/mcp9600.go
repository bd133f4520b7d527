package mcp9600

import (
	"context"
	"fmt"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
)

// Registers (DS20005426C).
const (
	regHot    = 0x00
	regCold   = 0x02
	regStatus = 0x04
	regSensor = 0x05
	regDevice = 0x06
	regID     = 0x20
)

// Bits of the status register.
const (
	updated = 0x40
	// rangeOrOpen is the input range bit of the MCP9600; the MCP9601 uses it
	// for an open couple too (public drivers' headers; not seen in a data sheet).
	rangeOrOpen = 0x10
	shorted     = 0x20 // MCP9601 only (likewise)
)

// High byte of the ID register; that of the MCP9601 is from memory.
const (
	idMCP9600 = 0x40
	idMCP9601 = 0x41
)

// sleeping is the mode field's code of shutdown.
const sleeping = 0x01

// The widest range of any type, °C/16: a code beyond it is no temperature.
const (
	lowest  = -270 * 16
	highest = 1820 * 16
)

const (
	checkEvery = time.Second // both settings registers, read back
	patience   = 4           // periods without a conversion: frozen
)

// Dev is one MCP9600 or MCP9601. It implements drivers.Source.
type Dev struct {
	clock  clock.Clock
	info   []drivers.Input
	want   [2]byte // sensor and device configuration
	period time.Duration
	poll   time.Duration

	link    bus.I2C
	is9601  bool // which notices an open couple
	started bool

	ready   time.Duration // when to look next
	looked  time.Duration // last look that found nothing new
	news    time.Duration // last conversion seen, or the start
	checked time.Duration // last full readback
	stale   bool          // the next conversion may have begun with other settings
	retake  bool          // a transfer failed between the flag and the value
	flag    drivers.Fault // for the next sample
	last    int16
	lastAux int16
	lost    int
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
	d.started, d.flag, d.retake = false, 0, false
	if err := d.link.Begin(ctx); err != nil {
		return err
	}
	if err := d.identify(); err != nil {
		return err
	}
	if err := d.configure("writing the settings"); err != nil {
		return err
	}
	d.started = true
	d.link.OK()
	return nil
}

// identify reads the device ID. One wrong answer may be a disturbance.
func (d *Dev) identify() error {
	const doing = "identifying"
	var id uint16
	for range 2 {
		var err error
		if id, err = d.link.Word(regID); err != nil {
			return d.link.Fail(doing, err)
		}
		switch id >> 8 {
		case idMCP9600:
			d.is9601 = false
			return nil
		case idMCP9601:
			d.is9601 = true
			return nil
		}
	}
	if id == 0xFFFF {
		return d.link.Silent(doing, "its ID register reads FFFFh, as after a failed transfer")
	}
	return d.link.Wrong(doing, fmt.Sprintf("its ID register reads %04Xh instead of 40xxh (MCP9600) or 41xxh (MCP9601)", id))
}

// configure writes both settings, reads them back and throws away what was
// converted before.
func (d *Dev) configure(doing string) error {
	var got [2]byte
	d.stale = true
	for range 2 {
		for i, v := range d.want {
			if err := d.link.SetByte(regSensor+byte(i), v); err != nil {
				return d.link.Fail(doing, err)
			}
		}
		if err := d.link.SetByte(regStatus, 0); err != nil {
			return d.link.Fail(doing, err)
		}
		for i := range got {
			var err error
			if got[i], err = d.link.Byte(regSensor + byte(i)); err != nil {
				return d.link.Fail(doing, err)
			}
		}
		if got == d.want {
			now := d.clock.Now()
			d.news, d.looked, d.checked = now, now, now
			d.ready, d.retake = now+d.poll, false
			return nil
		}
	}
	if err := d.identify(); err != nil {
		return err
	}
	return d.link.Wrong(doing, fmt.Sprintf("registers 05h and 06h read % X instead of % X", got, d.want))
}

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
	d.ready = now + d.poll
	n, err := d.take(dst, now)
	return n, d.ready, err
}

// take looks for a new conversion and fetches it.
func (d *Dev) take(dst []drivers.Sample, now time.Duration) (int, error) {
	if now-d.checked >= checkEvery {
		// Each reading checks one of the two, so it is the other's turn.
		if ok, err := d.settled(regSensor + regDevice - d.telling()); !ok {
			return 0, err
		}
		d.checked = now
		d.ready = now
		return 0, nil
	}
	status, err := d.link.Byte(regStatus)
	if err != nil {
		return 0, d.link.Fail("looking for a conversion", err)
	}
	if status&updated == 0 && !d.retake {
		d.link.OK()
		d.looked = now
		if now-d.news < patience*d.period {
			return 0, nil
		}
		return d.frozen(dst, now)
	}
	if d.stale {
		if err := d.link.SetByte(regStatus, 0); err != nil {
			return 0, d.link.Fail("clearing the status", err)
		}
		d.stale, d.looked, d.news = false, now, now
		return 0, nil
	}
	// From here on the flag may be gone with the value not yet fetched.
	d.retake = true
	fault, err := d.faults(status)
	if err != nil {
		return 0, err
	}
	if err := d.link.SetByte(regStatus, 0); err != nil {
		return 0, d.link.Fail("clearing the status", err)
	}
	if err := d.fetch(); err != nil {
		return 0, err
	}
	if ok, err := d.settled(d.telling()); !ok {
		return 0, err
	}
	d.link.OK()
	d.retake, d.news = false, now
	dst[0] = drivers.Sample{
		At:  now - min(now-d.looked, d.period)/2,
		Raw: float64(d.last), Aux: float64(d.lastAux), Fault: d.flag | fault,
	}
	d.flag, d.looked = 0, now
	d.ready = now + d.period*3/4
	return 1, nil
}

// frozen tells that the chip has stopped converting, unless it forgot to.
func (d *Dev) frozen(dst []drivers.Sample, now time.Duration) (int, error) {
	for _, reg := range [2]byte{regSensor, regDevice} {
		if ok, err := d.settled(reg); !ok {
			return 0, err
		}
	}
	d.news = now
	dst[0] = drivers.Sample{At: now, Raw: float64(d.last), Aux: float64(d.lastAux), Fault: d.flag | drivers.Frozen}
	return 1, nil
}

// telling is the settings register in which a loss surely shows. If power-up
// leaves both as they should be, a loss does no harm.
func (d *Dev) telling() byte {
	if d.want[0] == 0 {
		return regDevice
	}
	return regSensor
}

// settled reads one settings register back and writes both again if it is not
// as it should be. A wrong answer is asked again once.
func (d *Dev) settled(reg byte) (bool, error) {
	for range 2 {
		v, err := d.link.Byte(reg)
		if err != nil {
			return false, d.link.Fail("reading back the settings", err)
		}
		if v == d.want[reg-regSensor] {
			return true, nil
		}
	}
	d.lost++
	d.flag = drivers.Restored
	return false, d.configure("writing lost settings again")
}

// faults sorts the status. A fault is asked for twice, since a turned bit must
// not look like an open couple.
func (d *Dev) faults(status byte) (f drivers.Fault, err error) {
	if status&(rangeOrOpen|shorted) == 0 {
		return 0, nil
	}
	again, err := d.link.Byte(regStatus)
	if err != nil {
		return 0, d.link.Fail("reading the status", err)
	}
	return sortStatus(status&again, d.is9601), nil
}

func sortStatus(status byte, isMCP9601 bool) (f drivers.Fault) {
	if status&rangeOrOpen != 0 {
		f = drivers.InputRange
		if isMCP9601 {
			f |= drivers.OpenCircuit
		}
	}
	if status&shorted != 0 && isMCP9601 {
		f |= drivers.ShortToGround
	}
	return f
}

// fetch reads hot and cold junction into d.last and d.lastAux.
func (d *Dev) fetch() error {
	const doing = "reading the temperature"
	first, err := d.link.Word(regHot)
	if err != nil {
		return d.link.Fail(doing, err)
	}
	cold, err := d.link.Word(regCold)
	if err != nil {
		return d.link.Fail(doing, err)
	}
	hot, err := d.link.Word(regHot)
	if err != nil {
		return d.link.Fail(doing, err)
	}
	if hot != first {
		// A new conversion in between, or a disturbance.
		if first, err = d.link.Word(regHot); err != nil {
			return d.link.Fail(doing, err)
		}
	}
	code := int16(hot)
	if hot != first || code < lowest || code > highest {
		return d.link.Silent(doing, fmt.Sprintf("two readings in a row differ or are no temperature: %04Xh, %04Xh", first, hot))
	}
	if hot == 0xFFFF || cold == 0xFFFF {
		if err := d.identify(); err != nil {
			return err
		}
	}
	d.last, d.lastAux = code, int16(cold)
	return nil
}

// Close implements drivers.Source: it puts the chip to sleep.
func (d *Dev) Close() error {
	if d.started {
		// The chip may be gone; nothing is lost if it stays awake.
		_ = d.link.SetByte(regDevice, d.want[1]|sleeping)
	}
	d.started = false
	return d.link.Close()
}
