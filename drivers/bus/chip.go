package bus

import (
	"context"
	"fmt"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers"
)

// I2C is a chip on an I²C bus, with registers of one and two bytes, the high one
// first. A transfer allocates nothing.
type I2C struct {
	Link
	Ports drivers.Ports
	Name  string // of the bus, "/dev/i2c-1"
	Addr  uint16

	bus    i2c.BusCloser // nil: not open
	closed bool
	w      [3]byte
	r      [2]byte
}

// Begin is how each Start begins: it opens the bus if that is not open.
func (c *I2C) Begin(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if c.closed {
		return c.Idle()
	}
	c.Reset()
	if c.bus == nil {
		b, err := c.Ports.I2C(c.Name)
		if err != nil {
			return c.Open(err)
		}
		c.bus = b
	}
	return nil
}

// Byte reads a register.
func (c *I2C) Byte(reg byte) (byte, error) {
	c.w[0] = reg
	err := c.bus.Tx(c.Addr, c.w[:1], c.r[:1])
	return c.r[0], err
}

// Word reads a register of two bytes.
func (c *I2C) Word(reg byte) (uint16, error) {
	c.w[0] = reg
	err := c.bus.Tx(c.Addr, c.w[:1], c.r[:])
	return uint16(c.r[0])<<8 | uint16(c.r[1]), err
}

// SetByte writes a register.
func (c *I2C) SetByte(reg, v byte) error {
	c.w[0], c.w[1] = reg, v
	return c.bus.Tx(c.Addr, c.w[:2], nil)
}

// SetWord writes a register of two bytes.
func (c *I2C) SetWord(reg byte, v uint16) error {
	c.w = [3]byte{reg, byte(v >> 8), byte(v)}
	return c.bus.Tx(c.Addr, c.w[:], nil)
}

// Close gives the bus back for good. A second Close does nothing.
func (c *I2C) Close() error {
	c.closed = true
	if c.bus == nil {
		return nil
	}
	b := c.bus
	c.bus = nil
	if err := b.Close(); err != nil {
		return fmt.Errorf("%s: closing the bus: %w", c.Device, err)
	}
	return nil
}

// SPI is a chip on an SPI port.
type SPI struct {
	Link
	Ports drivers.Ports
	Name  string // of the port, "/dev/spidev0.0"
	Mode  spi.Mode
	Speed physic.Frequency
	Conn  spi.Conn // while the port is open

	port   spi.PortCloser
	closed bool
}

// Begin is how each Start begins: it opens the port anew, since one can be
// connected once only.
func (c *SPI) Begin(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if c.closed {
		return c.Idle()
	}
	c.Reset()
	if c.port != nil {
		_ = c.port.Close() // it is opened again at once
		c.port = nil
	}
	p, err := c.Ports.SPI(c.Name)
	if err != nil {
		return c.Open(err)
	}
	c.port = p
	if c.Conn, err = p.Connect(c.Speed, c.Mode, 8); err != nil {
		return c.Fail("setting up the port", err)
	}
	return nil
}

// Close gives the port back for good. A second Close does nothing.
func (c *SPI) Close() error {
	c.closed = true
	if c.port == nil {
		return nil
	}
	p := c.port
	c.port, c.Conn = nil, nil
	if err := p.Close(); err != nil {
		return fmt.Errorf("%s: closing the port: %w", c.Device, err)
	}
	return nil
}
