package max31856

import (
	"math"
	"slices"
	"strings"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
)

// Driver describes the chip for the registry.
func Driver() drivers.Driver {
	return drivers.Driver{
		Name:    "max31856",
		Summary: "linearising thermocouple converter, all types (SPI)",
		Bus:     "spi",
		Inputs:  []string{""},
		Options: []drivers.Option{
			{Key: "type", Allowed: "B, E, J, K, N, R, S, T", Default: "K", Doc: "thermocouple type"},
			{Key: "average", Allowed: "1, 2, 4, 8, 16", Default: "1", Doc: "conversions averaged into each reading; each adds 33 to 40 ms"},
			{Key: "open_detect", Allowed: "low, high, filtered, off", Default: "low",
				Doc: "how an open couple is found: couple and leads below 5 kΩ (low), 5 to 40 kΩ (high), the same with an input filter slower than 2 ms (filtered)"},
			{Key: "high", Allowed: "-2047 °C to 2047 °C", Default: "", Doc: "hot-junction limit in the chip: beyond it readings are marked and its pin FAULT is pulled low"},
			{Key: "low", Allowed: "-2047 °C to 2047 °C", Default: "", Doc: "the same, below"},
			{Key: "cold_high", Allowed: "-64 °C to 127 °C", Default: "", Doc: "cold-junction limit in the chip, likewise, in whole degrees"},
			{Key: "cold_low", Allowed: "-64 °C to 127 °C", Default: "", Doc: "the same, below"},
		},
		Open: open,
	}
}

const (
	types    = "BEJKNRST" // CR1 bits 3:0
	averages = "1 2 4 8 16"
	// detections are the codes of OCFAULT (from memory).
	detections = "off low high filtered"
)

func open(p drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
	desc := Driver()
	o, err := bus.Only(desc, cfg)
	if err != nil {
		return nil, err
	}
	kind, letter, err := o.Letter("type", types)
	if err != nil {
		return nil, err
	}
	avg := slices.Index(strings.Fields(averages), o.Word("average"))
	if avg < 0 {
		return nil, o.Wrong("average")
	}
	// Conversion times from memory: 82 ms at 60 Hz, 98 ms at 50 Hz, and one
	// mains-locked conversion more for each further sample.
	cr0, first, each := byte(0), 82*time.Millisecond, 33340*time.Microsecond
	if cfg.Mains == 50 {
		cr0, first, each = filter50, 98*time.Millisecond, 40*time.Millisecond
	}
	d := &Dev{clock: c, link: bus.SPI{
		Link: bus.Link{Device: "MAX31856 on " + cfg.Bus},
		// 5 MHz is the chip's limit; cables to a thermocouple board like less.
		Ports: p, Name: cfg.Bus, Mode: spi.Mode1, Speed: physic.MegaHertz,
	}}
	d.period = first + time.Duration(1<<avg-1)*each
	detect := slices.Index(strings.Fields(detections), o.Word("open_detect"))
	if detect < 0 {
		return nil, o.Wrong("open_detect")
	}
	d.want = powerUp
	d.want[0], d.want[1] = cr0|byte(detect)<<4|automatic, byte(avg)<<4|byte(kind)
	if err := d.limits(o); err != nil {
		return nil, err
	}
	d.info = []drivers.Input{{
		Name: cfg.Inputs[0].Input, Kind: drivers.Thermocouple, Scale: 1.0 / 128, AuxScale: 1.0 / 64, Integer: true,
		RawMin: -1 << 18, RawMax: 1<<18 - 1, Interval: d.wait(), Type: letter,
		Accuracy: drivers.Accuracy{
			Gain: 0.0015, ColdJunction: 0.7,
			Source: "Maxim 19-7534 MAX31856, electrical characteristics: ±0.15 % of the reading, cold junction ±0.7 °C from -20 to +85 °C (from memory)",
		},
	}}
	return d, nil
}

// limits sets the thresholds that bench.toml gives, and lets those assert the
// pin FAULT: a 0 in the mask. Hot ones have 1/16 °C, cold ones 1 °C.
func (d *Dev) limits(o *bus.Options) error {
	for _, l := range [...]struct {
		key       string
		low, high float64
		reg       int
		bit       byte
	}{
		{"high", -2047, 2047, 5, overHot}, {"low", -2047, 2047, 7, underHot},
		{"cold_high", -64, 127, 3, overCold}, {"cold_low", -64, 127, 4, underCold},
	} {
		if o.Word(l.key) == "" {
			continue
		}
		v, err := o.Signed(l.key, "°C", l.low, l.high)
		if err != nil {
			return err
		}
		if l.reg < 5 {
			d.want[l.reg] = byte(int8(math.Round(v)))
		} else {
			code := uint16(int16(math.Round(v * 16)))
			d.want[l.reg], d.want[l.reg+1] = byte(code>>8), byte(code)
		}
		d.want[2] &^= l.bit
	}
	return nil
}

// wait is the time between reads: a conversion's time is typical only, and the
// chip may be 12 % slower (from memory).
func (d *Dev) wait() time.Duration { return d.period + d.period/8 }
