package max31856

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
	d := describe()
	d.Open = open
	return d
}

func describe() drivers.Driver {
	return drivers.Driver{
		Name:    "max31856",
		Summary: "linearising thermocouple converter, all types (SPI)",
		Bus:     "spi",
		Inputs:  []string{""},
		Options: []drivers.Option{
			{Key: "type", Allowed: "B, E, J, K, N, R, S, T", Default: "K", Doc: "thermocouple type"},
			{Key: "average", Allowed: "1, 2, 4, 8, 16", Default: "1", Doc: "conversions averaged into each reading; each adds 33 to 40 ms"},
		},
	}
}

const (
	types    = "BEJKNRST" // CR1 bits 3:0
	averages = "1 2 4 8 16"
)

func open(p drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
	desc := describe()
	if len(cfg.Inputs) != 1 {
		return nil, fmt.Errorf("max31856: it has one input, %d channels use it: %w", len(cfg.Inputs), drivers.BadConfig)
	}
	ic := cfg.Inputs[0]
	if _, err := bus.Input(desc, ic.Input); err != nil {
		return nil, err
	}
	o, err := bus.NewOptions(desc, ic)
	if err != nil {
		return nil, err
	}
	letter := o.Word("type")
	kind := strings.Index(types, letter)
	if len(letter) != 1 || kind < 0 {
		return nil, o.Wrong("type")
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
	d := &Dev{ports: p, clock: c, port: cfg.Bus, link: bus.Link{Device: "MAX31856 on " + cfg.Bus}}
	d.period = first + time.Duration(1<<avg-1)*each
	d.want = [settings]byte{cr0 | openDetect | automatic, byte(avg)<<4 | byte(kind), 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0, 0}
	d.info = []drivers.Input{{
		Name: ic.Input, Kind: drivers.Thermocouple, Scale: 1.0 / 128, AuxScale: 1.0 / 64, Integer: true,
		RawMin: -1 << 18, RawMax: 1<<18 - 1, Interval: d.wait(), Type: letter[0],
		Accuracy: drivers.Accuracy{
			Gain: 0.0015, ColdJunction: 0.7,
			Source: "Maxim 19-7534 MAX31856, electrical characteristics: ±0.15 % of the reading, cold junction ±0.7 °C from -20 to +85 °C (from memory)",
		},
	}}
	return d, nil
}

// wait is the time between reads: a conversion's time is typical only, and the
// chip may be 12 % slower (from memory).
func (d *Dev) wait() time.Duration { return d.period + d.period/8 }
