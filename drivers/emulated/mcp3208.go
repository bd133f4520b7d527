package emulated

import (
	"math/bits"
	"time"

	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/clock"
)

// MCP3208 is a model of the 12-bit converter with eight inputs (Microchip
// DS21298). It has no registers: a conversion is its transaction.
type MCP3208 struct {
	Faults

	// Input gives the volts of CH0..CH7 against ground at time t; nil is 0 V.
	Input [8]func(t time.Duration) float64

	// Vref is the reference in volts.
	Vref float64

	held [8]uint16 // last codes, for Freeze
}

// NewMCP3208 returns a chip with a reference of vref volts.
func NewMCP3208(_ clock.Clock, vref float64) *MCP3208 { return &MCP3208{Vref: vref} }

// Modes implements [SPIChip].
func (*MCP3208) Modes() []spi.Mode { return []spi.Mode{spi.Mode0, spi.Mode3} }

// LoseConfig does nothing: the chip has no settings.
func (*MCP3208) LoseConfig() {}

// acquired is how many clocks after the start bit began the input has been
// taken: the sample ends with the fifth clock after the start bit.
const acquired = 6

// Transfer implements [SPIChip] (DS21298E figures 5-1 and 6-1).
func (m *MCP3208) Transfer(at, bit time.Duration, w, r []byte) {
	if m.spi(r) {
		return
	}
	k := 0
	for k < len(w) && w[k] == 0 {
		r[k] = 0xFF // the output floats until the null bit; the line is pulled up
		k++
	}
	if k == len(w) {
		return
	}
	z := bits.LeadingZeros8(w[k]) // start bit's place in byte k
	word := uint32(w[k]) << 16
	if k+1 < len(w) {
		word |= uint32(w[k+1]) << 8
	}
	control := word >> (24 - z - 5) & 15
	code := m.sample(control, at+time.Duration(8*k+z+acquired)*bit)

	// Counted from the top of byte k: ones up to the null bit at z+6, twelve
	// bits from z+7, then the same bits from B1 upwards, then zeros.
	reply := ^uint64(0)<<(64-z-6) | uint64(code)<<(64-z-7-12) |
		uint64(bits.Reverse16(code)<<1>>5)<<(64-z-19-11)
	for ; k < len(r); k++ {
		r[k] = byte(reply >> 56)
		reply <<= 8
	}
	m.noise(r)
}

func (m *MCP3208) sample(control uint32, at time.Duration) uint16 {
	ch := control & 7
	if m.is(frozen) {
		return m.held[ch]
	}
	var v float64
	if control&8 != 0 {
		v = m.pin(ch, at)
	} else {
		// Differential: pairs 0/1, 2/3, …; D0 swaps the signs (from memory).
		v = m.pin(ch, at) - m.pin(ch^1, at)
	}
	code := v / m.Vref * 4096
	m.held[ch] = uint16(min(max(code, 0), 4095))
	return m.held[ch]
}

func (m *MCP3208) pin(i uint32, at time.Duration) float64 {
	if m.Input[i] == nil {
		return 0
	}
	return m.Input[i](at)
}
