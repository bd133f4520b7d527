package emulated

import (
	"encoding/binary"
	"math"
	"sync"
	"time"

	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/clock"
)

// MAX31855 is a model of the cold-junction compensated thermocouple converter
// (Maxim 19-5793). It converts on its own about every 100 ms.
type MAX31855 struct {
	Faults

	// EMF gives the volts between its thermocouple pins at time t; nil is 0 V.
	EMF func(t time.Duration) float64

	// Cold gives the chip's own temperature in °C; nil is 25 °C.
	Cold func(t time.Duration) float64

	clock       clock.Clock
	sensitivity float64 // V/°C

	mu    sync.Mutex
	epoch int64 // conversions since time 0 when frame was made; -1 none
	frame uint32
}

const max31855Period = 100 * time.Millisecond // 70 to 100 ms, from memory

// NewMAX31855 returns the version of the chip for a type letter: K, J, N, S,
// T, E or R. It panics on another letter, which no such chip exists for.
func NewMAX31855(c clock.Clock, letter byte) *MAX31855 {
	// V/°C of the sheet's linear rule; K from the sheet, the others from memory.
	gain := map[byte]float64{
		'K': 41.276e-6, 'J': 57.953e-6, 'N': 36.256e-6, 'S': 9.587e-6,
		'T': 52.18e-6, 'E': 76.373e-6, 'R': 10.506e-6,
	}[letter]
	if gain == 0 {
		panic("emulated: there is no MAX31855 for type " + string(letter))
	}
	return &MAX31855{clock: c, sensitivity: gain, epoch: -1}
}

// Modes implements [SPIChip].
func (*MAX31855) Modes() []spi.Mode { return []spi.Mode{spi.Mode0} }

// LoseConfig does nothing: the chip has no settings.
func (*MAX31855) LoseConfig() {}

// Transfer implements [SPIChip]: 32 bits, then zeros.
func (m *MAX31855) Transfer(at, _ time.Duration, _, r []byte) {
	if m.spi(r) {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if k := int64(at / max31855Period); k != m.epoch && (!m.is(frozen) || m.epoch < 0) {
		m.epoch = k
		m.frame = m.convert(time.Duration(k) * max31855Period)
	}
	var b [4]byte
	binary.BigEndian.PutUint32(b[:], m.frame)
	n := copy(r, b[:])
	fill(r[n:], 0)
	m.noise(r)
}

func (m *MAX31855) convert(at time.Duration) uint32 {
	cold, emf := 25.0, 0.0
	if m.Cold != nil {
		cold = m.Cold(at)
	}
	if m.EMF != nil {
		emf = m.EMF(at)
	}
	internal := int32(min(max(math.Round(cold*16), -2048), 2047))
	frame := uint32(internal&0xFFF) << 4
	var fault uint32
	if m.is(opened) {
		fault |= 1
	}
	if m.is(shortGround) {
		fault |= 2
	}
	if m.is(shortSupply) {
		fault |= 4
	}
	if fault != 0 {
		return frame | 1<<16 | fault // no meaningful temperature with a fault
	}
	hot := emf/m.sensitivity + float64(internal)/16
	code := int32(min(max(math.Round(hot*4), -270*4), 1800*4))
	return frame | uint32(code&0x3FFF)<<18
}
