package iio_test

import (
	"fmt"
	"os"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
	"tipoff/drivers/iio"
)

// On a bench Driver is used, which looks below /sys and /dev.
func Example() {
	root, err := os.MkdirTemp("", "iio")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(root)
	device := emulated.NewSysfs(root, "sys/bus/iio/devices", "iio:device",
		map[string]string{"name": "mcp9600", "in_temp_scale": "62.5"}, "in_temp_raw")
	device.Value = func(time.Duration) float64 { return 3600 }
	drivertest.OnClock(func(c *clock.Virtual) {
		src, err := device.Under(iio.At(root)).Open(nil, c, drivers.Config{
			Address: "name:mcp9600", Inputs: []drivers.InputConfig{{Input: "temp"}},
		})
		if err != nil {
			fmt.Println(err)
			return
		}
		got, err := drivertest.First(c, src, 1)
		for _, s := range got {
			fmt.Println(src.Inputs()[0].Name, s.Raw*src.Inputs()[s.Input].Scale, "°C", err)
		}
	})
	// Output: temp 225 °C <nil>
}
