// Package tube holds the tube card: the description of one tube to be
// processed, a TOML file that the user writes.
package tube

import (
	"strings"

	"tipoff/calib/unit"
)

// Card is a tube card, checked. Lengths in metres, current in amperes,
// pressure in pascals, temperature in °C. Zero or "" means that the card does
// not say; Parse has filled in what follows from the rest (bore from outside
// and wall).
type Card struct {
	Name      string
	Job       string  // free text: order, sign
	Outside   float64 // outside diameter, m
	Bore      float64 // inside diameter, m
	Length    float64 // electrode to electrode along the bends, m
	Glass     string  // "lead", "soda-lime", "borosilicate"
	Coating   string  // "clear", "phosphor", "phosphor-wet", "coloured"
	Gas       string  // "neon", "argon", "neon-argon", "helium", …
	Mercury   bool
	Electrode Electrode
	Operator  Overrides // the operator's own limits, which win over tables
	Notes     string
}

// Electrode describes both of the tube's electrodes.
type Electrode struct {
	Rating    float64 // rated running current, A
	ShellMass float64 // kg, 0 unknown
	ShellArea float64 // m², 0 unknown
	Coating   float64 // carbonate, kg, 0 unknown
}

// Overrides are limits the operator sets on the card. Zero: none.
type Overrides struct {
	GlassTarget  float64 // °C
	GlassCeiling float64 // °C
	FillPressure float64 // Pa at 20 °C
	MaxCurrent   float64 // A
}

// Words say in short what tube it is, "15 mm soda-lime, clear, neon, 1.8 m". What is
// not known is left out.
func (c *Card) Words() string {
	length := func(m float64) string {
		if m == 0 {
			return ""
		}
		return unit.Format(m, unit.Length)
	}
	var all []string
	for _, s := range []string{strings.TrimSpace(length(c.Outside) + " " + c.Glass), c.Coating, c.Gas, length(c.Length)} {
		if s != "" {
			all = append(all, s)
		}
	}
	return strings.Join(all, ", ")
}

// Gaps are the keys of what a card should say and this one does not.
func (c *Card) Gaps() []string {
	var all []string
	for _, k := range []struct {
		key string
		gap bool
	}{
		{"outside", c.Outside == 0}, {"wall or bore", c.Bore == 0 && c.Outside != 0}, {"length", c.Length == 0},
		{"glass", c.Glass == ""}, {"coating", c.Coating == ""}, {"gas", c.Gas == ""}, {"electrode.rating", c.Electrode.Rating == 0},
	} {
		if k.gap {
			all = append(all, k.key)
		}
	}
	return all
}
