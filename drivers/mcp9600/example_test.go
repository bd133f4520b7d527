package mcp9600_test

import (
	"fmt"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
	"tipoff/drivers/mcp9600"
)

func Example() {
	drivertest.OnClock(func(c *clock.Virtual) {
		chip := emulated.NewMCP9601(c)
		chip.Hot = func(time.Duration) float64 { return 225 }
		board := emulated.NewBoard(c)
		board.AddI2C("/dev/i2c-1", 0x67, chip)
		src, err := mcp9600.Driver().Open(board, c, drivers.Config{
			Bus: "/dev/i2c-1", Address: "0x67",
			Inputs: []drivers.InputConfig{{Options: map[string]string{"type": "K"}}},
		})
		if err != nil {
			fmt.Println(err)
			return
		}
		got, err := drivertest.First(c, src, 1)
		for _, s := range got {
			in := src.Inputs()[s.Input]
			fmt.Println(s.Raw*in.Scale, "°C at", s.Aux*in.AuxScale, "°C", err)
		}
	})
	// Output: 225 °C at 25 °C <nil>
}
