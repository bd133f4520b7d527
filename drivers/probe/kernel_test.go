package probe

import (
	"math"
	"testing"
	"time"
)

// Scale and offset of an IIO channel are found where the ABI lets the kernel's
// drivers keep them (Linux Documentation/ABI/testing/sysfs-bus-iio: shared by type,
// by modifier, by differential channels); a raw number without a scale is none. Of a raw
// and a processed number it is the raw one, as the driver has it.
func TestKernelScales(t *testing.T) {
	const dir = "/sys/bus/iio/devices/iio:device0/"
	for name, c := range map[string]struct {
		files map[string]string
		input string
		want  float64 // NaN: no reading
		unit  string
	}{
		"own":                {map[string]string{"in_voltage0_raw": "100", "in_voltage0_scale": "2", "in_voltage_scale": "7"}, "voltage0", 0.2, "V"},
		"of the kind":        {map[string]string{"in_voltage0_raw": "100", "in_voltage_scale": "3"}, "voltage0", 0.3, "V"},
		"of differential":    {map[string]string{"in_voltage0-voltage1_raw": "100", "in_voltage-voltage_scale": "4", "in_voltage_scale": "7"}, "voltage0-voltage1", 0.4, "V"},
		"of the modifier":    {map[string]string{"in_temp0_ambient_raw": "100", "in_temp_ambient_scale": "62.5", "in_temp_scale": "7"}, "temp0_ambient", 6.25, "°C"},
		"without modifier":   {map[string]string{"in_voltage0_low_raw": "100", "in_voltage0_scale": "5"}, "voltage0_low", 0.5, "V"},
		"offset of the kind": {map[string]string{"in_temp0_raw": "100", "in_temp0_scale": "10", "in_temp_offset": "-20"}, "temp0", 0.8, "°C"},
		"current":            {map[string]string{"in_current0_raw": "100", "in_current_scale": "0.5"}, "current0", 50, "mA"},
		"processed":          {map[string]string{"in_pressure_input": "101.5"}, "pressure", 101.5, "kPa"},
		"processed and raw":  {map[string]string{"in_temp_input": "21000", "in_temp_raw": "100", "in_temp_scale": "230"}, "temp", 23, "°C"},
		"no scale":           {map[string]string{"in_voltage0_raw": "100", "in_voltage1_scale": "2"}, "voltage0", math.NaN(), ""},
		"scale no number":    {map[string]string{"in_voltage0_raw": "100", "in_voltage0_scale": "two", "in_voltage_scale": "7"}, "voltage0", math.NaN(), ""},
		"offset no number":   {map[string]string{"in_voltage0_raw": "100", "in_voltage0_scale": "2", "in_voltage0_offset": "-"}, "voltage0", math.NaN(), ""},
	} {
		r := newRig()
		r.file(dir+"name", "chip\n")
		for file, text := range c.files {
			r.file(dir+file, text+"\n")
		}
		r.file(dir+"in_voltage9_offset_raw", "1\n") // an attribute and no channel
		r.file(dir+"in_count0_raw", "1\n")          // nothing that tipoff reads
		rep, _ := r.look(t, Options{Time: 300 * time.Millisecond})
		if len(rep.IIO) != 1 || len(rep.IIO[0].Inputs) != 1 || rep.IIO[0].Inputs[0].Name != c.input {
			t.Errorf("%s: %+v", name, rep.IIO)
			continue
		}
		got := rep.IIO[0].Inputs[0].Reading
		if math.IsNaN(c.want) {
			if got != nil {
				t.Errorf("%s: %+v, want no reading", name, got)
			}
			continue
		}
		if got == nil || math.Abs(got.Value-c.want) > 1e-12 || got.Unit != c.unit {
			t.Errorf("%s: %+v, want %v %s", name, got, c.want, c.unit)
		}
	}
}
