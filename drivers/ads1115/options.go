package ads1115

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
)

// Driver describes the chip for the registry.
func Driver() drivers.Driver {
	return drivers.Driver{
		Name:           "ads1115",
		Summary:        "16-bit voltage converter with four inputs (I²C)",
		Bus:            "i2c",
		DefaultAddress: "0x48",
		Inputs:         []string{"ain0-ain1", "ain0-ain3", "ain1-ain3", "ain2-ain3", "ain0", "ain1", "ain2", "ain3"},
		Options: []drivers.Option{
			{Key: "range", Allowed: "6.144 V, 4.096 V, 2.048 V, 1.024 V, 0.512 V, 0.256 V", Default: "4.096 V",
				Doc: "full scale either side of zero; no input may go beyond the chip's supply"},
			{Key: "rate", Allowed: "8/s, 16/s, 32/s, 64/s, 128/s, 250/s, 475/s, 860/s", Default: "128/s",
				Doc: "conversions per second; slower is quieter, but beside a waveform 860/s keeps the gaps in it short"},
			{Key: "waveform", Allowed: "yes, no", Default: "no",
				Doc: "yes for the one input whose mains cycles are to be resolved"},
			{Key: "ready", Allowed: "a GPIO line such as GPIO17", Default: "",
				Doc: "line that the chip's pin ALERT/RDY is wired to; conversions then come at the chip's full rate, each stamped when it ended; one for all inputs of a chip"},
		},
		Open: open,
	}
}

// Codes of the MUX field are the places in Driver.Inputs; those of PGA and DR
// the places here (SBAS444D, config register).
var (
	ranges    = []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256}
	rates     = []float64{8, 16, 32, 64, 128, 250, 475, 860}
	addresses = []uint16{0x48, 0x49, 0x4A, 0x4B}
)

// slowEvery is how often the other inputs beside a waveform are visited.
const slowEvery = 100 * time.Millisecond

// input is one input and its settings.
type input struct {
	config   uint16        // MUX, PGA, DR, comparator; without OS and MODE
	period   time.Duration // nominal conversion time
	waveform bool
	due      time.Duration // when a slow input beside a waveform is next visited
	last     int16         // code seen last, if known
	known    bool
	swing    int32 // largest step from code to code of late, of a waveform
}

func open(p drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
	desc := Driver()
	addr, err := bus.Address(desc.Name, cfg.Address, 0x48, addresses)
	if err != nil {
		return nil, err
	}
	d := &Dev{
		ports: p, clock: c, wave: -1,
		link: bus.I2C{
			Link:  bus.Link{Device: fmt.Sprintf("ADS1115 on %s at 0x%02X", cfg.Bus, addr), I2C: true},
			Ports: p, Name: cfg.Bus, Addr: addr,
		},
	}
	for i, ic := range cfg.Inputs {
		in, info, err := d.parseInput(desc, ic)
		if err != nil {
			return nil, err
		}
		if in.waveform {
			if d.wave >= 0 {
				return nil, fmt.Errorf("ads1115 input %q: only one input of a chip can be a waveform: %w", ic.Input, drivers.BadConfig)
			}
			d.wave = i
		}
		d.in, d.info = append(d.in, in), append(d.info, info)
	}
	if len(d.in) == 0 {
		return nil, fmt.Errorf("ads1115: no input is used: %w", drivers.BadConfig)
	}
	d.continuous = len(d.in) == 1 && (d.wave < 0 || d.line.name != "")
	for i := range d.in {
		if d.line.name == "" {
			d.in[i].config |= comparatorOff
		}
	}
	d.setIntervals()
	return d, nil
}

func (d *Dev) parseInput(desc drivers.Driver, ic drivers.InputConfig) (in input, info drivers.Input, err error) {
	mux, err := bus.Input(desc, ic.Input)
	if err != nil {
		return in, info, err
	}
	o, err := bus.NewOptions(desc, ic)
	if err != nil {
		return in, info, err
	}
	volts, err := o.Number("range", "V")
	if err != nil {
		return in, info, err
	}
	pga := slices.Index(ranges, volts)
	if pga < 0 {
		return in, info, o.Wrong("range")
	}
	rate, err := o.Number("rate", "/s")
	if err != nil {
		return in, info, err
	}
	dr := slices.Index(rates, rate)
	if dr < 0 {
		return in, info, o.Wrong("rate")
	}
	if in.waveform, err = o.YesNo("waveform"); err != nil {
		return in, info, err
	}
	if line := o.Word("ready"); line != "" {
		// The kernel's names have 31 bytes at most.
		if len(line) > 31 || strings.ContainsAny(line, " \t\n") {
			return in, info, o.Wrong("ready")
		}
		if d.line.name != "" && d.line.name != line {
			return in, info, fmt.Errorf("ads1115 input %q: option ready = %q where another input of the chip has %q, allowed is: one line for a chip: %w",
				ic.Input, line, d.line.name, drivers.BadConfig)
		}
		d.line.name = line
	}
	in.config = uint16(mux)<<12 | uint16(pga)<<9 | uint16(dr)<<5
	in.period = bus.Period(rate)
	lsb := volts / 32768
	info = drivers.Input{
		Name: ic.Input, Kind: drivers.Voltage, Scale: lsb, Integer: true,
		RawMin: -32768, RawMax: 32767, Waveform: in.waveform,
		Accuracy: drivers.Accuracy{
			Offset: 3 * lsb, Gain: 0.0015, Nonlinearity: lsb,
			Source: "TI SBAS444 ADS1115, electrical characteristics: offset ±3 LSB, gain error incl. reference ±0.15 %, INL 1 LSB (from memory)",
		},
	}
	return in, info, nil
}

func (d *Dev) setIntervals() {
	each := (*input).wait
	if d.line.name != "" {
		each = func(in *input) time.Duration { return in.period }
	}
	var all time.Duration
	for i := range d.in {
		all += each(&d.in[i])
	}
	for i := range d.in {
		in := &d.in[i]
		switch {
		case d.continuous || in.waveform:
			d.info[i].Interval = each(in)
		case d.wave >= 0:
			d.info[i].Interval = slowEvery
		default:
			d.info[i].Interval = all
		}
	}
}

// wait is how long to wait for a conversion: the chip's clock may be 10 % slow,
// and it takes some 25 µs to wake (both from memory).
func (in *input) wait() time.Duration { return in.period + in.period/10 + 50*time.Microsecond }
