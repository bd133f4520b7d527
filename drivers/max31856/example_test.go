package max31856_test

import (
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
		got, err := drivertest.First(c, src, 1)
		for _, s := range got {
			in := src.Inputs()[s.Input]
			fmt.Println(s.Raw*in.Scale, "°C at", s.Aux*in.AuxScale, "°C", err)
		}
	})
	// Output: 225 °C at 25 °C <nil>
}
