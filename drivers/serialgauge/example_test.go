package serialgauge_test

import (
	"fmt"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
	"tipoff/drivers/serialgauge"
	"tipoff/drivers/serialport/wire"
)

// A gauge that answers "PR1" and a carriage return with lines like
// "P=9.8760E-02". On a bench Driver is used, which opens the board's own ports.
func Example() {
	drivertest.OnClock(func(c *clock.Virtual) {
		gauge := emulated.NewTextGauge(c, "PR1\r")
		gauge.Value = func(time.Duration) float64 { return 0.09876 }
		line := &wire.Line{Clock: c, ByteTime: time.Millisecond, Answer: gauge.Answer}

		src, err := serialgauge.Over(line.Opener).Open(nil, c, drivers.Config{
			Bus: "/dev/serial/by-id/usb-adapter",
			Inputs: []drivers.InputConfig{{Options: map[string]string{
				"query": `PR1\r`, "pattern": `^P=([-+0-9.E]+)$`, "unit": "mbar", "baud": "9600",
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
	// Output: serial gauge on /dev/serial/by-id/usb-adapter 0.09876 mbar <nil>
}
