package drivertest

import (
	"cmp"
	"testing"
)

// alike is why a driver by itself can not tell a frozen device.
const alike = "an old code in a fresh answer is like a steady input; what the other channels show tells (docs/faults.md)"

// notFor lists, by driver, which of the faults do not apply to it and why. A
// driver that is not here, or a fault that a driver does not list, is tested.
var notFor = map[string]map[string]string{
	"ads1115": {},
	"ads1115 with one input": {
		frozen: alike,
	},
	"max31856": {
		frozen: alike,
	},
	"mcp9600": {},
	"max31855": {
		settingsLost: "the chip has no settings",
		frozen:       alike,
	},
	"mcp3208": {
		settingsLost: "the chip has no settings",
		frozen:       alike,
		lineLow:      "zeros are what an input at ground reads; they are at the converter's rail and pass for clipped, not for good",
	},
	"iio": {
		settingsLost: "the kernel's own driver keeps the settings",
		bitsTurn:     "they turn over on the chip's bus below the kernel, whose driver hands a number on: one that leaps is left out by the channel's filter (calib/chain)",
		frozen:       alike,
	},
	"iio capture": {
		bitsTurn: "as for iio",
		frozen:   alike,
	},
	"hwmon": {
		settingsLost: "the kernel's own driver keeps the settings",
		bitsTurn:     "as for iio",
		frozen:       alike,
	},
	"modbus-rtu": {
		frozen:       alike,
		settingsLost: "the instrument keeps its settings, tipoff writes none",
	},
	"modbus-tcp": {
		frozen:       alike,
		settingsLost: "the instrument keeps its settings, tipoff writes none",
		bitsTurn:     "the network's checksums drop such frames",
		lineLow:      "a network has no such line",
	},
	"serial-gauge": {
		frozen:       alike,
		settingsLost: "the instrument keeps its settings, tipoff writes none",
	},
	"contact": {
		settingsLost:  "the kernel holds the line as it was asked",
		anotherDevice: "one switch is like another",
		lineLow:       "a line at ground is what a closed contact is",
		frozen:        "a switch may stand still",
	},
}

// applies skips the test of a fault that does not apply, with the reason.
func (s Subject) applies(t *testing.T, fault string) {
	t.Helper()
	row := cmp.Or(s.Row, s.Driver.Name)
	why, known := notFor[row]
	if !known {
		t.Fatalf("%q is not in the table of what does not apply", row)
	}
	if w := why[fault]; w != "" {
		t.Skip("does not apply: " + w)
	}
}
