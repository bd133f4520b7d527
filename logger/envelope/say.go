package envelope

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Say writes a value of an SI unit in the trade's: pressure in Torr or, below
// 0.1 Torr, in micron; current in mA; rate of rise in micron/min.
func Say(x float64, unit string) string {
	if x != x {
		return "not known"
	}
	switch unit {
	case "Pa":
		if math.Abs(x) < 0.1*torr {
			return digits(x/micron) + " micron"
		}
		return digits(x/torr) + " Torr"
	case "Pa/s":
		return digits(x/micron/perMinute) + " micron/min"
	case "A":
		return fmt.Sprintf("%.0f mA", x/milli)
	case "°C":
		return fmt.Sprintf("%.0f °C", x)
	case "°C/s":
		return fmt.Sprintf("%.1f °C/s", x)
	case "s":
		return sayTime(time.Duration(x * float64(time.Second)))
	}
	return strings.TrimSpace(digits(x) + " " + unit)
}

// sayDifference writes a difference; small ones of temperature keep a decimal.
func sayDifference(x float64, unit string) string {
	if unit == "°C" && math.Abs(x) < 10 {
		return fmt.Sprintf("%.1f °C", x)
	}
	return Say(x, unit)
}

// digits writes about three significant digits without an exponent, at most
// two decimals and no zeros at the end.
func digits(x float64) string {
	decimals := 2
	switch a := math.Abs(x); {
	case a >= 100:
		return strconv.FormatFloat(x, 'f', 0, 64)
	case a >= 10:
		decimals = 1
	}
	return strings.TrimRight(strings.TrimRight(strconv.FormatFloat(x, 'f', decimals, 64), "0"), ".")
}

// sayWithin writes a value with its expanded uncertainty in the same unit.
func sayWithin(x, expanded float64, unit string) string {
	text := Say(x, unit)
	number, name, ok := strings.Cut(text, " ")
	if !ok || x != x || !(expanded > 0) {
		return text
	}
	scale, decimals := 1.0, 1
	switch name {
	case "Torr":
		scale, decimals = torr, 2
	case "micron":
		scale = micron
	case "micron/min":
		scale, decimals = micron*perMinute, 2
	case "mA":
		scale, decimals = milli, 0
	case "min":
		scale = 60
	}
	pm := strconv.FormatFloat(expanded/scale, 'f', decimals, 64)
	if strings.Trim(pm, "0.") == "" {
		return text // less than the digits shown
	}
	return number + " ± " + pm + " " + name
}

func sayTime(d time.Duration) string {
	switch {
	case d < 10*time.Second:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	default:
		return fmt.Sprintf("%.1f min", d.Minutes())
	}
}

// sentence makes a sentence of a reason as the tables hold it.
func sentence(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:] + "."
}
