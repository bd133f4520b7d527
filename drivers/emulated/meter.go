package emulated

import (
	"encoding/binary"
	"math"
	"time"

	"tipoff/drivers/clock"
)

// Meter is an instrument that answers Modbus requests for one register, for the
// far end of a drivers/serialport/wire line.
type Meter struct {
	Faults
	Unit     byte
	TCP      bool // frames of Modbus TCP instead of RTU
	Register uint16
	// Value is the register's content at a time.
	Value func(at time.Duration) float64

	clock clock.Clock
	last  uint16
	reply [16]byte
}

// NewMeter makes a meter of unit 1 that shows register 0.
func NewMeter(c clock.Clock, tcp bool) *Meter { return &Meter{Unit: 1, TCP: tcp, clock: c} }

// Answer is what the meter sends when it hears q; nothing if it does not
// understand. It fits wire.Line.Answer. The bytes are valid until the next.
func (m *Meter) Answer(q []byte) []byte {
	r := m.reply[:0]
	switch {
	case m.is(absent) || m.refuses():
		return nil
	case m.is(busLow):
		return append(r, 0, 0, 0, 0, 0, 0, 0) // a break is read as zero bytes
	}
	if m.TCP {
		if len(q) != 12 {
			return nil
		}
		r = append(append(r, q[:4]...), 0, 0) // the length comes at the end
		q = q[6:]
	} else {
		if len(q) != 8 || crc16(q) != 0 {
			return nil
		}
		q = q[:6]
	}
	if q[0] != m.Unit || q[1] != 3 && q[1] != 4 {
		return nil
	}
	r = append(r, m.Unit)
	if m.is(otherChip) || binary.BigEndian.Uint16(q[2:]) != m.Register || binary.BigEndian.Uint16(q[4:]) != 1 {
		r = append(r, q[1]|0x80, 2) // illegal data address
	} else {
		r = binary.BigEndian.AppendUint16(append(r, q[1], 2), m.code())
	}
	if m.TCP { // a network's own checksums leave no turned bits
		r[5] = byte(len(r) - 6)
		return r
	}
	r = binary.LittleEndian.AppendUint16(r, crc16(r))
	m.noise(r)
	return r
}

func (m *Meter) code() uint16 {
	if !m.is(frozen) {
		m.last = uint16(int16(math.Round(m.Value(m.clock.Now()))))
	}
	return m.last
}

// crc16 is the check sum of the serial line specification, section 6.2.2; over a
// frame with its check sum it is 0.
func crc16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			odd := crc & 1
			crc >>= 1
			if odd != 0 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}
