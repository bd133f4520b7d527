package max31855_test

import (
	"fmt"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
	"tipoff/drivers/max31855"
)

func Example() {
	drivertest.OnClock(func(c *clock.Virtual) {
		chip := emulated.NewMAX31855(c, 'K')
		chip.EMF = func(time.Duration) float64 { return emulated.TypeK(225) - emulated.TypeK(25) }
		board := emulated.NewBoard(c)
		board.AddSPI("/dev/spidev0.0", chip)
		src, err := max31855.Driver().Open(board, c, drivers.Config{
			Bus: "/dev/spidev0.0", Inputs: []drivers.InputConfig{{}},
		})
		if err != nil {
			fmt.Println(err)
			return
		}
		got, err := drivertest.First(c, src, 1)
		for _, s := range got {
			in := src.Inputs()[s.Input]
			fmt.Println(s.Raw*in.Scale, "°C at", s.Aux*in.AuxScale, "°C by", in.Linearised, err)
		}
	})
	// Output: 222.25 °C at 25 °C by 41.276 µV/°C <nil>
}
