package emulated

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"sync"
	"syscall"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

// I2CChip is a model that answers to one address of an I²C bus.
type I2CChip interface {
	// Tx is one transaction addressed to the chip: w written, then r read.
	// Its error is what the kernel would return.
	Tx(w, r []byte) error
}

// SPIChip is a model on one chip select of an SPI port.
type SPIChip interface {
	// Modes lists the SPI modes in which the chip understands the master.
	Modes() []spi.Mode
	// Transfer is one stretch of chip select low beginning at time at with a
	// clock period of bit. w and r have the same length. It can not fail: the
	// master clocks bits in whether or not anything is there.
	Transfer(at, bit time.Duration, w, r []byte)
}

// Board is a computer with buses and pins on which models sit. It implements
// drivers.Ports. Add everything before use; after that it may be used from
// several goroutines.
type Board struct {
	// BusTime makes an SPI transaction of 1 ms or more take its time on the
	// clock, as the kernel's call does; then only goroutines of the clock may
	// use such transactions. NewBoard sets it. I²C transactions take no time.
	BusTime bool

	clock clock.Clock
	i2c   map[string]*i2cBus
	spi   map[string]SPIChip
	pins  map[string]*Pin
}

var _ drivers.Ports = (*Board)(nil)

// NewBoard returns a board without buses that runs on c.
func NewBoard(c clock.Clock) *Board {
	return &Board{
		BusTime: true, clock: c,
		i2c: map[string]*i2cBus{}, spi: map[string]SPIChip{}, pins: map[string]*Pin{},
	}
}

// AddI2C puts a chip at a 7-bit address of a bus ("/dev/i2c-1"), making the
// bus if it is new. A nil chip makes the bus only. It replaces what was there.
func (b *Board) AddI2C(bus string, addr uint16, chip I2CChip) {
	u := b.i2c[bus]
	if u == nil {
		u = &i2cBus{name: bus, clock: b.clock, chips: map[uint16]I2CChip{}}
		b.i2c[bus] = u
	}
	if chip != nil {
		u.chips[addr] = chip
	}
}

// AddSPI puts a chip on a port with its chip select ("/dev/spidev0.0").
func (b *Board) AddSPI(port string, chip SPIChip) { b.spi[port] = chip }

// AddPin makes a GPIO line ("GPIO18") at low level.
func (b *Board) AddPin(name string) *Pin {
	p := &Pin{name: name, number: len(b.pins), clock: b.clock}
	b.pins[name] = p
	return p
}

// I2C implements drivers.Ports.
func (b *Board) I2C(name string) (i2c.BusCloser, error) {
	if u := b.i2c[name]; u != nil {
		return u, nil
	}
	return nil, &fs.PathError{Op: "open", Path: name, Err: syscall.ENOENT}
}

// SPI implements drivers.Ports.
func (b *Board) SPI(name string) (spi.PortCloser, error) {
	chip := b.spi[name]
	if chip == nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: syscall.ENOENT}
	}
	return &spiPort{name: name, chip: chip, clock: b.clock, busTime: b.BusTime}, nil
}

// Pin implements drivers.Ports.
func (b *Board) Pin(name string) (gpio.PinIO, error) {
	if p := b.pins[name]; p != nil {
		return p, nil
	}
	return nil, &fs.PathError{Op: "open", Path: name, Err: syscall.ENOENT}
}

type i2cBus struct {
	name  string
	clock clock.Clock
	mu    sync.Mutex
	chips map[uint16]I2CChip
}

func (u *i2cBus) String() string                  { return u.name }
func (u *i2cBus) Close() error                    { return nil }
func (u *i2cBus) SetSpeed(physic.Frequency) error { return nil }

// Tx implements i2c.Bus. Address 0 is the general call: every chip hears it.
func (u *i2cBus) Tx(addr uint16, w, r []byte) error {
	u.mu.Lock()
	late := u.chips[addr]
	u.mu.Unlock()
	wait(u.clock, late)
	u.mu.Lock()
	defer u.mu.Unlock()
	if addr == 0 {
		for _, c := range u.chips {
			if g, ok := c.(interface{ generalCall(w []byte) }); ok {
				g.generalCall(w)
			}
		}
		return nil
	}
	for _, c := range u.chips {
		// One chip that holds the data line low stops the whole bus.
		if s, ok := c.(interface{ holdsBus() bool }); ok && s.holdsBus() {
			return syscall.ETIMEDOUT
		}
	}
	c := u.chips[addr]
	if c == nil {
		return syscall.EREMOTEIO // no acknowledge
	}
	return c.Tx(w, r)
}

type spiPort struct {
	name    string
	chip    SPIChip
	clock   clock.Clock
	busTime bool
	limit   physic.Frequency
	conn    *spiConn
}

