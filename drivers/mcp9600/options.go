package mcp9600

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
		Name:           "mcp9600",
		Summary:        "linearising thermocouple converter, eight types; MCP9601 too, which notices an open couple (I²C)",
		Bus:            "i2c",
		DefaultAddress: "0x67",
		Inputs:         []string{""},
		Options: []drivers.Option{
			{Key: "type", Allowed: "B, E, J, K, N, R, S, T", Default: "K", Doc: "thermocouple type"},
			{Key: "filter", Allowed: "0 to 7", Default: "0", Doc: "strength of the chip's own smoothing; 0 is none, and anything above delays an overheat"},
			{Key: "resolution", Allowed: "18 bit, 16 bit, 14 bit, 12 bit", Default: "16 bit", Doc: "of the converter: 2, 8, 32, 128 µV in 320, 80, 20, 5 ms"},
			{Key: "cold_resolution", Allowed: "0.0625 °C, 0.25 °C", Default: "0.0625 °C", Doc: "of the cold junction, measured in 250 ms or 63 ms"},
		},
		Open: open,
	}
}

// Places are the codes of the fields (bit-field listing in chips.md section 4).
const (
	types       = "KJTNSEBR"
	resolutions = "18 16 14 12"
)

var (
	addresses   = []uint16{0x60, 0x61, 0x62, 0x63, 0x64, 0x65, 0x66, 0x67}
	conversions = [...]time.Duration{320 * time.Millisecond, 80 * time.Millisecond, 20 * time.Millisecond, 5 * time.Millisecond}
	stepVolts   = [...]float64{2e-6, 8e-6, 32e-6, 128e-6} // from memory
	// seebeck is each type's slope near 300 °C, V/°C (600 °C for B), in the
	// order of types: differences of the NIST SRD 60 tables, rounded down.
	seebeck = [...]float64{41e-6, 55e-6, 58e-6, 35e-6, 9.1e-6, 77e-6, 5.9e-6, 9.7e-6}
)

// calculation is the time that the chip spends on linearising (from memory).
const calculation = 12 * time.Millisecond

func open(p drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
	desc := Driver()
	addr, err := bus.Address(desc.Name, cfg.Address, 0x67, addresses)
	if err != nil {
		return nil, err
	}
	o, err := bus.Only(desc, cfg)
	if err != nil {
		return nil, err
	}
	kind, letter, err := o.Letter("type", types)
	if err != nil {
		return nil, err
	}
	filter := o.Word("filter")
	if len(filter) != 1 || filter[0] < '0' || filter[0] > '7' {
		return nil, o.Wrong("filter")
	}
	bits, _ := strings.CutSuffix(o.Word("resolution"), "bit")
	adc := slices.Index(strings.Fields(resolutions), strings.TrimSpace(bits))
	if adc < 0 {
		return nil, o.Wrong("resolution")
	}
	cold, err := o.Number("cold_resolution", "°C")
	if err != nil || cold != 0.0625 && cold != 0.25 {
		return nil, o.Wrong("cold_resolution")
	}
	d := &Dev{
		clock: c,
		link: bus.I2C{
			Link:  bus.Link{Device: fmt.Sprintf("MCP9600 on %s at 0x%02X", cfg.Bus, addr), I2C: true},
			Ports: p, Name: cfg.Bus, Addr: addr,
		},
	}
	d.want = [2]byte{byte(kind)<<4 | (filter[0] - '0'), byte(adc) << 5}
	if cold == 0.25 {
		d.want[1] |= 0x80
	}
	d.period = conversions[adc] + calculation
	d.poll = max(d.period/8, time.Millisecond)
	d.info = []drivers.Input{{
		Name: cfg.Inputs[0].Input, Kind: drivers.Thermocouple, Scale: 1.0 / 16, AuxScale: 1.0 / 16, Integer: true,
		RawMin: -1 << 15, RawMax: 1<<15 - 1, Interval: d.period, Type: letter,
		Accuracy: drivers.Accuracy{
			Offset: 1.5, Nonlinearity: stepVolts[adc] / 2 / seebeck[kind],
			Source: "Microchip DS20005426C MCP9600, electrical characteristics: hot junction ±1.5 °C, cold junction included; half a step of the converter",
		},
	}}
	return d, nil
}
