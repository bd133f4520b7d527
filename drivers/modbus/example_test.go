package modbus_test

import (
	"fmt"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/modbus"
)

// A pressure transmitter, unit 3, that keeps micron as a float in two registers.
func Example() {
	src, err := modbus.RTU().Open(nil, clock.System{}, drivers.Config{
		Bus:     "/dev/serial/by-id/usb-adapter",
		Address: "3",
		Inputs: []drivers.InputConfig{{Options: map[string]string{
			"register": "100", "type": "f32", "unit": "micron", "baud": "19200", "parity": "even",
		}}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer src.Close()
	fmt.Println(src, src.Inputs()[0].Unit, src.Inputs()[0].Interval)
	// Output: Modbus unit 3 on /dev/serial/by-id/usb-adapter micron 250ms
}
