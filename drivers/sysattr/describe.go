package sysattr

import (
	"fmt"
	"strings"

	"tipoff/drivers"
	"tipoff/drivers/bus"
)

// Accuracy reads the option "accuracy" of a device whose kernel driver states
// none: a percentage, or °C for a temperature, V or mV for a voltage. Not given,
// it is ±2 °C for a temperature and ±share of the reading for all else.
func Accuracy(o *bus.Options, kind drivers.Kind, share float64) (a drivers.Accuracy, err error) {
	a.Source = "bench.toml, accuracy"
	word := o.Word("accuracy")
	switch {
	case word == "" && kind == drivers.Temperature:
		a.Offset, a.Source = 2, "assumed: ±2 °C; the kernel states no accuracy"
	case word == "":
		a.Gain, a.Source = share, fmt.Sprintf("assumed: ±%g %% of the reading; the kernel states no accuracy", 100*share)
	case strings.HasSuffix(word, "%"):
		a.Gain, err = o.Number("accuracy", "%")
		a.Gain /= 100
	case kind == drivers.Temperature:
		a.Offset, err = o.Number("accuracy", "°C")
	case kind == drivers.Voltage && strings.HasSuffix(word, "mV"):
		a.Offset, err = o.Number("accuracy", "mV")
		a.Offset /= 1000
	case kind == drivers.Voltage:
		a.Offset, err = o.Number("accuracy", "V")
	default:
		err = o.Wrong("accuracy")
	}
	return a, err
}

// Describe gives an input of the kernel's unit: thousandths of a degree, of a
// volt or of a percent, mA, kPa. kind is "temp", "voltage" (hwmon: "in"),
// "current" ("curr"), "humidityrelative" ("humidity") or "pressure".
func Describe(name, kind string) drivers.Input {
	in := drivers.Input{Name: name, Kind: drivers.Number, Scale: 1}
	switch kind {
	case "temp":
		in.Kind, in.Scale = drivers.Temperature, 1e-3
	case "voltage", "in":
		in.Kind, in.Scale = drivers.Voltage, 1e-3
	case "current", "curr":
		in.Unit = "mA"
	case "pressure":
		in.Unit = "kPa"
	case "humidityrelative", "humidity":
		in.Unit, in.Scale = "%", 1e-3
	}
	return in
}
