package iio_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
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
	dir := filepath.Join(root, "sys/bus/iio/devices/iio:device0")
	_ = os.MkdirAll(dir, 0o755)
	for name, text := range map[string]string{"name": "mcp9600", "in_temp_raw": "3600", "in_temp_scale": "62.5"} {
		_ = os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600)
	}
	drivertest.OnClock(func(c *clock.Virtual) {
		src, err := iio.At(root).Open(nil, c, drivers.Config{
			Address: "name:mcp9600", Inputs: []drivers.InputConfig{{Input: "temp"}},
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
	// Output: IIO device name:mcp9600 225 °C <nil>
}
