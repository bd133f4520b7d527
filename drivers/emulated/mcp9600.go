package emulated

import (
	"math"
	"sync"
	"time"

	"tipoff/drivers/clock"
)

// MCP9600 is a model of the linearising thermocouple converter on I²C
// (Microchip DS20005426C) and of its sister MCP9601, which also notices an open
// or shorted couple. Its thermocouple is of the type that the sensor
// configuration says. The converter's resolution is left out: temperatures come
// in steps of 1/16 °C. Each register answers at its own pointer; there is no
// counting up.
type MCP9600 struct {
	Faults

	// Hot gives the temperature of the hot junction at time t, °C; nil is 25 °C.
	Hot func(t time.Duration) float64

	// Cold gives the chip's own temperature, °C; nil is 25 °C.
	Cold func(t time.Duration) float64

	// Stretch multiplies the conversion time, which is typical only.
	Stretch float64

	clock clock.Clock
	id    uint16

	mu       sync.Mutex
	pointer  byte
	status   byte
	sensor   byte
	device   byte
	alerts   [8]byte   // 08h..0Fh
	limits   [4]uint16 // 10h..13h
	hot      int16
	cold     int16
	raw      int32 // 24 bits, 2 µV
	filtered float64
	primed   bool          // filtered holds a value
	epoch    time.Duration // when the first conversion of the row began
	count    int64         // conversions finished since epoch
}

// Register pointers.
const (
	mcpHot    = 0x00
	mcpDelta  = 0x01
	mcpCold   = 0x02
	mcpRaw    = 0x03
	mcpStatus = 0x04
	mcpSensor = 0x05
	mcpDevice = 0x06
	mcpAlert  = 0x08
	mcpLimit  = 0x10
	mcpID     = 0x20
)

// mcpRange is the range of each type in °C, order K J T N S E B R (ITS-90
// tables cut to what the chip takes; from memory).
var mcpRange = [8][2]float64{
	{-200, 1372}, {-150, 1200}, {-200, 400}, {-150, 1300},
	{50, 1664}, {-200, 1000}, {250, 1800}, {50, 1664},
}

// NewMCP9600 returns an MCP9600 just powered up.
func NewMCP9600(c clock.Clock) *MCP9600 {
	return &MCP9600{Stretch: 1, clock: c, id: 0x4010, epoch: c.Now()}
}

// NewMCP9601 returns an MCP9601 just powered up. Its ID is from memory, its two
// further status bits are those of public drivers (10h open, 20h shorted).
func NewMCP9601(c clock.Clock) *MCP9600 {
	m := NewMCP9600(c)
	m.id = 0x4110
	return m
}

// LoseConfig resets all registers, as a dip of the supply does.
func (m *MCP9600) LoseConfig() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.status, m.sensor, m.device = 0, 0, 0
	m.alerts, m.limits = [8]byte{}, [4]uint16{}
	m.hot, m.cold, m.raw, m.primed = 0, 0, 0, false
	m.epoch, m.count = m.clock.Now(), 0
}

// Settings is sensor and device configuration as the chip holds them, for tests.
func (m *MCP9600) Settings() (sensor, device byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.advance(m.clock.Now())
	return m.sensor, m.device
}

// period is the time of one conversion: about 320, 80, 20 or 5 ms, and 12 ms
// for the calculation (from memory). The cold junction converts meanwhile.
func (m *MCP9600) period() time.Duration {
	ms := [4]float64{320, 80, 20, 5}[m.device>>5&3] + 12
	return time.Duration(m.Stretch * ms * 1e6)
}

func (m *MCP9600) advance(now time.Duration) {
	mode := m.device & 3
	if mode == 1 || mode == 3 { // shut down; 3 is reserved
		return
	}
	p := m.period()
	k := int64((now - m.epoch) / p)
	burst := int64(1) << (m.device >> 2 & 7)
	if mode == 2 {
		k = min(k, burst)
	}
	// The filter remembers some 2^n conversions; older ones make no difference.
	for from := max(m.count, k-1024); from < k; from++ {
		m.convert(m.epoch + time.Duration(from+1)*p)
	}
	m.count = max(m.count, k)
	if mode == 2 && m.count == burst {
		m.status |= 0x80
		m.device = m.device&^3 | 1 // back to sleep
	}
}

