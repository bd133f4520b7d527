// Package unit reads and writes quantities as people in the trade write them:
// "15 mm", "9 Torr", "230 °C", "60 mA". Inside tipoff a quantity is a float64 in
// the base unit of its [Dimension]: SI, but temperatures in °C.
//
// A quantity in a file always carries its unit; only a [Ratio] may go without.
// The dimension that a key wants is known, so a unit is looked up among those
// of that dimension only: "micron" is a pressure (0.001 Torr), never a length.
package unit

import (
	"math"
	"strconv"
	"strings"
)

// Dimension is what kind of quantity a number is.
type Dimension uint8

// The dimensions, each with its base unit.
const (
	Length          Dimension = iota + 1 // m
	Area                                 // m²
	Volume                               // m³
	Mass                                 // kg
	Duration                             // s
	Frequency                            // Hz
	Pressure                             // Pa
	PressureRate                         // Pa/s
	Temperature                          // °C, a point on the scale
	TempDifference                       // K, a difference: 1 °C of difference is 1 K
	TempRate                             // K/s
	Current                              // A
	Voltage                              // V
	Resistance                           // Ω
	VolumeRate                           // m³/s, pump speed
	Ratio                                // 1
	VoltPerDecade                        // V per factor ten, the slope of a logarithmic output
	PressurePerVolt                      // Pa/V
	CurrentPerVolt                       // A/V
	TempPerVolt                          // K/V
	dimensions
)

// Pascals in one Torr, exactly 101325/760 (the Torr's definition). The micron of
// the trade is 0.001 Torr.
const (
	torrNum = 101325.0
	torrDen = 760.0
)

// Torr is one Torr in Pa.
const Torr = torrNum / torrDen

// Micron is one micron of mercury, taken as 0.001 Torr, in Pa.
const Micron = torrNum / (torrDen * 1000)

// def is one unit: base = (x + shift)*num/den + offset. Integer num and den keep
// the conversion correct to the last digit where a single factor would not be.
type def struct {
	names    string // spellings, the one that is shown first, separated by spaces
	num, den float64
	shift    float64
	offset   float64
}

type dimension struct {
	name string
	base string // spelling of the base unit
	defs []def
}

