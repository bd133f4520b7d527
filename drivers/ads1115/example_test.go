package ads1115_test

import (
	"context"
	"fmt"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/ads1115"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
)

// On a bench the ports are those of package host and the clock is clock.System.
func Example() {
	drivertest.OnClock(func(c *clock.Virtual) {
		chip := emulated.NewADS1115(c)
		chip.Input[2] = func(time.Duration) float64 { return 1.5 }
		board := emulated.NewBoard(c)
		board.AddI2C("/dev/i2c-1", 0x48, chip)

		src, err := ads1115.Driver().Open(board, c, drivers.Config{
			Bus:    "/dev/i2c-1",
			Inputs: []drivers.InputConfig{{Input: "ain2", Options: map[string]string{"range": "2.048 V"}}},
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
		for range 2 {
			n, next, err := src.Read(ctx, buf)
			for _, s := range buf[:n] {
				fmt.Println(src, "code", s.Raw, "volts", s.Raw*src.Inputs()[s.Input].Scale, err)
			}
			_ = c.SleepUntil(ctx, next)
		}
	})
	// Output: ADS1115 on /dev/i2c-1 at 0x48 code 24000 volts 1.5 <nil>
}
