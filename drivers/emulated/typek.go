package emulated

import "math"

// Coefficients of the type K reference function, mV over °C (NIST SRD 60,
// type_k.tab; ITS-90).
var (
	typeKBelow = [...]float64{
		0, 0.039450128025, 2.3622373598e-05, -3.2858906784e-07, -4.9904828777e-09,
		-6.7509059173e-11, -5.7410327428e-13, -3.1088872894e-15, -1.0451609365e-17,
		-1.9889266878e-20, -1.6322697486e-23,
	}
	typeKAbove = [...]float64{
		-0.017600413686, 0.038921204975, 1.8558770032e-05, -9.9457592874e-08,
		3.1840945719e-10, -5.6072844889e-13, 5.6075059059e-16, -3.2020720003e-19,
		9.7151147152e-23, -1.2104721275e-26,
	}
)

// TypeK is the voltage in volts of a type K thermocouple with one junction at
// t °C and the other at 0 °C, from -270 to 1372 °C. Beyond that range it holds
// the value at the range's end.
func TypeK(t float64) float64 {
	t = min(max(t, -270), 1372)
	if t < 0 {
		return polynomial(typeKBelow[:], t) / 1000
	}
	d := t - 126.9686
	return (polynomial(typeKAbove[:], t) + 0.1185976*math.Exp(-0.0001183432*d*d)) / 1000
}

func polynomial(c []float64, x float64) float64 {
	y := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		y = y*x + c[i]
	}
	return y
}