func (p *spiPort) String() string { return p.name }
func (p *spiPort) Close() error   { return nil }

// LimitSpeed implements spi.PortCloser.
func (p *spiPort) LimitSpeed(f physic.Frequency) error {
	p.limit = f
	return nil
}

// Connect implements spi.Port; like the kernel's port it may be called once.
func (p *spiPort) Connect(f physic.Frequency, mode spi.Mode, bits int) (spi.Conn, error) {
	if p.conn != nil {
		return nil, errors.New("emulated: Connect can only be called once")
	}
	if f < 100*physic.Hertz || bits != 8 {
		return nil, fmt.Errorf("emulated: %v with %d bits is not supported", f, bits)
	}
	if p.limit != 0 && p.limit < f {
		f = p.limit
	}
	known := false
	for _, m := range p.chip.Modes() {
		known = known || m == mode&spi.Mode3
	}
	p.conn = &spiConn{port: p, hz: int64(f / physic.Hertz), wrongMode: !known}
	return p.conn, nil
}

// spiBuffer is spidev's default limit for one call, bytes.
const spiBuffer = 4096

// spiPackets is the most packets that fit in the size field of spidev's ioctl:
// (2^14 - 1) / 32 bytes.
const spiPackets = 511

type spiConn struct {
	port      *spiPort
	hz        int64
	wrongMode bool
	one       [1]spi.Packet
	zeros     [spiBuffer]byte // what goes out when only reading
	sink      [spiBuffer]byte // where replies to write-only packets go
	joinW     []byte          // packets joined by KeepCS
	joinR     []byte
}

func (c *spiConn) String() string      { return c.port.name }
func (c *spiConn) Duplex() conn.Duplex { return conn.Full }
func (c *spiConn) MaxTxSize() int      { return spiBuffer }

// Tx implements conn.Conn.
func (c *spiConn) Tx(w, r []byte) error {
	c.one[0] = spi.Packet{W: w, R: r}
	return c.TxPackets(c.one[:])
}

// TxPackets implements spi.Conn. Packet i begins when the clock pulses of those
// before it have passed; chip select takes no time.
func (c *spiConn) TxPackets(packets []spi.Packet) error {
	total := 0
	for i := range packets {
		w, r := len(packets[i].W), len(packets[i].R)
		if w != 0 && r != 0 && w != r {
			return syscall.EINVAL
		}
		total += max(w, r)
	}
	if total == 0 || total > spiBuffer || len(packets) > spiPackets {
		return syscall.EMSGSIZE
	}
	wait(c.port.clock, c.port.chip)
	if f, ok := c.port.chip.(interface{ refuses() bool }); ok && f.refuses() {
		return syscall.EIO
	}
	t0 := c.port.clock.Now()
	bit := time.Duration(1e9 / c.hz)
	sent := int64(0) // bits
	perBit := 1e9 / float64(c.hz)
	for i := 0; i < len(packets); {
		at := t0 + time.Duration(float64(sent)*perBit)
		last := i
		for last < len(packets)-1 && packets[last].KeepCS {
			last++
		}
		sent += 8 * int64(c.stretch(at, bit, packets[i:last+1]))
		i = last + 1
	}
	if d := time.Duration(float64(sent) * perBit); c.port.busTime && d >= time.Millisecond {
		return c.port.clock.SleepUntil(context.Background(), t0+d)
	}
	return nil
}

// stretch is one stretch of chip select low; it returns the bytes moved.
func (c *spiConn) stretch(at, bit time.Duration, ps []spi.Packet) int {
	if len(ps) == 1 {
		w, r := ps[0].W, ps[0].R
		if len(w) == 0 {
			w = c.zeros[:len(r)]
		}
		if len(r) == 0 {
			r = c.sink[:len(w)]
		}
		c.transfer(at, bit, w, r)
		return len(w)
	}
	c.joinW, c.joinR = c.joinW[:0], c.joinR[:0]
	for _, p := range ps {
		if len(p.W) != 0 {
			c.joinW = append(c.joinW, p.W...)
		} else {
			c.joinW = append(c.joinW, c.zeros[:len(p.R)]...)
		}
	}
	c.joinR = append(c.joinR, c.sink[:len(c.joinW)]...)
	c.transfer(at, bit, c.joinW, c.joinR)
	k := 0
	for _, p := range ps {
		copy(p.R, c.joinR[k:])
		k += max(len(p.W), len(p.R))
	}
	return len(c.joinW)
}

func (c *spiConn) transfer(at, bit time.Duration, w, r []byte) {
	c.port.chip.Transfer(at, bit, w, r)
	if c.wrongMode {
		// Sampled on the wrong clock edge everything comes one bit late.
		carry := byte(1)
		for i := range r {
			r[i], carry = carry<<7|r[i]>>1, r[i]&1
		}
	}
}
