package buzzer_test

import (
	"fmt"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
	"tipoff/drivers/buzzer"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
)

func Example() {
	c := clock.NewVirtual(time.Unix(0, 0), 0)
	board := emulated.NewBoard(c)
	board.AddPin("GPIO18").OnEdge = func(_ time.Duration, l gpio.Level) { fmt.Println("line", l) }

	d, err := buzzer.Open(board, buzzer.Options{Line: "GPIO18"})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer d.Close()
	if err := d.Set(&drivers.Pattern{Pulses: []drivers.Pulse{{Length: 50 * time.Millisecond}}, Repeat: time.Second}); err != nil {
		fmt.Println(err)
	}
	for now := time.Duration(0); now < 100*time.Millisecond; now += 20 * time.Millisecond {
		if err := d.Tick(now); err != nil {
			fmt.Println(err)
		}
	}
	// Output:
	// line High
	// line Low
}
