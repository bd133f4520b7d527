package bus

import (
	"context"
	"errors"
	"io/fs"
	"syscall"
	"testing"

	"periph.io/x/conn/v3/conntest"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/conn/v3/spi/spitest"

	"tipoff/drivers"
)

// ports gives the buses that it has and counts how often it was asked.
type ports struct {
	i2c   i2c.BusCloser
	spi   func() spi.PortCloser
	err   error
	asked int
}

func (p *ports) I2C(string) (i2c.BusCloser, error) {
	p.asked++
	return p.i2c, p.err
}

func (p *ports) SPI(string) (spi.PortCloser, error) {
	p.asked++
	if p.err != nil {
		return nil, p.err
	}
	return p.spi(), nil
}
func (*ports) Pin(string) (gpio.PinIO, error) { return nil, fs.ErrNotExist }

var ctx = context.Background()

func ended() context.Context {
	c, cancel := context.WithCancel(ctx)
	cancel()
	return c
}

// Registers as I²C has them: their number is written, then read or written on,
// the high byte first. The bus is opened once, and again only by another chip.
func TestI2C(t *testing.T) {
	play := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
		{Addr: 0x48, W: []byte{1}, R: []byte{0x85, 0x83}}, {Addr: 0x48, W: []byte{4}, R: []byte{0x40}},
		{Addr: 0x48, W: []byte{2, 0x80, 0x01}}, {Addr: 0x48, W: []byte{5, 0x20}},
	}}
	p := &ports{i2c: play}
	c := &I2C{Link: Link{Device: "chip", I2C: true}, Ports: p, Name: "/dev/i2c-1", Addr: 0x48}
	for range 2 {
		if err := c.Begin(ctx); err != nil {
			t.Fatal(err)
		}
	}
	w, err1 := c.Word(1)
	b, err2 := c.Byte(4)
	if err := errors.Join(err1, err2, c.SetWord(2, 0x8001), c.SetByte(5, 0x20)); err != nil || w != 0x8583 || b != 0x40 {
		t.Errorf("%04X, %02X, %v", w, b, err)
	}
	if p.asked != 1 {
		t.Errorf("the bus was opened %d times", p.asked)
	}
	if err := c.Begin(ended()); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	for range 2 {
		if err := c.Close(); err != nil {
			t.Error(err)
		}
	}
	if err := c.Begin(ctx); !errors.Is(err, drivers.Transient) || p.asked != 1 {
		t.Errorf("after Close: %v, opened %d times", err, p.asked)
	}
}

func TestNoSuchBus(t *testing.T) {
	p := &ports{err: &fs.PathError{Op: "open", Path: "x", Err: syscall.ENOENT}}
	a, b := &I2C{Ports: p}, &SPI{Ports: p}
	for _, err := range []error{a.Begin(ctx), b.Begin(ctx)} {
		if !errors.Is(err, drivers.BusDisabled) || drivers.HintOf(err) == "" {
			t.Errorf("%v, want %v", err, drivers.BusDisabled)
		}
	}
	for _, err := range []error{a.Close(), b.Close()} {
		if err != nil {
			t.Errorf("closing what was never open: %v", err)
		}
	}
}

// A port is opened anew at each start, since it can be connected once only.
func TestSPI(t *testing.T) {
	opened, closed := 0, 0
	p := &ports{spi: func() spi.PortCloser {
		opened++
		return &counted{Playback: spitest.Playback{Playback: conntest.Playback{DontPanic: true}}, closed: &closed}
	}}
	c := &SPI{Link: Link{Device: "chip"}, Ports: p, Name: "/dev/spidev0.0", Mode: spi.Mode1, Speed: physic.MegaHertz}
	for n := range 3 {
		if err := c.Begin(ctx); err != nil || c.Conn == nil || opened != n+1 || closed != n {
			t.Errorf("start %d: %v, opened %d times, closed %d", n+1, err, opened, closed)
		}
	}
	if err := c.Begin(ended()); !errors.Is(err, context.Canceled) || opened != 3 {
		t.Errorf("cancelled: %v", err)
	}
	for range 2 {
		if err := c.Close(); err != nil || closed != 3 || c.Conn != nil {
			t.Errorf("%v, closed %d times", err, closed)
		}
	}
	if err := c.Begin(ctx); !errors.Is(err, drivers.Transient) || opened != 3 {
		t.Errorf("after Close: %v", err)
	}
}

type counted struct {
	spitest.Playback
	closed *int
}

func (c *counted) Close() error { *c.closed++; return c.Playback.Close() }