func (m *MCP9600) convert(at time.Duration) {
	if m.is(frozen) {
		return
	}
	cold, hot := 25.0, 25.0
	if m.Cold != nil {
		cold = m.Cold(at)
	}
	if m.Hot != nil {
		hot = m.Hot(at)
	}
	step := 16.0
	if m.device&0x80 != 0 {
		step = 4
	}
	cold = math.Round(min(max(cold, -40), 125)*step) / step
	m.cold = int16(cold * 16)

	m.status &^= 0x30
	isMCP9601 := m.id>>8 == 0x41
	switch {
	case m.is(opened):
		hot = cold // an open input floats near zero
		if isMCP9601 {
			m.status |= 0x10
		}
	case m.is(shortGround) || m.is(shortSupply):
		hot = cold
		if isMCP9601 {
			m.status |= 0x20
		}
	}
	limits := mcpRange[m.sensor>>4&7]
	if hot < limits[0] || hot > limits[1] {
		m.status |= 0x10
		hot = min(max(hot, limits[0]), limits[1])
	}
	m.raw = int32(math.Round((TypeK(hot) - TypeK(cold)) / 2e-6))
	k := 2 / (math.Exp2(float64(m.sensor&7)) + 1)
	if !m.primed {
		m.filtered, m.primed = hot, true
	} else {
		m.filtered += k * (hot - m.filtered)
	}
	m.hot = int16(math.Round(m.filtered * 16))
	m.status |= 0x40
}

// Tx implements [I2CChip].
func (m *MCP9600) Tx(w, r []byte) error {
	if handled, err := m.i2c(r); handled {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	now := m.clock.Now()
	m.advance(now)
	if len(w) > 0 {
		m.pointer = w[0]
	}
	if len(w) > 1 {
		m.write(w[1:], now)
	}
	m.answer(r)
	m.noise(r)
	return nil
}

func (m *MCP9600) write(v []byte, now time.Duration) {
	switch p := m.pointer; {
	case p == mcpStatus:
		// The two flags are cleared by writing 0; the rest can not be written.
		m.status &= v[0] | 0x3F
	case p == mcpSensor:
		m.sensor, m.primed = v[0]&0x77, false
		m.epoch, m.count = now, 0
	case p == mcpDevice:
		m.device = v[0]
		m.epoch, m.count = now, 0
	case p >= mcpAlert && p < mcpLimit:
		m.alerts[p-mcpAlert] = v[0]
	case p >= mcpLimit && p < mcpLimit+4 && len(v) >= 2:
		m.limits[p-mcpLimit] = (uint16(v[0])<<8 | uint16(v[1])) &^ 3
	}
}

// answer fills r with the register at the pointer, high byte first, and FFh
// behind its end.
func (m *MCP9600) answer(r []byte) {
	fill(r, 0xFF)
	var v uint32
	size := 2
	switch p := m.pointer; {
	case p == mcpHot:
		v = uint32(uint16(m.hot))
	case p == mcpDelta:
		v = uint32(uint16(m.hot - m.cold))
	case p == mcpCold:
		v = uint32(uint16(m.cold))
	case p == mcpRaw:
		v, size = uint32(m.raw)&0xFFFFFF, 3
	case p == mcpStatus:
		v, size = uint32(m.status), 1
	case p == mcpSensor:
		v, size = uint32(m.sensor), 1
	case p == mcpDevice:
		v, size = uint32(m.device), 1
	case p >= mcpAlert && p < mcpLimit:
		v, size = uint32(m.alerts[p-mcpAlert]), 1
	case p >= mcpLimit && p < mcpLimit+4:
		v = uint32(m.limits[p-mcpLimit])
	case p == mcpID:
		v = uint32(m.id)
	default:
		return
	}
	for i := 0; i < len(r) && i < size; i++ {
		r[i] = byte(v >> (8 * (size - 1 - i)))
	}
}
