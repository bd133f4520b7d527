package plant

import (
	"math"
	"time"

	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
)

// Wiring names the buses and gives the values of the parts.
type Wiring struct {
	Clock    clock.Clock   // the chips' clock
	Zero     time.Duration // time on Clock at the plant's time 0
	I2C      string
	ADS      uint16  // address of the ADS1115
	TC       string  // SPI port of the MAX31856
	CT       string  // SPI port of the MCP3208
	Buzzer   string  // pin
	Vref     float64 // MCP3208, V
	Turns    float64 // of the current transformer
	Burden   float64 // ohm
	Inverted bool    // current transformer the other way round
}

// DefaultWiring is the demo bench's. 1.2 A rms through 1000:1 and 820 ohm is
// 1.39 V peak about Vref/2, and leaves room for the arc's crest. [Show.Wire]
// puts in the clock; for [Plant.Wire] set it.
func DefaultWiring() Wiring {
	return Wiring{
		I2C: "/dev/i2c-1", ADS: 0x48, TC: "/dev/spidev0.0", CT: "/dev/spidev0.1",
		Buzzer: "GPIO18", Vref: 3.3, Turns: 1000, Burden: 820,
	}
}

// Wired is the bench's emulated electronics, for tests that break a chip.
type Wired struct {
	Gauges       *emulated.ADS1115  // AIN0 wide range, AIN1 20 Torr diaphragm, both through 1:3
	Thermocouple *emulated.MAX31856 // type K on the glass
	Current      *emulated.MCP3208  // CH0
	Buzzer       *emulated.Pin
}

// Wire puts the demo bench's chips on the board and connects them to the plant:
//
//   - ADS1115, AIN0: wide-range gauge, p = 10^(U-5.625) Torr, U 0 to 10 V, through
//     a 1:3 divider; AIN1: capacitance diaphragm gauge, 10 V at 20 Torr, same divider;
//     AIN2: amplifier of a photodiode on a tube that burns, 3 V at full scale;
//   - MAX31856: type K on the glass, terminals near room temperature;
//   - MCP3208 CH0: current transformer on the earthed midpoint link, burden
//     centred at Vref/2;
//   - a buzzer pin.
//
// The inputs compute the plant as far as they are asked for.
func (p *Plant) Wire(b *emulated.Board, w Wiring) *Wired {
	c := w.Clock
	out := &Wired{
		Gauges: emulated.NewADS1115(c), Thermocouple: emulated.NewMAX31856(c),
		Current: emulated.NewMCP3208(c, w.Vref),
	}
	read := func(f func(*Plant) float64) func(time.Duration) float64 {
		return func(t time.Duration) float64 { return p.at(t-w.Zero, f) }
	}
	out.Gauges.Input[0] = read(func(p *Plant) float64 { return p.wideVolts() / Divider })
	out.Gauges.Input[1] = read(func(p *Plant) float64 { return p.diaphragmVolts() / Divider })
	out.Gauges.Input[2] = read((*Plant).diode)
	out.Thermocouple.Hot = read(func(p *Plant) float64 {
		return p.sens.junction + p.spark(8)
	})
	// The chip asks for its own temperature first, and for the hot junction only
	// while the wire is whole.
	out.Thermocouple.Cold = read(func(p *Plant) float64 {
		out.Thermocouple.SetOpen(p.fault.ThermocoupleOpen)
		return p.coldJunction()
	})
	k := w.Burden / w.Turns
	if w.Inverted {
		k = -k
	}
	mid := w.Vref / 2
	out.Current.Input[0] = func(t time.Duration) float64 {
		t -= w.Zero
		p.mu.Lock()
		if p.now+p.step <= t {
			p.advance(t)
		}
		v := mid
		if !p.fault.CTUnplugged {
			v += k*p.currentAt(t) + p.spark(0.8)
		}
		p.mu.Unlock()
		return math.Max(0, v)
	}
	b.AddI2C(w.I2C, w.ADS, out.Gauges)
	b.AddSPI(w.TC, out.Thermocouple)
	b.AddSPI(w.CT, out.Current)
	out.Buzzer = b.AddPin(w.Buzzer)
	return out
}
