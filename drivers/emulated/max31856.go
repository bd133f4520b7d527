package emulated

import (
	"math"
	"sync"
	"time"

	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/clock"
)

// MAX31856 is a model of the linearising thermocouple converter (Maxim
// MAX31856 data sheet). Its thermocouple is of the type that CR1 says.
type MAX31856 struct {
	Faults

	// Hot gives the temperature of the hot junction at time t, °C; nil is 25 °C.
	Hot func(t time.Duration) float64

	// Cold gives the chip's own temperature, °C; nil is 25 °C.
	Cold func(t time.Duration) float64

	clock clock.Clock

	mu      sync.Mutex
	reg     [16]byte
	epoch   time.Duration // when automatic conversion began
	count   int64         // conversions finished since epoch
	oneShot time.Duration // end of the single conversion under way, -1 none
}

// Register addresses.
const (
	regCR0  = 0x00
	regCR1  = 0x01
	regCJTO = 0x09
	regCJTH = 0x0A
	regLTC  = 0x0C
	regSR   = 0x0F
)

// max31856Reset is the register file after power-up.
var max31856Reset = [16]byte{0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00}

// max31856Range is the linear range of each type in °C, CR1 order B E J K N R S T (from memory).
var max31856Range = [8][2]float64{
	{250, 1820}, {-200, 1000}, {-210, 1200}, {-200, 1372},
	{-200, 1300}, {-50, 1768}, {-50, 1768}, {-200, 400},
}

// NewMAX31856 returns a chip just powered up.
func NewMAX31856(c clock.Clock) *MAX31856 {
	return &MAX31856{clock: c, reg: max31856Reset, oneShot: -1}
}

// Modes implements [SPIChip].
func (*MAX31856) Modes() []spi.Mode { return []spi.Mode{spi.Mode1, spi.Mode3} }

// LoseConfig resets all registers, as a dip of the supply does.
func (m *MAX31856) LoseConfig() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.reg, m.oneShot, m.count = max31856Reset, -1, 0
}

// Registers is the register file as the chip holds it now, for tests.
func (m *MAX31856) Registers() [16]byte {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.advance(m.clock.Now())
	return m.reg
}

