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
// 0.1 Torr, in micron; current in mA; rate of rise in micron/min;
// small shares in ppm.
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
	case "m³":
		return digits(x*1e6) + " mL"
	case "m²":
		return digits(x*1e4) + " cm²"
	case "kg":
		return digits(x*1000) + " g"
	case "Pa m³":
		return digits(x*1000/torr) + " Torr L"
	case "Pa m³/s":
		return strconv.FormatFloat(x*1000/torr, 'e', 1, 64) + " Torr L/s"
	case "1":
		if x != 0 && math.Abs(x) < 0.01 {
			return digits(x*1e6) + " ppm"
		}
		return digits(x)
	}
	return strings.TrimSpace(digits(x) + " " + unit)
}

// Bounds is a limit's bounds in the trade's units, each with its expanded
// uncertainty (95 %): "1.5 ± 0.3 to 5 ± 1 Torr", "at most 275 ± 14 °C".
func (l *Limit) Bounds() string {
	uLow, uHigh := l.Doubt()
	low, high := SayWithin(l.Low, 2*uLow, l.Unit), SayWithin(l.High, 2*uHigh, l.Unit)
	switch {
	case l.Low != l.Low && l.High != l.High:
		return "not known"
	case l.High != l.High:
		return "at least " + low
	case l.Low != l.Low:
		return "at most " + high
	}
	return span(low, high)
}

// span is "low to high", with the unit once where both have the same.
func span(low, high string) string {
	if i := strings.LastIndexByte(low, ' '); i >= 0 && strings.HasSuffix(high, low[i:]) {
		low = low[:i]
	}
	return low + " to " + high
}

// Said is a fact's value in the trade's units with its expanded uncertainty.
func (f *Fact) Said() string { return SayWithin(f.Value, 2*f.U, f.Unit) }

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

// SayWithin writes a value of an SI unit with its expanded uncertainty in the
// trade's: "1.93 ± 0.01 Torr", "245 ± 10 °C".
func SayWithin(x, expanded float64, unit string) string {
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
	case "ppm":
		scale, decimals = 1e-6, 0
	case "mA":
		scale, decimals = milli, 0
	case "min":
		scale = 60
	case "mL":
		scale, decimals = 1e-6, 0
	case "cm²":
		scale, decimals = 1e-4, 0
	case "g":
		scale = 1e-3
	case "Torr L":
		scale, decimals = torr/1000, 2
	case "Torr L/s":
		u := strconv.FormatFloat(expanded*1000/torr, 'e', 1, 64)
		return number + " ± " + u + " " + name
	}
	switch e := expanded / scale; {
	case e >= 10, name == "°C" && e >= 2, name == "s" && e >= 2:
		decimals = 0
	case e >= 1:
		decimals = min(decimals, 1)
	}
	pm := strconv.FormatFloat(expanded/scale, 'f', decimals, 64)
	if strings.Trim(pm, "0.") == "" {
		return text // less than the digits shown
	}
	// The value to the same decimals: 0.90 ± 0.42, not 0.9 ± 0.42.
	number = strconv.FormatFloat(x/scale, 'f', decimals, 64)
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

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
