package main

import (
	"time"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
)

// From linux/spi/spidev.h: the number of each request, without its direction
// and size.
const (
	spiMagic   = 'k' << 8
	spiMessage = 0
	spiMode    = 1
	spiLSB     = 2
	spiBits    = 3
	spiSpeed   = 4
	spiMode32  = 5

	sizeOfTransfer = 32 // struct spi_ioc_transfer
	spiBuffer      = 4096
)

// spiHandle is an opening of /dev/spidevN.M on an emulated chip select. Mode,
// speed and word length are the device's own and outlive it, as in the kernel.
type spiHandle struct{ dev *spiDevice }

// spiDevice is a chip on a board of its own, whose clock stands at the begin of
// the transfer under way: a bus begins when it is asked to, while the kernel
// takes a few turns to bring the caller's memory here.
type spiDevice struct {
	board *emulated.Board
	clock *held
	port  string
	mode  byte
	bits  byte
	speed uint32 // Hz

	// The emulated port takes mode and speed once: it is connected anew when
	// they change.
	conn spi.Conn
	as   [2]uint32
}

// held is a clock that stands still while at is not 0.
type held struct {
	clock.System
	at time.Duration
}

// Now implements clock.Clock.
func (h *held) Now() time.Duration {
	if h.at != 0 {
		return h.at
	}
	return h.System.Now()
}

func newSPI(port string, chip emulated.SPIChip) *spiDevice {
	c := &held{}
	b := emulated.NewBoard(c)
	b.BusTime = false // send takes the time
	b.AddSPI(port, chip)
	return &spiDevice{board: b, clock: c, port: port, bits: 8, speed: 500_000}
}

func (h *spiHandle) read(b []byte) error {
	return h.dev.send(h.dev.speed, []spi.Packet{{R: b}})
}

func (h *spiHandle) write(b []byte) error {
	return h.dev.send(h.dev.speed, []spi.Packet{{W: b}})
}

// send carries out a transfer and lasts as long as the bus would.
func (d *spiDevice) send(hz uint32, ps []spi.Packet) error {
	if as := [2]uint32{uint32(d.mode & 3), hz}; d.conn == nil || as != d.as {
		p, err := d.board.SPI(d.port)
		if err != nil {
			return err
		}
		c, err := p.Connect(physic.Frequency(hz)*physic.Hertz, spi.Mode(d.mode&3), int(d.bits))
		if err != nil {
			return unix.EINVAL
		}
		d.conn, d.as = c, as
	}
	if err := d.conn.TxPackets(ps); err != nil {
		return err
	}
	total := 0
	for _, p := range ps {
		total += max(len(p.W), len(p.R))
	}
	begun := d.clock.Now()
	d.clock.at = 0
	time.Sleep(begun + time.Duration(total)*8*time.Second/time.Duration(hz) - d.clock.Now())
	return nil
}

func (h *spiHandle) ioctl(c *call) (int32, error) {
	d := h.dev
	if c.cmd&0xFF00 != spiMagic {
		return 0, unix.ENOTTY
	}
	size, write := uint64(c.cmd>>16&0x3FFF), c.cmd>>30 == 1
	number := c.cmd & 0xFF
	if number == spiMessage && write {
		return h.message(c, size)
	}
	if size != 1 && size != 4 {
		return 0, unix.ENOTTY
	}
	if !write {
		out := c.give(c.arg, size)
		switch number {
		case spiMode, spiMode32:
			out[0] = d.mode
		case spiBits:
			out[0] = d.bits
		case spiSpeed:
			le.PutUint32(out, d.speed)
		}
		return 0, nil
	}
	in := c.fetch(c.arg, size)
	if c.missing {
		return 0, nil
	}
	switch number {
	case spiMode, spiMode32:
		d.mode = in[0]
	case spiBits:
		d.bits = in[0]
	case spiSpeed:
		d.speed = le.Uint32(in)
	case spiLSB:
	default:
		return 0, unix.ENOTTY
	}
	return 0, nil
}

// message is SPI_IOC_MESSAGE(size / 32).
func (h *spiHandle) message(c *call, size uint64) (int32, error) {
	if size == 0 || size%sizeOfTransfer != 0 {
		return 0, unix.EINVAL
	}
	if h.dev.clock.at == 0 {
		h.dev.clock.at = h.dev.clock.Now()
	}
	list := c.fetch(c.arg, size)
	if c.missing {
		return 0, nil
	}
	// Whatever comes of it, the next transfer begins afresh.
	defer func() {
		if !c.missing {
			h.dev.clock.at = 0
		}
	}()
	c.reserve(spiBuffer)
	ps := make([]spi.Packet, size/sizeOfTransfer)
	total, hz := 0, h.dev.speed
	for i := range ps {
		t := list[i*sizeOfTransfer:]
		tx, rx, n := le.Uint64(t), le.Uint64(t[8:]), uint64(le.Uint32(t[16:]))
		if total += int(n); total > spiBuffer {
			return 0, unix.EMSGSIZE
		}
		if s := le.Uint32(t[20:]); s != 0 {
			hz = s
		}
		if bits := t[26]; bits != 0 && bits != 8 {
			return 0, unix.EINVAL // no chip here has other words
		}
		if tx != 0 {
			ps[i].W = c.fetch(tx, n)
		}
		if rx != 0 {
			ps[i].R = c.give(rx, n)
		}
		// cs_change lifts the chip select after a transfer, but keeps it low
		// after the last.
		ps[i].KeepCS = (t[27] == 0) == (i < len(ps)-1)
	}
	if c.missing {
		return 0, nil
	}
	return int32(total), h.dev.send(hz, ps)
}
