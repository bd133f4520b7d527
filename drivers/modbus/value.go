package modbus

import (
	"encoding/binary"
	"math"
	"strings"
)

// format is how a number lies in its registers.
type format uint8

const (
	u16 format = iota
	s16
	u32
	s32
	f32
	f64
)

var formatNames = [...]string{"u16", "s16", "u32", "s32", "f32", "f64"}

// formats lists them for messages.
func formats() string { return strings.Join(formatNames[:], ", ") }

// registers is how many registers the number fills.
func (f format) registers() uint16 {
	switch f {
	case u16, s16:
		return 1
	case f64:
		return 4
	}
	return 2
}

// whole tells whether the number has no fraction.
func (f format) whole() bool { return f < f32 }

// order is how an instrument's registers differ from the specification's order,
// the highest byte first.
type order struct {
	lowFirst bool // the lowest register comes first
	swapped  bool // the low byte of a register comes first, against V1.1b3 section 4.2
}

// decode reads the number.
func (f format) decode(b []byte, o order) float64 {
	n := int(f.registers())
	var v uint64
	for i := range n {
		at := 2 * i
		if o.lowFirst {
			at = 2 * (n - 1 - i)
		}
		r := binary.BigEndian.Uint16(b[at:])
		if o.swapped {
			r = r>>8 | r<<8
		}
		v = v<<16 | uint64(r)
	}
	switch f {
	case s16:
		return float64(int16(v))
	case s32:
		return float64(int32(v))
	case f32:
		return float64(math.Float32frombits(uint32(v)))
	case f64:
		return math.Float64frombits(v)
	}
	return float64(v)
}

// rails are the ends of a 16-bit number, where meters go when they are over
// range. 0 is no rail of an unsigned number: meters send it at rest, so the
// lower end is put where no reading can be. Wider numbers have no rails.
func (f format) rails() (lo, hi float64) {
	switch f {
	case u16:
		return -1, math.MaxUint16
	case s16:
		return math.MinInt16, math.MaxInt16
	}
	return 0, 0
}
