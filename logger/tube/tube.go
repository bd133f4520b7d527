// Package tube holds the tube card: the description of one tube to be
// processed, a TOML file that the user writes.
package tube

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
