package mcp9600

import (
	"fmt"

	"periph.io/x/conn/v3/i2c"

	"tipoff/drivers/bus"
)

// The chip's own working range, °C/16: its cold junction can read nothing else.
const (
	coldest = -40 * 16
	warmest = 125 * 16
)

// Addresses are those that the chip's ADDR pin can choose. The slice is the
// caller's own.
func Addresses() []uint16 { return append([]uint16(nil), addresses...) }

// Recognise tells by its registers whether the chip at addr of b is an MCP9600
// or MCP9601. It sets the register pointer and reads; it writes no register.
func Recognise(b i2c.Bus, addr uint16) (bus.Recognised, error) {
	id, err := bus.Steady(b, addr, regID, within(0))
	if err != nil {
		return bus.Recognised{}, fmt.Errorf("reading the device ID: %w", err)
	}
	var chip string
	switch id >> 8 {
	case idMCP9600:
		chip = "MCP9600"
	case idMCP9601:
		chip = "MCP9601"
	default:
		return bus.Recognised{Evidence: fmt.Sprintf("register 20h reads %04Xh, not the ID of an MCP9600 (40xxh) or MCP9601 (41xxh)", id)}, nil
	}
	cold, err := bus.Steady(b, addr, regCold, within(4)) // it may move on between two looks
	if err != nil {
		return bus.Recognised{}, fmt.Errorf("reading the cold junction: %w", err)
	}
	t := int16(cold)
	if t < coldest || t > warmest {
		return bus.Recognised{Chip: chip, Confidence: bus.Possible,
			Evidence: fmt.Sprintf("device ID %04Xh, but its cold junction reads %.4g °C", id, float64(t)/16)}, nil
	}
	if t == 0 { // as before the first conversion
		return bus.Recognised{Chip: chip, Confidence: bus.Certain, Evidence: fmt.Sprintf("device ID %04Xh", id)}, nil
	}
	return bus.Recognised{Chip: chip, Confidence: bus.Certain,
		Evidence: fmt.Sprintf("device ID %04Xh, cold junction at %.4g °C", id, float64(t)/16)}, nil
}

// within tells whether two answers are no further apart than margin.
func within(margin int) func(a, b uint16) bool {
	return func(a, b uint16) bool {
		d := int(int16(a)) - int(int16(b))
		return d <= margin && d >= -margin
	}
}
