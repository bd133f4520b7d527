package serialgauge_test

import (
	"fmt"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/serialgauge"
)

// A gauge that answers "PR1" and a carriage return with lines like
// "0,9.876E-02".
func Example() {
	src, err := serialgauge.Driver().Open(nil, clock.System{}, drivers.Config{
		Bus: "/dev/serial/by-id/usb-adapter",
		Inputs: []drivers.InputConfig{{Options: map[string]string{
			"query": `PR1\r`, "pattern": `^0,([-+0-9.E]+)$`, "unit": "mbar", "baud": "9600",
		}}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer src.Close()
	fmt.Println(src, src.Inputs()[0].Unit)
	// Output: serial gauge on /dev/serial/by-id/usb-adapter mbar
}
