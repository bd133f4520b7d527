package probe

import (
	"context"
	"fmt"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/ads1115"
	"tipoff/drivers/bus"
	"tipoff/drivers/max31855"
	"tipoff/drivers/max31856"
	"tipoff/drivers/mcp3208"
	"tipoff/drivers/mcp9600"
)

const (
	toGauge  = "voltage, such as a gauge's output; 0 to 10 V through a divider, never above the chip's supply"
	toBurden = "voltage, such as a current transformer's burden, centred on half of VREF"
	toCouple = "thermocouple, isolated as docs/wiring shows"
	leave    = "leave open"
)

// chips says how each chip is wired and reads it for a while.
func (l *look) chips(ctx context.Context) error {
	for i := range l.report.Chips {
		c := &l.report.Chips[i]
		var err error
		switch c.Driver {
		case "ads1115":
			err = l.ads1115(ctx, c)
		case "mcp9600":
			err = l.mcp9600(ctx, c)
		case "max31856":
			err = l.couple(ctx, c, max31856.Driver(), "SDI", "SDO")
		case "max31855":
			err = l.couple(ctx, c, max31855.Driver(), "", "SO")
			c.Notes = append(c.Notes, "the letter at the end of the chip's name is the thermocouple type it was made for; it can not be read from it")
		case "mcp3208":
			err = l.mcp3208(ctx, c)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (l *look) ads1115(ctx context.Context, c *Chip) error {
	jumper := map[string]string{"0x48": "GND", "0x49": "VDD", "0x4A": "SDA", "0x4B": "SCL"}[c.Address]
	c.Pins = append(l.i2cPins(c.Bus), Pin{"ADDR", jumper + " (makes the address " + c.Address + ")"}, Pin{"ALERT/RDY", leave + ", or to a GPIO line that the option ready names"})
	c.Inputs = inputs(toGauge, "ain0", "AIN0", "ain1", "AIN1", "ain2", "AIN2", "ain3", "AIN3")
	if c.Confidence == bus.Possible {
		c.Notes = append(c.Notes, "not sure enough to write settings to it: not read")
		return nil
	}
	whole, err := l.read(ctx, c, ads1115.Driver(), nil, l.opt.Time)
	if err != nil {
		return err
	}
	for _, in := range c.Inputs {
		if r := in.Reading; r != nil && r.Count > 0 && r.Value > 3.35 {
			c.Notes = append(c.Notes, fmt.Sprintf("%s reads %.3f V, which is above a supply of 3.3 V: check its divider before it harms the chip", in.Name, r.Value))
		}
	}
	// An ADS1015 has 12 bits at the top of the register (TI SBAS473, from memory).
	coarse, codes := true, map[float64]bool{}
	for _, v := range whole {
		if v != 0 {
			codes[v] = true
			coarse = coarse && int(v)%16 == 0
		}
	}
	if coarse && len(codes) >= 3 {
		c.Notes = append(c.Notes, "the low four bits of all codes are 0: this is an ADS1015, whose data rates are other than an ADS1115's")
	}
	return nil
}

func (l *look) mcp9600(ctx context.Context, c *Chip) error {
	addr := map[string]string{"0x60": "GND", "0x67": "VDD"}[c.Address]
	if addr == "" {
		addr = "a divider from VDD, see the data sheet"
	}
	c.Pins = append(l.i2cPins(c.Bus), Pin{"ADDR", addr + " (makes the address " + c.Address + ")"}, Pin{"ALERT1-4", leave})
	c.Inputs = inputs(toCouple, "", "VIN+, VIN-")
	_, err := l.read(ctx, c, mcp9600.Driver(), nil, l.opt.Time)
	return err
}

func (l *look) couple(ctx context.Context, c *Chip, d drivers.Driver, in, out string) error {
	c.Pins = l.spiPins(c.Bus, "VCC", "SCK", in, out, "CS")
	if in != "" {
		c.Pins = append(c.Pins, Pin{"FAULT, DRDY", leave})
	}
	c.Inputs = inputs(toCouple, "", "T+, T-")
	_, err := l.read(ctx, c, d, nil, l.opt.Time)
	return err
}

func (l *look) mcp3208(ctx context.Context, c *Chip) error {
	// DIP pin numbers of the MCP3208 (DS21298, from memory).
	c.Pins = append(l.spiPins(c.Bus, "VDD (16)", "CLK (13)", "DIN (11)", "DOUT (12)", "CS/SHDN (10)"),
		Pin{"AGND (14), DGND (9)", "GND"}, Pin{"VREF (15)", "3.3 V, quiet: its noise is the readings'"})
	for ch := range 8 {
		c.Inputs = append(c.Inputs, Input{Name: fmt.Sprintf("ch%d", ch), Pin: fmt.Sprintf("CH%d (%d)", ch, ch+1), To: toBurden})
	}
	// One input at a time as a waveform: ten looks a second would see the same
	// place of each mains cycle and find it quiet.
	for i := range c.Inputs {
		one := *c
		one.Inputs = c.Inputs[i : i+1 : i+1]
		_, err := l.read(ctx, &one, mcp3208.Driver(), map[string]string{"waveform": "yes"}, l.opt.Time/8)
		c.Trouble = one.Trouble
		if err != nil || one.Trouble != "" {
			return err
		}
	}
	if fourOnly(c.Inputs) {
		c.Notes = append(c.Notes, "ch4 to ch7 read as ch0 to ch3: this is an MCP3204, which has four inputs")
		c.Inputs = c.Inputs[:4]
	}
	return nil
}

// fourOnly tells whether the upper inputs repeat the lower ones. Inputs that
// all read alike prove nothing.
func fourOnly(in []Input) bool {
	differ := false
	for i := range 4 {
		a, b := in[i].Reading, in[i+4].Reading
		if a == nil || b == nil {
			return false
		}
		if d := a.Mean - b.Mean; d > 4 || d < -4 {
			return false
		}
		if d := a.Mean - in[0].Reading.Mean; d > 100 || d < -100 {
			differ = true
		}
	}
	return differ
}

// inputs makes inputs of pairs of name and pin.
func inputs(to string, pairs ...string) []Input {
	var in []Input
	for i := 0; i < len(pairs); i += 2 {
		in = append(in, Input{Name: pairs[i], Pin: pairs[i+1], To: to})
	}
	return in
}

func (l *look) i2cPins(path string) []Pin {
	first := path == "/dev/i2c-1"
	return []Pin{
		{"VDD", "3.3 V" + l.at(true, "1")}, {"GND", "GND" + l.at(true, "9")},
		{"SDA", "SDA of " + path + l.at(first, "3")}, {"SCL", "SCL of " + path + l.at(first, "5")},
	}
}

// spiPins takes the chip's names of its pins; in is "" where the chip has none.
func (l *look) spiPins(path, supply, clock, in, out, cs string) []Pin {
	bus, sel, _ := strings.Cut(strings.TrimPrefix(path, "/dev/spidev"), ".")
	first := bus == "0"
	pins := []Pin{
		{supply, "3.3 V" + l.at(true, "17")}, {"GND", "GND" + l.at(true, "20")},
		{clock, "SCLK of SPI " + bus + l.at(first, "23")},
		{out, "MISO of SPI " + bus + l.at(first, "21")},
	}
	if strings.HasSuffix(supply, ")") { // its grounds are listed by their own names
		pins = append(pins[:1], pins[2:]...)
	}
	if in != "" {
		pins = append(pins, Pin{in, "MOSI of SPI " + bus + l.at(first, "19")})
	}
	header := map[string]string{"0": "24", "1": "26"}[sel]
	return append(pins, Pin{cs, "chip select " + sel + " of SPI " + bus + l.at(first && header != "", header)})
}

// at names a pin of the board's 40-pin header, if it has one and known holds.
func (l *look) at(known bool, pin string) string {
	if !l.header || !known {
		return ""
	}
	return " (header pin " + pin + ")"
}

// read reads a chip's inputs for a while with its own driver and the same
// options for each. It returns the raw numbers of all; an error only if ctx ends.
func (l *look) read(ctx context.Context, c *Chip, d drivers.Driver, options map[string]string, long time.Duration) ([]float64, error) {
	cfg := drivers.Config{Driver: d.Name, Bus: c.Bus, Address: c.Address, Mains: l.opt.Mains}
	for _, in := range c.Inputs {
		cfg.Inputs = append(cfg.Inputs, drivers.InputConfig{Input: in.Name, Options: options})
	}
	src, err := d.Open(l.Ports, l.Clock, cfg)
	if err != nil {
		c.Trouble = err.Error()
		return nil, nil
	}
	raw, err := l.record(ctx, src, c, long)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		c.Trouble = err.Error()
	}
	return raw, nil
}
