package hwmon

import (
	"math"
	"testing"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
)

// Readings as the kernel's documentation shows them, in the units of
// sysfs-interface.rst: millivolts, thousandths of a degree, milliamperes.
func TestRecorded(t *testing.T) {
	cfg := config("name:smpro_hwmon", "in0", "temp1", "curr1")
	on(t, drivertest.Tree(t, "testdata/smpro.txt"), cfg, func(c *clock.Virtual, src *Dev) {
		if err := src.Start(ctx); err != nil {
			t.Error(err)
			return
		}
		dst := make([]drivers.Sample, 512)
		n, _, err := src.Read(ctx, dst)
		if n != 3 || err != nil {
			t.Errorf("%d samples, %v", n, err)
			return
		}
		for i, want := range []struct {
			value float64
			kind  drivers.Kind
			unit  string
		}{{0.83, drivers.Voltage, ""}, {37, drivers.Temperature, ""}, {9000, drivers.Number, "mA"}} {
			in := src.Inputs()[i]
			if got := dst[i].Raw * in.Scale; math.Abs(got-want.value) > 1e-9 || in.Kind != want.kind || in.Unit != want.unit || dst[i].Fault != 0 {
				t.Errorf("%s: %v %s (%+v), want %+v", in.Name, got, in.Unit, dst[i], want)
			}
		}
	})
}
