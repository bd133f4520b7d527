package mcp3208

import (
	"context"
	"fmt"
	"math"
	"math/bits"
	"time"

	"periph.io/x/conn/v3/spi"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
)

// acquired is the clock of a frame, counted from its start bit's byte, at which
// the input has been taken: start bit 5, and five clocks after it (figure 5-1).
const acquired = 11

// answer is the length of a frame in bytes: three hold the conversion, and two
// more its bits once again, from the second lowest upwards (figure 5-1: "LSB
// first data"). The chip has no checksum; this is as good as one.
const answer = 5

// intact tells whether a frame says the same code twice and then zeros.
func intact(r []byte, code uint16) bool {
	return uint16(r[3])<<8|uint16(r[4]) == bits.Reverse16(code)<<1
}

// retryAfter is when a spoilt batch is taken again. A waveform should not miss a
// whole batch.
const retryAfter = time.Millisecond

// Dev is one MCP3208. It implements drivers.Source.
type Dev struct {
	clock    clock.Clock
	info     []drivers.Input
	channels []byte
	wave     int     // index of the waveform input, -1 none
	hz       float64 // SPI clock

	// One batch. A packet is a frame of idle bytes and the five of a conversion, but
	// longer or shorter where the samples are moved or another input comes between.
	waves   int     // samples of the waveform input
	slow    []uint8 // indices of the slow inputs
	frame   int     // bytes
	stagger bool
	block   int // of the stagger's sequence
	bit     int // in its first byte with which a conversion now begins, 0 to 7
	tx, rx  []byte
	packets []spi.Packet
	slots   []slot  // of packets
	bytes   int     // of packets
	byte    float64 // ns, as asked for

	link    bus.SPI
	started bool
	slowDue time.Duration
	spacing float64 // ns of a byte as measured, see measure
}

// slot is what a packet holds: a conversion of an input that begins with bit shift
// of byte from.
type slot struct {
	input, shift uint8
	from         int
}

var _ drivers.Source = (*Dev)(nil)

// String implements drivers.Source.
func (d *Dev) String() string { return d.link.Device }

// Inputs implements drivers.Source.
func (d *Dev) Inputs() []drivers.Input { return d.info }

// Start implements drivers.Source. All eight channels must answer with a null
// bit in its place.
func (d *Dev) Start(ctx context.Context) error {
	d.started, d.spacing = false, 0
	if err := d.link.Begin(ctx); err != nil {
		return err
	}
	bad, ones := 0, 0
	for ch := range byte(8) {
		w, r := [3]byte{0x06 | ch>>2, ch << 6}, [3]byte{}
		if err := d.link.Conn.Tx(w[:], r[:]); err != nil {
			return d.link.Fail("identifying", err)
		}
		if r[1]&0x10 != 0 {
			bad++
		}
		if r == [3]byte{0xFF, 0xFF, 0xFF} {
			ones++
		}
	}
	switch {
	case ones == 8:
		return d.link.Silent("identifying", bus.StaysHigh)
	case bad > 2:
		return d.link.Wrong("identifying", fmt.Sprintf("%d of 8 answers lack the null bit", bad))
	}
	d.started = true
	d.slowDue = d.clock.Now()
	d.link.OK()
	return nil
}

// Read implements drivers.Source: one batch.
func (d *Dev) Read(ctx context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	start := d.clock.Now()
	if err := ctx.Err(); err != nil {
		return 0, start, err
	}
	if !d.started {
		return 0, start, d.link.Idle()
	}
	slow := start >= d.slowDue
	if d.waves == 0 && !slow {
		return 0, d.slowDue, nil
	}
	d.layOut(slow)
	n := len(d.packets)
	if err := d.link.Conn.TxPackets(d.packets); err != nil {
		return 0, d.clock.Now() + retryAfter, d.link.Fail("sampling", err)
	}
	end := d.clock.Now()
	perByte := d.measure(start, end, d.bytes)
	bytes := 0
	framing, ones := 0, 0
	for i := range n {
		r, slot := d.packets[i].R, d.slots[i]
		at := time.Duration((float64(bytes+slot.from) + float64(slot.shift+acquired)/8) * perByte)
		bytes += len(r)
		r = r[slot.from:]
		if s := slot.shift; s != 0 {
			for k := range answer {
				r[k] = r[k]<<s | r[k+1]>>(8-s)
			}
		}
		raw := uint16(r[1]&0x0F)<<8 | uint16(r[2])
		var fault drivers.Fault
		if raw == 0 || raw == 4095 {
			fault = drivers.Clipped
		}
		if r[1]&0x10 != 0 || !intact(r, raw) {
			fault |= drivers.Framing
			framing++
			if raw == 4095 {
				ones++
			}
		}
		dst[i] = drivers.Sample{
			At: start + at, Raw: float64(raw), Aux: math.NaN(),
			Input: slot.input, Fault: fault,
		}
	}
	next := max(end, start+time.Duration(float64(d.bytes)*d.byte))
	if slow {
		d.slowDue = max(d.slowDue+slowEvery, start)
	}
	if d.waves == 0 {
		next = d.slowDue
	}
	if ones == n {
		return 0, next, d.link.Silent("sampling", bus.StaysHigh)
	}
	if framing*2 > n {
		return 0, next, d.link.Wrong("sampling", fmt.Sprintf("%d of %d answers break the rules of an MCP3208", framing, n))
	}
	d.link.OK()
	return n, next, nil
}

// measure gives the ns that a byte takes of those sent. A controller never clocks
// faster than asked, but leaves gaps; and the time measured around the call holds
// waits of the scheduler, which only make it longer. So the shortest of late is the
// truth, slowly forgotten.
func (d *Dev) measure(start, end time.Duration, sent int) float64 {
	s := max(float64(end-start)/float64(sent), d.byte)
	if d.spacing != 0 && d.waves > 0 {
		s = min(s, d.spacing*1.001)
	}
	d.spacing = s
	return s
}

// Close implements drivers.Source.
func (d *Dev) Close() error {
	d.started = false
	return d.link.Close()
}
