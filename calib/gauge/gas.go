package gauge

import (
	"fmt"
	"math"
	"strings"

	"tipoff/calib"
)

// Gas is a gas that a heat-conduction gauge may see.
type Gas uint8

// The gases. Air is the zero value: what gauges are adjusted for. Mixture is
// any mixture or unknown gas: it has no single factor (physics.md §4.1, both
// makers), so its indicated value is kept and its uncertainty widened.
const (
	Air Gas = iota
	Nitrogen
	Neon
	Argon
	Helium
	Krypton
	Xenon
	Hydrogen
	CarbonDioxide
	Water
	Mixture
	// Moist is air and water vapour in unknown shares, with what glass and
	// electrodes give off beside them: from drying to the last pumping. The
	// factor lies between that of air and that of water vapour.
	Moist
	gases

	// Count is how many gases there are.
	Count = int(gases)
)

var gasNames = [gases]string{
	"air", "nitrogen", "neon", "argon", "helium", "krypton", "xenon", "hydrogen",
	"carbon dioxide", "water vapour", "mixture", "air and water vapour",
}

var gasFormulas = [gases]string{"air", "n2", "ne", "ar", "he", "kr", "xe", "h2", "co2", "h2o", "mixture", "moist"}

// Symbol is the gas's short name, as records write it: "ne".
func (g Gas) Symbol() string {
	if g < gases {
		return gasFormulas[g]
	}
	return gasFormulas[Mixture]
}

// GasOf finds a gas by its short name exactly as Symbol writes it.
func GasOf(symbol []byte) (Gas, bool) {
	for g := range gases {
		if string(symbol) == gasFormulas[g] {
			return g, true
		}
	}
	return Air, false
}

// String is the gas's name in words.
func (g Gas) String() string {
	if g < gases {
		return gasNames[g]
	}
	return fmt.Sprintf("gas %d", uint8(g))
}

// ParseGas reads a gas by name ("neon") or formula ("Ne"), in any case.
func ParseGas(s string) (Gas, error) {
	l := strings.ToLower(strings.TrimSpace(s))
	for g := range gases {
		if l == gasNames[g] || l == gasFormulas[g] {
			return g, nil
		}
	}
	return Air, fmt.Errorf("gas %q is not known; allowed: %s", s, strings.Join(gasNames[:], ", "))
}

// Indicated pressures in Pa between which the factors hold: 1e-2 to 1 mbar, and
// the pressure above which a heat-conduction gauge tells nothing about a gas
// other than air: 10 mbar, from memory. (A convection gauge may show a few tens
// of mbar in argon at more than one atmosphere.)
const (
	FactorFrom  = 1.0
	FactorTo    = 100.0
	FactorNever = 1000.0
)

// factors: INFICON BCG450 manual tina40e1-b p.54, p = C·indicated with the gauge
// adjusted for air, mean values. Mixture: no factor. Moist: the middle of air and water vapour.
var factors = [gases]float64{1, 1, 1.4, 1.7, 0.8, 2.4, 3, 0.5, 0.9, 0.5, 1, 0.75}

// Half-widths of the factor, ± fraction, our estimates: the maker calls the
// factors mean values and gives one digit after the point.
const (
	factorWithin  = 0.10        // in the range of the table
	factorBelow   = 0.20        // below it
	factorDecade  = 0.60        // more for each decade above it
	factorMixture = 0.70        // 0.5 to 1.7, what the usual gases span
	factorMoist   = 0.25 / 0.75 // from water vapour's 0.5 to air's 1
)

// Correction is what a heat-conduction gauge's reading means in a gas.
type Correction struct {
	Factor float64 // true pressure = Factor · indicated pressure
	U      float64 // relative standard uncertainty of the factor
	Q      calib.Quality
}

// Correct is the correction at indicated Pa of a heat-conduction gauge adjusted
// for air. Within FactorFrom..FactorTo it is the table's factor; outside, the
// factor is kept, its uncertainty grows and the value is marked Correcting.
// Above FactorNever nothing but a rough order of magnitude is left in any gas but
// air and nitrogen: the indicated pressure with an uncertainty as large as itself.
// It is enough to see the manifold being let up to air, never to fill by.
func (g Gas) Correct(indicated float64) Correction {
	if g == Air || g == Nitrogen {
		return Correction{Factor: 1}
	}
	if g >= gases {
		g = Mixture
	}
	c := Correction{Factor: factors[g]}
	half := factorWithin
	if g == Mixture {
		half, c.Q = factorMixture, calib.Correcting
	}
	if g == Moist {
		half = factorMoist
	}
	switch {
	case indicated > FactorNever:
		return Correction{Factor: 1, U: 1, Q: calib.Correcting}
	case indicated > FactorTo:
		half += factorDecade * math.Log10(indicated/FactorTo)
		c.Q |= calib.Correcting
	case indicated < FactorFrom:
		half = math.Max(half, factorBelow)
		c.Q |= calib.Correcting
	}
	c.U = half / math.Sqrt(3)
	return c
}
