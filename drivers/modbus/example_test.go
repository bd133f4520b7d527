package modbus_test

import (
	"fmt"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
	"tipoff/drivers/modbus"
	"tipoff/drivers/serialport/wire"
)

// A transmitter, unit 3, that counts hundredths of a Torr in input register 100.
// On a bench RTU is used, which opens the board's own ports.
func Example() {
	drivertest.OnClock(func(c *clock.Virtual) {
		meter := emulated.NewMeter(c, false)
		meter.Unit, meter.Register = 3, 100
		meter.Value = func(time.Duration) float64 { return 1234 }
		line := &wire.Line{Clock: c, ByteTime: time.Millisecond, Answer: meter.Answer}

		src, err := modbus.RTUOver(line.Opener).Open(nil, c, drivers.Config{
			Bus: "/dev/serial/by-id/usb-adapter", Address: "3",
			Inputs: []drivers.InputConfig{{Options: map[string]string{
				"register": "100", "function": "input", "unit": "Torr", "scale": "0.01", "baud": "19200", "parity": "even",
			}}},
		})
		if err != nil {
			fmt.Println(err)
			return
		}
		got, err := drivertest.First(c, src, 1)
		for _, s := range got {
			in := src.Inputs()[s.Input]
			fmt.Println(src, s.Raw*in.Scale, in.Unit, err)
		}
	})
	// Output: Modbus unit 3 on /dev/serial/by-id/usb-adapter 12.34 Torr <nil>
}
