package modbus

import (
	"encoding/binary"
	"math"
)

// format is how a number lies in its registers.
type format uint8

const (
	u16 format = iota
	s16
	u32
	s32
	f32
	formats = "u16, s16, u32, s32, f32"
)

var formatNames = [...]string{"u16", "s16", "u32", "s32", "f32"}

// registers is how many registers the number fills.
func (f format) registers() uint16 {
	if f <= s16 {
		return 1
	}
	return 2
}

// decode reads the number. Bytes within a register are always the high one
// first; little means that the low register comes first.
func (f format) decode(b []byte, little bool) float64 {
	if f <= s16 {
		v := binary.BigEndian.Uint16(b)
		if f == s16 {
			return float64(int16(v))
		}
		return float64(v)
	}
	high, low := binary.BigEndian.Uint16(b), binary.BigEndian.Uint16(b[2:])
	if little {
		high, low = low, high
	}
	v := uint32(high)<<16 | uint32(low)
	switch f {
	case s32:
		return float64(int32(v))
	case f32:
		return float64(math.Float32frombits(v))
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
