package contact_test

import (
	"context"
	"fmt"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/contact"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
)

func Example() {
	drivertest.OnClock(func(c *clock.Virtual) {
		board := emulated.NewBoard(c)
		board.AddPin("GPIO17").Drive(gpio.Low) // the contact pulls it to ground
		src, err := contact.Driver().Open(board, c, drivers.Config{Bus: "GPIO17", Inputs: []drivers.InputConfig{{}}})
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
			fmt.Println(src, "is", s.Raw, err)
		}
	})
	// Output: contact on GPIO17 is 1 <nil>
}
