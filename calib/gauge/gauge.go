// Package gauge turns a vacuum gauge's output voltage into pressure, corrects
// heat-conduction gauges for the gas they see, tells how far a gauge may be
// counted beside another, and reads an oil U-tube. Pressure is in Pa, voltage in V, temperature in °C.
package gauge

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/interp"
	"gonum.org/v1/gonum/stat"

	"tipoff/calib"
)

// Characteristic is what a gauge shows at a pressure, read backwards.
type Characteristic interface {
	// Pressure is the pressure in Pa at volts, and its slope in Pa/V there (the
	// sensitivity to every voltage error). It allocates nothing.
	Pressure(volts float64) (pa, perVolt float64)
}

// Linear is a line with a slope of PaPerVolt through one point.
type Linear struct {
	Volts, Pa float64 // a point of the line
	PaPerVolt float64
}

// NewLinear is the line through two points, in V and Pa.
func NewLinear(volts1, pa1, volts2, pa2 float64) (Linear, error) {
	if !(math.Abs(volts2-volts1) > 0) || !(math.Abs(pa2-pa1) > 0) {
		return Linear{}, errors.New("the two points of a linear gauge must differ in volts and in pressure")
	}
	return Linear{volts1, pa1, (pa2 - pa1) / (volts2 - volts1)}, nil
}

// Pressure implements [Characteristic].
func (l Linear) Pressure(volts float64) (pa, perVolt float64) {
	return l.Pa + (volts-l.Volts)*l.PaPerVolt, l.PaPerVolt
}

// LogLinear is p = Pa·10^((U - Volts)/VoltsPerDecade): 0.6 V per decade and
// 6.8 V at 100 Pa for the FRG-700 (Varian manual p.26).
type LogLinear struct {
	Volts, Pa      float64 // a point of the characteristic, Pa > 0
	VoltsPerDecade float64 // not 0
}

// Pressure implements [Characteristic].
func (l LogLinear) Pressure(volts float64) (pa, perVolt float64) {
	pa = l.Pa * math.Exp((volts-l.Volts)*(math.Ln10/l.VoltsPerDecade))
	return pa, pa * math.Ln10 / l.VoltsPerDecade
}

// MantissaExponent is an output that counts decades in steps of VoltsPerDecade and
// is linear from 1 to 10 within each ("pseudo-log"): at Volts + (n + f) steps, n
// whole and f from 0 to 1, it is p = Pa·(1 + 9·f)·10^n (Teledyne-Hastings 2002:
// 0.5 V per decade, 0 V at 1e-6 Torr).
type MantissaExponent struct {
	Volts, Pa      float64 // where a decade begins, Pa > 0
	VoltsPerDecade float64 // not 0
}

// Pressure implements [Characteristic].
func (m MantissaExponent) Pressure(volts float64) (pa, perVolt float64) {
	u := (volts - m.Volts) / m.VoltsPerDecade
	n := math.Floor(u)
	scale := m.Pa * math.Pow(10, n)
	return scale * (1 + 9*(u-n)), scale * 9 / m.VoltsPerDecade
}

// Output is the voltage at a pressure above 0.
func (m MantissaExponent) Output(pa float64) float64 {
	n := math.Floor(math.Log10(pa / m.Pa))
	f := (pa/(m.Pa*math.Pow(10, n)) - 1) / 9
	return m.Volts + (n+f)*m.VoltsPerDecade
}

// Table is a tabulated characteristic: a monotone cubic (Fritsch-Butland)
// through the rows in the logarithm of pressure, over the logarithm of voltage
// or voltage itself, whichever makes the rows straighter. Between the rows it
// never leaves them; outside it goes on as a straight line.
type Table struct {
	curve      interp.FritschButland
	logVolts   bool
	x0, x1     float64 // ends in V or ln V
	y0, y1     float64 // ln Pa there
	end0, end1 float64 // slopes there
}

