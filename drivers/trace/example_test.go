package trace_test

import (
	"context"
	"fmt"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/trace"
)

// Two rows of a spreadsheet's file, a second apart, played at the clock's pace.
func Example() {
	const file = "time [s],glass [C],pressure [Torr]\n0,20.5,\n1,21,0.5\n"
	t, _, err := trace.Parse("run.csv", strings.NewReader(file))
	if err != nil {
		fmt.Println(err)
		return
	}
	drivertest.OnClock(func(c *clock.Virtual) {
		src, err := trace.Open(t, c, "glass", "pressure")
		if err != nil {
			fmt.Println(err)
			return
		}
		defer src.Close()
		buf := make([]drivers.Sample, 512)
		for !src.Done() {
			n, next, err := src.Read(context.Background(), buf)
			for _, s := range buf[:n] {
				fmt.Printf("%v %s %.1f %s, %v %v\n", s.At, src.Inputs()[s.Input].Name, s.Raw, src.Inputs()[s.Input].Unit, s.Fault, err)
			}
			_ = c.SleepUntil(context.Background(), max(next, c.Now()+time.Millisecond))
		}
	})
	// Output:
	// 0s glass 20.5 °C, none <nil>
	// 0s pressure NaN Pa, missing <nil>
	// 1s glass 21.0 °C, none <nil>
	// 1s pressure 66.7 Pa, none <nil>
}
