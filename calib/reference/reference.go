// Package reference holds the physical references that a bench is calibrated
// against: the ice point, boiling water at a known pressure or altitude, and an
// oil manometer. Each comes with the standard uncertainty that a careful person
// reaches with kitchen and workshop means; a laboratory does better.
package reference

import (
	"errors"
	"fmt"
	"math"

	"tipoff/calib/gauge"
	"tipoff/calib/uncertainty"
)

// Point is a reference value.
type Point struct {
	X float64 // °C or Pa
	U float64 // standard uncertainty, same unit
}

// What workshop means reach, half-widths of rectangular distributions.
// Common practice, from memory, unless said otherwise.
const (
	IceSpread       = 0.1  // °C: crushed ice in its own water, stirred
	BoilingSpread   = 0.2  // °C: superheat of the pot and salts of tap water; junction in the water
	BarometerSpread = 200  // Pa: household barometer or the nearest station's reading
	WeatherSpread   = 3000 // Pa: the weather about the standard atmosphere, where only the altitude is known
	HeightSpread    = 5e-4 // m: meniscus (physics.md §4.6: 0.5 mm is 38 mTorr)
	OilSpread       = 4    // kg/m³: published 1042 to 1050 at 20 °C (physics.md §4.6)
	OilTempSpread   = 1    // °C
)

// Water's critical point (IAPWS saturation line, physics.md §8.1).
const (
	criticalK  = 647.096
	criticalPa = 22.064e6
	zeroK      = 273.15
)

var wagner = [6]struct{ a, e float64 }{
	{-7.85951783, 1}, {1.84408259, 1.5}, {-11.7866497, 3},
	{22.6807411, 3.5}, {-15.9618719, 4}, {1.80122502, 7.5},
}

// lnPressure is ln(p/pc) of saturated water at k kelvin, within 0.025 % (Wagner and
// Pruss; from memory), and its derivative by k.
func lnPressure(k float64) (ln, slope float64) {
	tau := 1 - k/criticalK
	var f, df float64
	for _, t := range wagner {
		f += t.a * math.Pow(tau, t.e)
		df += t.a * t.e * math.Pow(tau, t.e-1)
	}
	r := criticalK / k
	return r * f, -r*f/k - df/k
}

// BoilingPoint is the temperature in °C at which water boils under pa, from
// 612 Pa to 22 MPa, and its derivative in °C/Pa.
func BoilingPoint(pa float64) (c, perPa float64, err error) {
	if !(pa >= 611.66 && pa <= 22.06e6) {
		return 0, 0, fmt.Errorf("boiling point of water at %g Pa: allowed 611.66 Pa to 22.06 MPa", pa)
	}
	want := math.Log(pa / criticalPa)
	// ln p is nearly linear in 1/T, so Newton's steps in 1/T always converge;
	// the bounds keep rounding off the critical point.
	k := 373.0
	for range 50 {
		ln, slope := lnPressure(k)
		next := 1 / (1/k + (ln-want)/(slope*k*k))
		next = math.Min(math.Max(next, 270), criticalK-1e-6)
		if math.Abs(next-k) < 1e-10 {
			k = next
			break
		}
		k = next
	}
	_, slope := lnPressure(k)
	return k - zeroK, 1 / (pa * slope), nil
}

// StandardPressure is the pressure in Pa of the standard atmosphere (ISO 2533)
// at a geopotential altitude of -500 to 11000 m.
func StandardPressure(altitude float64) (float64, error) {
	if !(altitude >= -500 && altitude <= 11000) {
		return 0, fmt.Errorf("standard atmosphere at %g m: allowed -500 to 11000 m", altitude)
	}
	const t0, lapse, r = 288.15, 0.0065, 287.05287
	return 101325 * math.Pow(1-lapse*altitude/t0, gauge.Gravity/(r*lapse)), nil
}

// Barometer is a room pressure of pa as read off a barometer at the bench: the
// station pressure, not the weather report's, which is reduced to sea level.
func Barometer(pa float64) (Point, error) {
	if !(pa >= 50e3 && pa <= 110e3) {
		return Point{}, fmt.Errorf("barometer: found %.0f hPa; allowed: 500 to 1100 hPa, the pressure at the bench, not reduced to sea level", pa/100)
	}
	return Point{X: pa, U: uncertainty.Rectangular(BarometerSpread)}, nil
}

// Altitude is the room pressure that the standard atmosphere has at altitude
// metres. The weather makes it far less certain than a barometer.
func Altitude(altitude float64) (Point, error) {
	pa, err := StandardPressure(altitude)
	if err != nil {
		return Point{}, err
	}
	if pa < 50e3 {
		return Point{}, fmt.Errorf("altitude: found %g m; allowed: -500 to 5500 m", altitude)
	}
	return Point{X: pa, U: uncertainty.Rectangular(WeatherSpread)}, nil
}

// Ice is the ice point.
func Ice() Point { return Point{X: 0, U: uncertainty.Rectangular(IceSpread)} }

// Boiling is boiling water under a room pressure.
func Boiling(room Point) (Point, error) {
	c, per, err := BoilingPoint(room.X)
	if err != nil {
		return Point{}, err
	}
	u, _ := uncertainty.Combine(
		uncertainty.Component{U: room.U, C: per},
		uncertainty.Component{U: uncertainty.Rectangular(BoilingSpread), C: 1})
	return Point{X: c, U: u}, nil
}

var errHeight = errors.New("reading the U-tube: the level difference makes a pressure below zero: read both limbs again, or name what is on the far limb")

// UTube is the pressure on a dibutyl phthalate manometer that shows a level
// difference of height metres at oil °C. far is the pressure on the other limb:
// 0 Pa where that is pumped out, or the room's where it is open; then the bench
// is below the room by the column.
func UTube(height, oil float64, far Point) (Point, error) {
	switch {
	case !(height >= 0 && height <= 12):
		return Point{}, fmt.Errorf("reading the U-tube: found a level difference of %g m; allowed: 0 to 12 m", height)
	case !(oil >= 0 && oil <= 60):
		return Point{}, fmt.Errorf("reading the U-tube: found oil at %g °C; allowed: 0 to 60 °C", oil)
	}
	c := gauge.DibutylPhthalate().Pressure(height, oil)
	x := c.Pa
	if far.X > 0 {
		x = far.X - c.Pa
	}
	if x < 0 {
		return Point{}, errHeight
	}
	u, _ := uncertainty.Combine(
		uncertainty.Component{U: uncertainty.Rectangular(HeightSpread), C: c.PerMetre},
		uncertainty.Component{U: uncertainty.Rectangular(OilSpread), C: c.PerKgM3},
		uncertainty.Component{U: uncertainty.Rectangular(OilTempSpread), C: c.PerDegree},
		uncertainty.Component{U: far.U, C: 1})
	return Point{X: x, U: u}, nil
}
