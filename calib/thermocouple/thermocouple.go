// Package thermocouple holds the ITS-90 reference functions of the eight letter
// types, their exact inverse, cold-junction addition and wire tolerances.
//
// Source of the functions: NIST ITS-90 Thermocouple Database, SRD 60 (NIST
// Monograph 175, 1993). EMF is in volts, temperature in °C (t90), reference
// junction 0 °C.
package thermocouple

import (
	"errors"
	"fmt"
	"math"
)

// Type is a letter-designated thermocouple: one of B E J K N R S T.
type Type byte

// Errors of the functions; they carry no text of the moment so that the hot
// path allocates nothing.
var (
	ErrType      = errors.New("thermocouple type is none of B, E, J, K, N, R, S, T")
	ErrRange     = errors.New("outside the range of the thermocouple's reference function")
	ErrAmbiguous = errors.New("two temperatures give this EMF: type B tells nothing below 43 °C")
)

// Parse reads a type letter, "K" or "k".
func Parse(s string) (Type, error) {
	if len(s) == 1 {
		t := Type(s[0] &^ 0x20)
		if t.function() != nil {
			return t, nil
		}
	}
	return 0, fmt.Errorf("thermocouple type %q is not known; allowed: B, E, J, K, N, R, S, T", s)
}

// String is the type's letter.
func (t Type) String() string { return string(rune(t)) }

func (t Type) function() *function {
	switch t {
	case 'B':
		return &typeB
	case 'E':
		return &typeE
	case 'J':
		return &typeJ
	case 'K':
		return &typeK
	case 'N':
		return &typeN
	case 'R':
		return &typeR
	case 'S':
		return &typeS
	case 'T':
		return &typeT
	}
	return nil
}

// EMF is the reference function: volts at junction temperature c in °C.
func (t Type) EMF(c float64) (float64, error) {
	f := t.function()
	if f == nil {
		return math.NaN(), ErrType
	}
	if !(c >= f.min && c <= f.max) {
		return math.NaN(), ErrRange
	}
	e, _, _ := f.eval(c)
	return e * 1e-3, nil
}

// Seebeck is dE/dt at c °C, in V/°C.
func (t Type) Seebeck(c float64) (float64, error) {
	f := t.function()
	if f == nil {
		return math.NaN(), ErrType
	}
	if !(c >= f.min && c <= f.max) {
		return math.NaN(), ErrRange
	}
	_, s, _ := f.eval(c)
	return s * 1e-3, nil
}

// Temperature solves the reference function for the junction temperature in °C
// at emf volts; the error of the solution is below 1e-6 °C over the whole
// range. Type B with emf ≤ 0 is ErrAmbiguous: its function falls to a minimum
// near 21 °C and is back at 0 V between 42 and 43 °C.
func (t Type) Temperature(emf float64) (float64, error) {
	c, _, err := t.Solve(emf)
	return c, err
}

// Solve is [Type.Temperature] with the Seebeck coefficient in V/°C there, which
// the solution knows anyway and an uncertainty needs.
func (t Type) Solve(emf float64) (c, seebeck float64, err error) {
	f := t.function()
	if f == nil {
		return math.NaN(), math.NaN(), ErrType
	}
	e := emf * 1e3
	if t == 'B' && e <= 0 {
		if e >= lowestB {
			return math.NaN(), math.NaN(), ErrAmbiguous
		}
		return math.NaN(), math.NaN(), ErrRange
	}
	c = f.guess(e)
	// Within 1e-9 mV of an end counts as the end: the last digit of a sum.
	lo, hi := f.min, f.max
	var s, s2, v float64
	for range 40 {
		v, s, s2 = f.eval(c)
		d := v - e
		step := d * s / (s*s - 0.5*d*s2) // Halley
		was := c
		c -= step
		if c < lo-1 {
			c = lo - 1
		} else if c > hi+1 {
			c = hi + 1
		}
		step = math.Abs(step)
		// A Halley step of 0.06 °C leaves less than 1e-8 °C, but for the flat
		// cryogenic end and across a join of two pieces (J at 760 °C), where
		// the next one is wanted.
		if step < 1e-4 || (step < 0.06 && c > -200 && f.piece(c) == f.piece(was)) {
			if c < lo-1e-7 || c > hi+1e-7 {
				break
			}
			// One linear term brings the slope from the guess to the solution.
			return math.Min(math.Max(c, lo), hi), (s - s2*(s*d)/(s*s)) * 1e-3, nil
		}
		if math.IsNaN(c) {
			break
		}
	}
	return math.NaN(), math.NaN(), ErrRange
}

// lowestB is the minimum of type B's function in mV (at 21.02 °C).
const lowestB = -0.0025852

// guess is a first approximation of t at e mV, within 0.06 °C where NIST's
// inverse polynomials hold.
func (f *function) guess(e float64) float64 {
	if e < f.lowest {
		if f == &typeB { // below 250 °C: the two leading terms of the function
			p, q := f.fwd[0].c[1], f.fwd[0].c[2]
			return (-p + math.Sqrt(p*p+4*q*e)) / (2 * q)
		}
		if f.min < -200 {
			// Convex and rising there: steps from -200 °C run down to the root.
			return -200
		}
	}
	k := 0
	for k < len(f.inv)-1 && e > f.inv[k].to {
		k++
	}
	d := f.inv[k].d
	t := d[len(d)-1]
	for i := len(d) - 2; i >= 0; i-- {
		t = t*e + d[i]
	}
	return math.Min(math.Max(t, f.min), f.max)
}

// piece is the range of the function that holds at t °C.
func (f *function) piece(t float64) int {
	k := 0
	for k < len(f.fwd)-1 && t > f.fwd[k].to {
		k++
	}
	return k
}

// eval is E in mV and its first two derivatives at t °C.
func (f *function) eval(t float64) (e, s, s2 float64) {
	c := f.fwd[f.piece(t)].c
	for i := len(c) - 1; i >= 0; i-- {
		s2 = s2*t + s
		s = s*t + e
		e = e*t + c[i]
	}
	s2 *= 2
	if f.a0 != 0 && t > 0 { // at 0 the lower piece holds, without it
		d := t - f.a2
		x := f.a0 * math.Exp(f.a1*d*d)
		e += x
		s += x * 2 * f.a1 * d
		s2 += x * 2 * f.a1 * (1 + 2*f.a1*d*d)
	}
	return e, s, s2
}

// Unlinearise gives the volts that a chip measured which divides by a constant
// sensitivity (V/°C) instead of linearising: V = S·(reading − cj), both in °C
// (MAX31855, Maxim 19-5793 p.8, "Temperature conversion").
func Unlinearise(reading, cj, sensitivity float64) float64 {
	return sensitivity * (reading - cj)
}