var table = [dimensions]dimension{
	Length: {"length", "m", []def{
		{names: "mm", num: 1, den: 1000}, {names: "cm", num: 1, den: 100}, {names: "m", num: 1, den: 1},
		{names: "in inch", num: 254, den: 10000}, {names: "µm um μm", num: 1, den: 1e6}}},
	Area: {"area", "m2", []def{
		{names: "cm2 cm² cm^2", num: 1, den: 1e4}, {names: "mm2 mm² mm^2", num: 1, den: 1e6},
		{names: "m2 m² m^2", num: 1, den: 1}}},
	Volume: {"volume", "m3", []def{
		{names: "L l", num: 1, den: 1000}, {names: "mL ml", num: 1, den: 1e6},
		{names: "cm3 cm³ cm^3", num: 1, den: 1e6}, {names: "m3 m³ m^3", num: 1, den: 1}}},
	Mass: {"mass", "kg", []def{
		{names: "g", num: 1, den: 1000}, {names: "mg", num: 1, den: 1e6}, {names: "kg", num: 1, den: 1}}},
	Duration: {"time", "s", []def{
		{names: "s", num: 1, den: 1}, {names: "ms", num: 1, den: 1000}, {names: "µs us μs", num: 1, den: 1e6},
		{names: "min", num: 60, den: 1}, {names: "h", num: 3600, den: 1}, {names: "d", num: 86400, den: 1}}},
	Frequency: {"frequency", "Hz", []def{
		{names: "Hz", num: 1, den: 1}, {names: "kHz", num: 1000, den: 1}, {names: "/s 1/s", num: 1, den: 1}}},
	Pressure: {"pressure", "Pa", []def{
		{names: "Torr torr", num: torrNum, den: torrDen},
		{names: "micron microns mTorr mtorr", num: torrNum, den: torrDen * 1000},
		{names: "mbar hPa", num: 100, den: 1}, {names: "Pa", num: 1, den: 1}, {names: "kPa", num: 1000, den: 1}}},
	PressureRate: {"rate of pressure", "Pa/s", []def{
		{names: "micron/min mTorr/min", num: torrNum, den: torrDen * 60000},
		{names: "Torr/min", num: torrNum, den: torrDen * 60}, {names: "Torr/s", num: torrNum, den: torrDen},
		{names: "Pa/s", num: 1, den: 1}}},
	Temperature: {"temperature", "°C", []def{
		{names: "°C C ℃", num: 1, den: 1}, {names: "°F F ℉", num: 5, den: 9, shift: -32},
		{names: "K", num: 1, den: 1, offset: -273.15}}},
	TempDifference: {"temperature difference", "K", []def{
		{names: "K", num: 1, den: 1}, {names: "°C C", num: 1, den: 1}, {names: "°F F", num: 5, den: 9}}},
	TempRate: {"rate of temperature", "K/s", []def{
		{names: "°C/s C/s K/s", num: 1, den: 1}, {names: "°C/min C/min K/min", num: 1, den: 60},
		{names: "°F/s F/s", num: 5, den: 9}}},
	Current: {"current", "A", []def{
		{names: "mA", num: 1, den: 1000}, {names: "A", num: 1, den: 1}, {names: "µA uA μA", num: 1, den: 1e6}}},
	Voltage: {"voltage", "V", []def{
		{names: "V", num: 1, den: 1}, {names: "mV", num: 1, den: 1000}, {names: "µV uV μV", num: 1, den: 1e6},
		{names: "kV", num: 1000, den: 1}}},
	Resistance: {"resistance", "ohm", []def{
		{names: "ohm Ω Ω", num: 1, den: 1}, {names: "kohm kΩ kΩ", num: 1000, den: 1},
		{names: "mohm mΩ mΩ", num: 1, den: 1000}, {names: "Mohm MΩ MΩ", num: 1e6, den: 1}}},
	VolumeRate: {"pump speed", "m3/s", []def{
		{names: "L/s l/s", num: 1, den: 1000}, {names: "L/min l/min", num: 1, den: 60000},
		{names: "m3/h m³/h", num: 1, den: 3600}, {names: "m3/s m³/s", num: 1, den: 1}}},
	Ratio: {"ratio", "", []def{
		{names: "", num: 1, den: 1}, {names: "%", num: 1, den: 100}, {names: ":1", num: 1, den: 1}}},
	VoltPerDecade: {"slope", "V/decade", []def{{names: "V/decade", num: 1, den: 1}, {names: "mV/decade", num: 1, den: 1000}}},
	PressurePerVolt: {"slope", "Pa/V", []def{
		{names: "Torr/V", num: torrNum, den: torrDen}, {names: "micron/V mTorr/V", num: torrNum, den: torrDen * 1000},
		{names: "mbar/V hPa/V", num: 100, den: 1}, {names: "Pa/V", num: 1, den: 1}}},
	CurrentPerVolt: {"slope", "A/V", []def{{names: "A/V", num: 1, den: 1}, {names: "mA/V", num: 1, den: 1000},
		{names: "A/mV", num: 1000, den: 1}}},
	TempPerVolt: {"slope", "K/V", []def{{names: "°C/V C/V K/V", num: 1, den: 1}, {names: "°C/mV C/mV K/mV", num: 1000, den: 1}}},
}

// String is the dimension in words: "pump speed".
func (d Dimension) String() string { return d.of().name }

// Base is the unit of values of this dimension inside tipoff: "Pa", "°C", "m2";
// "" for a ratio.
func (d Dimension) Base() string { return d.of().base }

func (d Dimension) of() dimension {
	if d == 0 || d >= dimensions {
		return dimension{name: "quantity"}
	}
	return table[d]
}

// Units lists the spellings that are allowed, in words: "mm, cm, m, in or µm".
func (d Dimension) Units() string {
	var names []string
	for _, u := range d.of().defs {
		switch n, _, _ := strings.Cut(u.names, " "); n {
		case "":
			names = append(names, "no unit")
		default:
			names = append(names, n)
		}
	}
	if n := len(names); n > 1 {
		return strings.Join(names[:n-1], ", ") + " or " + names[n-1]
	}
	return strings.Join(names, "")
}

