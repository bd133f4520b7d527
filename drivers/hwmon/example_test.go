package hwmon_test

import (
	"fmt"
	"os"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
	"tipoff/drivers/hwmon"
)

// On a bench Driver is used, which looks below /sys.
func Example() {
	root, err := os.MkdirTemp("", "hwmon")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(root)
	chip := emulated.NewSysfs(root, "sys/class/hwmon", "hwmon",
		map[string]string{"name": "sht3x", "temp1_label": "Ambient"}, "temp1_input")
	chip.Value = func(time.Duration) float64 { return 22350 }
	drivertest.OnClock(func(c *clock.Virtual) {
		src, err := chip.Under(hwmon.At(root)).Open(nil, c, drivers.Config{
			Address: "name:sht3x", Inputs: []drivers.InputConfig{{Input: "temp:Ambient"}},
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
	// Output: temp:Ambient 22.35 °C <nil>
}
