// Package registry lists the drivers that tipoff is built with.
package registry

import (
	"tipoff/drivers"
	"tipoff/drivers/ads1115"
	"tipoff/drivers/contact"
	"tipoff/drivers/hwmon"
	"tipoff/drivers/iio"
	"tipoff/drivers/max31855"
	"tipoff/drivers/max31856"
	"tipoff/drivers/mcp3208"
	"tipoff/drivers/mcp9600"
	"tipoff/drivers/modbus"
	"tipoff/drivers/serialgauge"
)

// All lists the drivers by name. The list is the caller's own.
func All() []drivers.Driver {
	return []drivers.Driver{
		ads1115.Driver(),
		contact.Driver(),
		hwmon.Driver(),
		iio.Driver(),
		max31855.Driver(),
		max31856.Driver(),
		mcp3208.Driver(),
		mcp9600.Driver(),
		modbus.RTU(),
		modbus.TCP(),
		serialgauge.Driver(),
	}
}
