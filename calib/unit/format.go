package unit

import (
	"math"
	"strconv"
	"strings"
)

// trade chooses the unit in which the trade speaks of a quantity of this size.
func (d Dimension) trade(v float64) string {
	a := math.Abs(v)
	switch d {
	case Length:
		if a >= 0.1 {
			return "m"
		}
		return "mm"
	case Area:
		return "cm2"
	case Volume:
		if a < 0.1e-3 {
			return "mL"
		}
		return "L"
	case Mass:
		if a < 0.1e-3 {
			return "mg"
		}
		return "g"
	case Duration:
		switch {
		case a >= 7200:
			return "h"
		case a >= 120:
			return "min"
		case a < 1 && a > 0:
			return "ms"
		}
		return "s"
	case Pressure:
		if a < 0.1*Torr {
			return "micron"
		}
		return "Torr"
	case PressureRate:
		if a < Torr/600 {
			return "micron/min"
		}
		return "Torr/min"
	case TempRate:
		return "°C/s"
	case TempDifference:
		return "K"
	case Current:
		if a >= 1 {
			return "A"
		}
		return "mA"
	case Voltage:
		switch {
		case a >= 1000:
			return "kV"
		case a < 0.1 && a > 0:
			return "mV"
		}
		return "V"
	case VolumeRate:
		return "L/s"
	case PressurePerVolt:
		return "Torr/V"
	case TempPerVolt:
		return "°C/V"
	}
	return d.Base()
}

// Format writes a value, given in the base unit of d, in the unit of the trade
// with three significant digits (temperatures: whole degrees): "9 Torr",
// "35 micron", "62.5 mA", "230 °C". A value that is not a number is "—".
func Format(v float64, d Dimension) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "—"
	}
	name := d.trade(v)
	x := v
	if u := d.find(name); u != nil {
		x = u.from(v)
	}
	var s string
	switch a := math.Abs(x); {
	case d == Temperature || a >= 100 && a < 1e7:
		s = strconv.FormatFloat(x, 'f', 0, 64)
	case a == 0 || a >= 1e-4 && a < 100:
		s = trim(strconv.FormatFloat(x, 'f', decimals(a), 64))
	default:
		s = strconv.FormatFloat(x, 'g', 3, 64)
	}
	if s == "-0" {
		s = "0"
	}
	return join(s, name)
}

// decimals is how many decimals show three significant digits of a < 100.
func decimals(a float64) int {
	n := 1
	for b := 10.0; a > 0 && a < b && n < 7; b /= 10 {
		n++
	}
	return n
}

func trim(s string) string {
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

func join(number, name string) string {
	if name == "" {
		return number
	}
	return number + " " + name
}

// Exact writes a value so that [Parse] gives back the same float64, in the unit
// of the trade if a short number does it, else in the base unit. v is finite.
func Exact(v float64, d Dimension) string {
	name := d.trade(v)
	if u := d.find(name); u != nil {
		x := u.from(v)
		for prec := 1; prec <= 15; prec++ {
			s := strconv.FormatFloat(x, 'g', prec, 64)
			if y, err := strconv.ParseFloat(s, 64); err == nil && u.base(y) == v {
				return join(strconv.FormatFloat(y, 'f', -1, 64), name)
			}
		}
	}
	return join(strconv.FormatFloat(v, 'g', -1, 64), d.Base())
}
