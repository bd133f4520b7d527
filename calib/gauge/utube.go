package gauge

// Gravity is the standard acceleration of fall, m/s².
const Gravity = 9.80665

// Oil is a manometer oil.
type Oil struct {
	Density   float64 // kg/m³ at 20 °C
	Expansion float64 // fall of density per °C, as a fraction of Density: 1/°C
}

// DibutylPhthalate is the usual oil of U-tube manometers: 1046.5 kg/m³ at 20 °C
// (published 1042 to 1050) and 8.2e-4 /°C, from memory (physics.md §4.6).
func DibutylPhthalate() Oil { return Oil{Density: 1046.5, Expansion: 8.2e-4} }

// At is the density in kg/m³ at c °C.
func (o Oil) At(c float64) float64 { return o.Density * (1 - o.Expansion*(c-20)) }

// Column is the pressure of a height difference.
type Column struct {
	Pa        float64
	PerMetre  float64 // ∂p/∂height, Pa/m
	PerDegree float64 // ∂p/∂temperature, Pa/°C
	PerKgM3   float64 // ∂p/∂density at 20 °C, Pa/(kg/m³)
}

// Pressure is what a level difference of height metres between both limbs means
// at c °C, with the sensitivities for its uncertainty. Reading only one limb
// halves the height.
func (o Oil) Pressure(height, c float64) Column {
	per := o.At(c) * Gravity
	return Column{
		Pa:        per * height,
		PerMetre:  per,
		PerDegree: -o.Density * o.Expansion * Gravity * height,
		PerKgM3:   per * height / o.Density,
	}
}

// Height is the level difference in metres at pa and c °C.
func (o Oil) Height(pa, c float64) float64 { return pa / (o.At(c) * Gravity) }
