package mcp3208_test

import (
	"context"
	"fmt"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
	"tipoff/drivers/mcp3208"
)

func Example() {
	drivertest.OnClock(func(c *clock.Virtual) {
		chip := emulated.NewMCP3208(c, 3.3)
		chip.Input[3] = func(time.Duration) float64 { return 1.65 }
		board := emulated.NewBoard(c)
		board.AddSPI("/dev/spidev0.0", chip)
		src, err := mcp3208.Driver().Open(board, c, drivers.Config{
			Bus:    "/dev/spidev0.0",
			Inputs: []drivers.InputConfig{{Input: "ch3", Options: map[string]string{"rate": "5000/s"}}},
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
		fmt.Println(n, "samples", buf[1].At-buf[0].At, "apart, code", buf[0].Raw, err)
	})
	// Output: 100 samples 200µs apart, code 2048 <nil>
}