// Transfer implements [SPIChip]: one address byte, then bytes read or written
// at addresses that count up and wrap.
func (m *MAX31856) Transfer(at, bit time.Duration, w, r []byte) {
	if m.spi(r) {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.advance(at)
	addr := w[0] & 0x0F
	write := w[0]&0x80 != 0
	r[0] = 0xFF
	for i := 1; i < len(w); i++ {
		if write {
			m.write(addr, w[i], at)
			r[i] = 0xFF
		} else {
			r[i] = m.reg[addr]
		}
		addr = (addr + 1) & 0x0F
	}
	m.noise(r[1:])
}

func (m *MAX31856) write(addr, v byte, now time.Duration) {
	switch {
	case addr == regCR0:
		if v&0x80 != 0 && m.reg[regCR0]&0x80 == 0 {
			m.epoch, m.count = now, 0
		}
		if v&0x80 != 0 {
			v &^= 0x40
		} else if v&0x40 != 0 {
			m.oneShot = now + m.oneShotTime(v)
		}
		if v&0x02 != 0 {
			m.reg[regSR], v = 0, v&^0x02
		}
		m.reg[regCR0] = v
	case addr == regCJTH || addr == regCJTH+1:
		// The cold junction may be given from outside while its sensor is off.
		if m.reg[regCR0]&0x08 != 0 {
			m.reg[addr] = v
		}
	case addr < regCJTH:
		m.reg[addr] = v
	}
}

func (m *MAX31856) samples() int {
	return [8]int{1, 2, 4, 8, 16, 16, 16, 16}[m.reg[regCR1]>>4&7]
}

// extra is what each averaged sample beyond the first adds (from memory).
func (m *MAX31856) extra(cr0 byte) time.Duration {
	if cr0&1 != 0 {
		return 40 * time.Millisecond
	}
	return 33330 * time.Microsecond
}

func (m *MAX31856) oneShotTime(cr0 byte) time.Duration { // from memory
	d := 143 * time.Millisecond
	if cr0&1 != 0 {
		d = 169 * time.Millisecond
	}
	return d + time.Duration(m.samples()-1)*m.extra(cr0)
}

func (m *MAX31856) autoTime(cr0 byte) time.Duration { // from memory
	d := 82 * time.Millisecond
	if cr0&1 != 0 {
		d = 98 * time.Millisecond
	}
	return d + time.Duration(m.samples()-1)*m.extra(cr0)
}

func (m *MAX31856) advance(now time.Duration) {
	if m.reg[regCR0]&0x80 != 0 {
		p := m.autoTime(m.reg[regCR0])
		if k := int64((now - m.epoch) / p); k > m.count {
			m.count = k
			m.convert(m.epoch + time.Duration(k)*p)
		}
		return
	}
	if m.oneShot >= 0 && now >= m.oneShot {
		m.convert(m.oneShot)
		m.oneShot = -1
		m.reg[regCR0] &^= 0x40
	}
}

func (m *MAX31856) convert(at time.Duration) {
	if m.is(frozen) {
		return
	}
	cr0 := m.reg[regCR0]
	if cr0&0x08 == 0 {
		cold := 25.0
		if m.Cold != nil {
			cold = m.Cold(at)
		}
		cold += float64(int8(m.reg[regCJTO])) / 16
		code := int16(min(max(math.Round(cold*64), -8192), 8191)) << 2
		m.reg[regCJTH], m.reg[regCJTH+1] = byte(uint16(code)>>8), byte(code)
	}
	var sr byte
	if m.is(opened) && cr0&0x30 != 0 { // detection is off with OCFAULT 00
		sr |= 0x01
	}
	if m.is(shortGround) || m.is(shortSupply) {
		sr |= 0x02
	}
	if sr == 0 {
		sr = m.linearised(at)
	}
	cold := int16(uint16(m.reg[regCJTH])<<8 | uint16(m.reg[regCJTH+1]))
	if c := float64(cold) / 256; c < -55 || c > 125 {
		sr |= 0x80
	}
	if cold > int16(int8(m.reg[3]))<<8 {
		sr |= 0x20
	}
	if cold < int16(int8(m.reg[4]))<<8 {
		sr |= 0x10
	}
	if cr0&0x04 != 0 {
		sr |= m.reg[regSR] // interrupt mode: kept until cleared
	}
	m.reg[regSR] = sr
}

// linearised stores the temperature and returns its status bits.
func (m *MAX31856) linearised(at time.Duration) (sr byte) {
	n := m.samples()
	sum := 0.0
	for i := range n {
		t := at - time.Duration(i)*m.extra(m.reg[regCR0])
		if m.Hot != nil {
			sum += m.Hot(max(t, 0))
		} else {
			sum += 25
		}
	}
	hot := sum / float64(n)
	var code float64
	if kind := m.reg[regCR1] & 15; kind >= 8 {
		gain := 8.0
		if kind >= 12 {
			gain = 32
		}
		cold := float64(int16(uint16(m.reg[regCJTH])<<8|uint16(m.reg[regCJTH+1]))) / 256
		code = gain * 1.6 * (1 << 17) * (TypeK(hot) - TypeK(cold))
	} else {
		limits := max31856Range[kind]
		if hot < limits[0] || hot > limits[1] {
			sr |= 0x40
		}
		code = min(max(hot, limits[0]), limits[1]) * 128
	}
	v := int32(min(max(math.Round(code), -1<<18), 1<<18-1)) << 5
	m.reg[regLTC], m.reg[regLTC+1], m.reg[regLTC+2] = byte(v>>16), byte(v>>8), byte(v)
	sixteenth := int16(v >> 8) // °C/16, the unit of the thresholds
	if sixteenth > int16(uint16(m.reg[5])<<8|uint16(m.reg[6])) {
		sr |= 0x08
	}
	if sixteenth < int16(uint16(m.reg[7])<<8|uint16(m.reg[8])) {
		sr |= 0x04
	}
	return sr
}
