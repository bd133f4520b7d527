package max31856_test

import (
	"context"
	"fmt"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
	"tipoff/drivers/max31856"
)

func Example() {
	drivertest.OnClock(func(c *clock.Virtual) {
		chip := emulated.NewMAX31856(c)
		chip.Hot = func(time.Duration) float64 { return 225 }
		board := emulated.NewBoard(c)
		board.AddSPI("/dev/spidev0.0", chip)
		src, err := max31856.Driver().Open(board, c, drivers.Config{
			Bus: "/dev/spidev0.0", Mains: 50,
			Inputs: []drivers.InputConfig{{Options: map[string]string{"type": "K"}}},
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
		in := src.Inputs()[0]
		for range 2 {
			n, next, err := src.Read(ctx, buf)
			for _, s := range buf[:n] {
				fmt.Println(s.Raw*in.Scale, "°C at", s.Aux*in.AuxScale, "°C", err)
			}
			_ = c.SleepUntil(ctx, next)
		}
	})
	// Output: 225 °C at 25 °C <nil>
}
