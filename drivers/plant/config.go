// Package plant is a physical model of a bench on which luminous tubes are
// processed: pump, stopcocks, manifold, tube, electrode shells, bombarder, the
// person who works it, and the sensors as they are fitted. It turns its state
// into what the inputs of the emulated chips see, for the demo and for tests.
//
// The equations are those of the handbook's section "A bench as equations".
// Where a coefficient is of the right order but not from a published source the
// comment says so. The process engine has another model and shares no code with
// this one.
//
// Everything is SI: Pa, °C (K where a law needs it), A, V, m, m³, m³/s, s.
// Amounts of gas are p·V at 20 °C, in Pa·m³.
package plant

import (
	"math"
	"time"
)

// Torr is one Torr in pascals.
const Torr = 101325.0 / 760

// Atmosphere is the pressure outside, Pa.
const Atmosphere = 101325.0

const (
	zeroCelsius = 273.15
	reference   = 293.15  // K, the temperature at which amounts of gas are stated
	gasConstant = 8.31446 // J/(mol K)
	stefan      = 5.670374e-8
)

// Species is one of the gases that the model keeps apart.
type Species uint8

// The species. Carbon is CO and CO2 together: the discharge turns one into the other.
const (
	Air Species = iota
	Water
	Carbon
	FillGas
	NumSpecies int = iota
)

var speciesNames = [NumSpecies]string{"air", "water", "carbon oxides", "fill gas"}

// String is the species' name.
func (s Species) String() string { return speciesNames[s] }

// Tube describes what hangs on the manifold.
type Tube struct {
	Card     string  // name of the tube card
	Outside  float64 // m
	Bore     float64 // m
	Length   float64 // m
	Coating  string  // "clear", "phosphor", "phosphor-wet", "coloured"
	Gas      string  // fill gas
	Density  float64 // glass, kg/m³
	HeatCap  float64 // glass, J/(kg K)
	Emissive float64 // glass, total hemispherical

	Layers float64 // monolayers of water on the wall, 1e19 molecules/m² each
	Binder float64 // organic binder and dirt as gas, Pa·m³ per m² of wall
	Leak   float64 // through the tube's own joints, Pa·m³/s

	ShellMass float64 // one shell, kg
	ShellArea float64 // one shell, effective radiating area, m²
	Carbonate float64 // emission coating of one electrode, kg
	Rating    float64 // running current, A
	Fill      float64 // wanted fill pressure at 20 °C, Pa
	Target    float64 // wanted glass temperature, °C
	Ceiling   float64 // highest glass temperature that the card allows, °C

	TubulationBore   float64 // m
	TubulationLength float64 // m
}

// Volume is the gas volume, m³.
func (t Tube) Volume() float64 { return math.Pi * t.Bore * t.Bore * t.Length / 4 }

// heatCapacity is J/K of the whole glass.
func (t Tube) heatCapacity() float64 {
	return t.Density * t.HeatCap * math.Pi * (t.Outside*t.Outside - t.Bore*t.Bore) * t.Length / 4
}

// Bench describes the fixed plant and the sensors.
type Bench struct {
	Manifold   float64 // volume, m³
	PumpSpeed  float64 // at the main stopcock, m³/s, at high pressure
	PumpHalf   float64 // pressure at which the speed has fallen to half, Pa; 0: constant
	Ultimate   float64 // blank-off pressure, Pa
	OilMemory  float64 // what the oil gives back, as a share of the inlet pressure it lately had (at most of 2000 Pa)
	Stopcock   float64 // conductance of the main stopcock wide open, m³/s
	Leak       float64 // into the manifold, Pa·m³/s
	Outgassing float64 // manifold wall one minute after it was at atmosphere, Pa·m³/s
	AirFlow    float64 // air needle valve wide open, Pa·m³/s
	GasFlow    float64 // fill gas valve wide open, Pa·m³/s
	VentSpeed  float64 // conductance of the vent, m³/s

	OpenCircuit float64 // bombarder secondary, V rms
	Hold        float64 // share of OpenCircuit that the arc may take and still hold, 0.5 to 0.7 with a choke (handbook, b)
	Strike      float64 // factor on the Paschen voltage of a gap as long as the tube
	Mains       float64 // Hz

	Ambient   float64 // °C at the start
	Drift     float64 // slow swing of the room, °C
	StillAir  float64 // heat transfer glass to room, W/(m² K)
	Fan       float64 // the same with the fan on
	Efficient float64 // share of column power that ends in the glass

	Lag       time.Duration // thermocouple on the glass
	Seating   float64       // 0.9 to 0.99 (handbook, b): share of the rise above ambient that the junction sees
	GaugeLag  time.Duration // both gauges
	GasFactor bool          // the wide-range gauge is a heat-conduction gauge below 1 mbar and depends on the gas
	ZeroShift float64       // zero error of the diaphragm gauge, Pa
}

// Config is all that a plant needs.
type Config struct {
	Tube    Tube
	Bench   Bench
	Effects Effects
	Seed    uint64
	Step    time.Duration // physics step, 2 to 5 ms
}

// DefaultTube is 1.8 m of clear 15 mm soda-lime for neon.
func DefaultTube() Tube {
	return Tube{
		Card: "PP-01", Outside: 15e-3, Bore: 12.8e-3, Length: 1.8, Coating: "clear", Gas: "neon",
		// soda-lime, physics.md 6.1
		Density: 2470, HeatCap: 820, Emissive: 0.9,
		Layers: 10, Binder: 0.02,
		ShellMass: 6e-3, ShellArea: 20e-4, Carbonate: 15e-6, Rating: 0.060,
		Fill: 9 * Torr, Target: 230, Ceiling: 260,
		TubulationBore: 5e-3, TubulationLength: 0.1,
	}
}

// DefaultBench is the demo's bench-1.
func DefaultBench() Bench {
	return Bench{
		Manifold: 0.5e-3, PumpSpeed: 0.9e-3, PumpHalf: 0.3, Ultimate: 0.2, OilMemory: 4e-3, Stopcock: 6e-3,
		Leak: 1.5e-7, Outgassing: 1.5e-6, AirFlow: 0.04, GasFlow: 0.06, VentSpeed: 0.25e-3,
		OpenCircuit: 12e3, Hold: 0.65, Strike: 0.35, Mains: 50,
		Ambient: 22, Drift: 1.5, StillAir: 8, Fan: 24, Efficient: 0.75,
		Lag: 3 * time.Second, Seating: 0.97, GaugeLag: 60 * time.Millisecond, ZeroShift: 0.4,
	}
}

// Default is the demo's bench with PP-01.
func Default() Config {
	return Config{Tube: DefaultTube(), Bench: DefaultBench(), Seed: 1, Step: 5 * time.Millisecond}
}
