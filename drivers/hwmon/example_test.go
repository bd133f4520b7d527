package hwmon_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
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
	dir := filepath.Join(root, "sys/class/hwmon/hwmon2")
	_ = os.MkdirAll(dir, 0o755)
	for name, text := range map[string]string{"name": "sht3x", "temp1_input": "22350", "temp1_label": "Ambient"} {
		_ = os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600)
	}
	drivertest.OnClock(func(c *clock.Virtual) {
		src, err := hwmon.At(root).Open(nil, c, drivers.Config{
			Address: "name:sht3x", Inputs: []drivers.InputConfig{{Input: "temp:Ambient"}},
		})
		if err != nil {
			fmt.Println(err)
			return
		}
		defer src.Close()
		ctx := context.Background()
		if err := src.Start(ctx); err != nil {
			fmt.Println(err)
			return
		}
		buf := make([]drivers.Sample, 512)
		n, _, err := src.Read(ctx, buf)
		for _, s := range buf[:n] {
			fmt.Println(src, s.Raw*src.Inputs()[s.Input].Scale, "°C", err)
		}
	})
	// Output: hwmon chip name:sht3x 22.35 °C <nil>
}
