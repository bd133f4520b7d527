package lamp_test

import (
	"fmt"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/lamp"
)

func Example() {
	c := clock.NewVirtual(time.Unix(0, 0), 0)
	board := emulated.NewBoard(c)
	board.AddPin("GPIO17").OnEdge = func(_ time.Duration, l gpio.Level) { fmt.Println("line", l) }

	d, err := lamp.Open(board, lamp.Options{Line: "GPIO17"})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer d.Close()
	for _, p := range []*drivers.Pattern{{Name: "high", Repeat: time.Second}, nil} {
		if err := d.Set(p); err != nil {
			fmt.Println(err)
		}
	}
	// Output:
	// line High
	// line Low
}
