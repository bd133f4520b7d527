package mcp3208

import (
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
)

// constant answers the same to everything.
type constant byte

func (constant) Modes() []spi.Mode { return []spi.Mode{spi.Mode0} }

func (c constant) Transfer(_, _ time.Duration, _, r []byte) {
	for i := range r {
		r[i] = byte(c)
	}
}

func TestRecognise(t *testing.T) {
	v := clock.NewVirtual(time.Unix(0, 0), 0)
	with := func(volts float64) *emulated.MCP3208 {
		m := emulated.NewMCP3208(v, 3.3)
		m.Input[2] = func(time.Duration) float64 { return volts }
		return m
	}
	thermocouple := emulated.NewMAX31855(v, 'K')
	for _, c := range []struct {
		name   string
		chip   emulated.SPIChip
		want   bus.Confidence
		silent bool
	}{
		{"one input at 1 V", with(1), bus.Certain, false},
		{"no input has a voltage", with(0), bus.Likely, false},
		{"low", constant(0), "", true},
		{"high", constant(0xFF), "", true},
		{"another chip", constant(0x5A), "", false},
		{"a MAX31855", thermocouple, "", false},
	} {
		b := emulated.NewBoard(v)
		b.AddSPI("/dev/spidev0.0", c.chip)
		p, err := b.SPI("/dev/spidev0.0")
		if err != nil {
			t.Fatal(err)
		}
		conn, err := p.Connect(500*physic.KiloHertz, spi.Mode0, 8)
		if err != nil {
			t.Fatal(err)
		}
		got, err := Recognise(conn)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if got.Confidence != c.want || (got.Chip == "") != (c.want == "") || got.Silent != c.silent || got.Evidence == "" {
			t.Errorf("%s: %+v, want %q, silent %v", c.name, got, c.want, c.silent)
		}
	}
}
