package main

import (
	"fmt"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/i2c"
)

// From linux/i2c-dev.h and linux/i2c.h.
const (
	i2cRetries  = 0x701
	i2cTimeout  = 0x702
	i2cSlave    = 0x703
	i2cFuncs    = 0x705
	i2cForce    = 0x706
	i2cRdwr     = 0x707
	i2cFuncI2C  = 1
	i2cRead     = 1
	i2cMessages = 42 // most in one call
)

// i2cHandle is an opening of /dev/i2c-N on an emulated bus.
type i2cHandle struct {
	bus   i2c.Bus
	slave uint16
}

func (h *i2cHandle) read(b []byte) error  { return h.bus.Tx(h.slave, nil, b) }
func (h *i2cHandle) write(b []byte) error { return h.bus.Tx(h.slave, b, nil) }

func (h *i2cHandle) ioctl(c *call) (int32, error) {
	switch c.cmd {
	case i2cRetries, i2cTimeout:
		return 0, nil
	case i2cSlave, i2cForce:
		h.slave = uint16(c.arg)
		return 0, nil
	case i2cFuncs:
		le.PutUint64(c.give(c.arg, 8), i2cFuncI2C)
		return 0, nil
	case i2cRdwr:
		return h.transfer(c)
	}
	return 0, unix.ENOTTY
}

// message is struct i2c_msg.
type message struct {
	addr uint16
	read bool
	data []byte
}

func (h *i2cHandle) transfer(c *call) (int32, error) {
	head := c.fetch(c.arg, 16)
	count := uint64(le.Uint32(head[8:]))
	if count > i2cMessages {
		return 0, fmt.Errorf("%d messages: %w", count, unix.EINVAL)
	}
	list := c.fetch(le.Uint64(head), 16*count)
	if c.missing {
		return 0, nil
	}
	room := uint64(0)
	for i := range count {
		room += uint64(le.Uint16(list[16*i+4:]))
	}
	c.reserve(room)
	msgs := make([]message, count)
	for i := range msgs {
		m := list[16*i:]
		n, at := uint64(le.Uint16(m[4:])), le.Uint64(m[8:])
		msgs[i] = message{addr: le.Uint16(m), read: le.Uint16(m[2:])&i2cRead != 0}
		if msgs[i].read {
			msgs[i].data = c.give(at, n)
		} else {
			msgs[i].data = c.fetch(at, n)
		}
	}
	if c.missing {
		return 0, nil
	}
	for i := 0; i < len(msgs); i++ {
		m := msgs[i]
		var err error
		switch {
		case m.read:
			err = h.bus.Tx(m.addr, nil, m.data)
		case i+1 < len(msgs) && msgs[i+1].read && msgs[i+1].addr == m.addr:
			err = h.bus.Tx(m.addr, m.data, msgs[i+1].data) // a repeated start between them
			i++
		default:
			err = h.bus.Tx(m.addr, m.data, nil)
		}
		if err != nil {
			return 0, err
		}
	}
	return int32(count), nil
}