// NewTable makes a characteristic of rows of volts (strictly rising) and Pa
// (> 0, strictly rising or falling).
func NewTable(rows [][2]float64) (*Table, error) {
	if len(rows) < 2 {
		return nil, fmt.Errorf("a gauge table needs at least 2 rows, found %d", len(rows))
	}
	volts, lnp, lnv := make([]float64, len(rows)), make([]float64, len(rows)), make([]float64, len(rows))
	falling := rows[1][1] < rows[0][1]
	for i, r := range rows {
		if math.IsNaN(r[0]) || math.IsInf(r[0], 0) || !(r[1] > 0) || math.IsInf(r[1], 0) {
			return nil, fmt.Errorf("row %d of the gauge table: found %g V, %g Pa; allowed: any voltage and a pressure above 0", i+1, r[0], r[1])
		}
		if i > 0 && !(r[0] > rows[i-1][0]) {
			return nil, fmt.Errorf("row %d of the gauge table: %g V does not lie above the row before", i+1, r[0])
		}
		if i > 0 && (r[1] == rows[i-1][1] || (r[1] < rows[i-1][1]) != falling) {
			return nil, fmt.Errorf("row %d of the gauge table: the pressure %g Pa turns back or stands still", i+1, r[1])
		}
		volts[i], lnp[i], lnv[i] = r[0], math.Log(r[1]), math.Log(r[0])
	}
	t := &Table{}
	x := volts
	if rows[0][0] > 0 && math.Abs(stat.Correlation(lnv, lnp, nil)) > math.Abs(stat.Correlation(volts, lnp, nil)) {
		t.logVolts, x = true, lnv
	}
	if err := t.curve.Fit(x, lnp); err != nil {
		return nil, fmt.Errorf("gauge table: %w", err)
	}
	n := len(x) - 1
	t.x0, t.x1, t.y0, t.y1 = x[0], x[n], lnp[0], lnp[n]
	t.end0 = t.curve.PredictDerivative(t.x0)
	t.end1 = t.curve.PredictDerivative(t.x1)
	return t, nil
}

// Pressure implements [Characteristic].
func (t *Table) Pressure(volts float64) (pa, perVolt float64) {
	x, dx := volts, 1.0
	if t.logVolts {
		if volts <= 0 {
			return 0, 0
		}
		x, dx = math.Log(volts), 1/volts
	}
	var y, s float64
	switch {
	case x < t.x0:
		y, s = t.y0+(x-t.x0)*t.end0, t.end0
	case x > t.x1:
		y, s = t.y1+(x-t.x1)*t.end1, t.end1
	default:
		y, s = t.curve.Predict(x), t.curve.PredictDerivative(x)
	}
	pa = math.Exp(y)
	return pa, pa * s * dx
}

// Bounds are the voltages between which a gauge's output is a pressure.
type Bounds struct {
	Under, Over float64 // V; both 0: no bounds
}

// Check is UnderRange, OverRange or 0. Which side of the bounds means a low
// pressure depends on the gauge's slope: falling is true for a gauge whose
// voltage falls with pressure.
func (b Bounds) Check(volts float64, falling bool) calib.Quality {
	if b == (Bounds{}) {
		return 0
	}
	low, high := calib.UnderRange, calib.OverRange
	if falling {
		low, high = high, low
	}
	switch {
	case !(volts >= b.Under):
		return low
	case volts > b.Over:
		return high
	}
	return 0
}

// Range is the indicated pressures, in Pa, between which a gauge's output is a
// pressure. The zero Range is not known: no bounds.
type Range struct{ Low, High float64 }

// fade is the ratio of pressures over which a gauge gives way at the ends of its
// range (our choice: wide enough that gauges a few per cent apart hand over
// gently, narrow enough to leave nine tenths of a decade their full weight).
const fade = 1.25

// Weight is how far a gauge that indicates pa may be counted beside another, 0 to
// 1: it falls smoothly to 0 at the ends of the range, so that a gauge has no part
// any more when it goes over or under range. It depends on the reading alone, so
// there is no switching point and no hysteresis. NaN weighs nothing.
func (r Range) Weight(pa float64) float64 {
	if r == (Range{}) {
		return 1
	}
	width := math.Max(-r.Low, 0.01*r.High) // a bottom at or below 0 has no logarithm
	bottom := (pa - r.Low) / width
	if r.Low > 0 {
		bottom = math.Log(pa/r.Low) / math.Log(fade)
	}
	top := 1.0
	if pa > 0 {
		top = math.Log(r.High/pa) / math.Log(fade)
	}
	return smooth(bottom) * smooth(top)
}

// smooth goes from 0 at 0 to 1 at 1 without a kink.
func smooth(x float64) float64 {
	if !(x > 0) {
		return 0
	}
	x = math.Min(x, 1)
	return x * x * (3 - 2*x)
}