// Error says what was found where a quantity was wanted, and what is allowed.
type Error struct {
	Found   string // as written
	Why     string // "no unit", "not a number", …
	Allowed string // "a length in mm, cm, m, in or µm"
}

// Error implements error.
func (e *Error) Error() string {
	return "found " + strconv.Quote(e.Found) + " (" + e.Why + "); allowed: " + e.Allowed
}

func (d Dimension) wrong(found, why string) error {
	name := d.String()
	article := "a "
	if strings.ContainsRune("aeiou", rune(name[0])) {
		article = "an "
	}
	allowed := article + name + " in " + d.Units()
	if d == Ratio {
		allowed = `a ratio as "0.9", "90 %" or "1000:1"`
	}
	return &Error{Found: found, Why: why, Allowed: allowed}
}

// absoluteZero is 0 K in °C.
const absoluteZero = -273.15

// Parse reads a quantity of dimension want, "15 mm", and gives its value in the
// base unit of the dimension. The number is decimal with a point and an optional
// exponent; a space before the unit may be left out. Errors are of type [*Error].
func Parse(s string, want Dimension) (float64, error) {
	t := strings.TrimSpace(s)
	t = strings.Replace(t, "−", "-", 1) // minus sign as typesetters write it
	n := numberLen(t)
	if n == 0 {
		return 0, want.wrong(s, "not a number with a unit")
	}
	x, err := strconv.ParseFloat(t[:n], 64)
	if err != nil {
		return 0, want.wrong(s, "number too large")
	}
	rest := t[n:]
	name := strings.TrimSpace(rest)
	if strings.HasPrefix(rest, ",") && numberLen(rest[1:]) > 0 {
		return 0, want.wrong(s, "decimals are written with a point")
	}
	u := want.find(name)
	switch {
	case u == nil && name == "":
		return 0, want.wrong(s, "no unit")
	case u == nil:
		if other := dimensionOf(name); other != 0 && other != want {
			return 0, want.wrong(s, strconv.Quote(name)+" is a unit of "+other.String())
		}
		return 0, want.wrong(s, "unknown unit "+strconv.Quote(name))
	}
	v := u.base(x)
	if math.IsInf(v, 0) {
		return 0, want.wrong(s, "number too large")
	}
	// One part in 1e12 below is the rounding of "0 K" and "-459.67 F".
	if want == Temperature && v < absoluteZero*(1+1e-12) {
		return 0, want.wrong(s, "below absolute zero")
	}
	return v, nil
}

func (u *def) base(x float64) float64 { return (x+u.shift)*u.num/u.den + u.offset }

func (u *def) from(v float64) float64 { return (v-u.offset)*u.den/u.num - u.shift }

// find is the unit called name in dimension d, or nil.
func (d Dimension) find(name string) *def {
	defs := d.of().defs
	for i := range defs {
		rest, more := defs[i].names, true
		for more {
			var n string
			n, rest, more = strings.Cut(rest, " ")
			if n == name {
				return &defs[i]
			}
		}
	}
	return nil
}

// dimensionOf finds a dimension that has a unit of this name.
func dimensionOf(name string) Dimension {
	for d := Dimension(1); d < dimensions; d++ {
		if d.find(name) != nil {
			return d
		}
	}
	return 0
}

// numberLen is the length of the decimal number at the start of s, 0 if none.
func numberLen(s string) int {
	i, digits := 0, 0
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	for ; i < len(s) && s[i] >= '0' && s[i] <= '9'; i++ {
		digits++
	}
	if i < len(s) && s[i] == '.' {
		i++
		for ; i < len(s) && s[i] >= '0' && s[i] <= '9'; i++ {
			digits++
		}
	}
	if digits == 0 {
		return 0
	}
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		j := i + 1
		if j < len(s) && (s[j] == '+' || s[j] == '-') {
			j++
		}
		k := j
		for ; k < len(s) && s[k] >= '0' && s[k] <= '9'; k++ {
		}
		if k > j {
			i = k
		}
	}
	return i
}
