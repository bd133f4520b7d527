package plant

import (
	"fmt"
	"time"
)

// Span is a stretch of true phase, [From, To). The last span of [Plant.Truth]
// ends at the present.
type Span struct {
	Phase    string // handbook id: "idle", "evacuate", ...
	From, To time.Duration
	Card     string // tube on the manifold
}

// String prints the span for tests.
func (s Span) String() string {
	return fmt.Sprintf("%s %s %v-%v", s.Card, s.Phase, s.From, s.To)
}

// Controls is what the person's hands are on.
type Controls struct {
	Main    float64 // main stopcock to the pump, 0 shut to 1 open
	Air     float64 // needle valve to the room
	Gas     float64 // fill gas valve
	Vent    float64 // vent valve
	Bombard bool    // foot switch of the bombarder
	Choke   float64 // short-circuit current that the choke allows, A rms
	Fan     bool    // on the glass
	Torch   bool    // flame on the tubulation
	Run     float64 // A rms through a sealed tube from its own supply
	Sealed  bool    // tubulation melted shut: tube and manifold are apart
	Hang    *Tube   // set to hang a new tube (at atmosphere); the plant clears it
	Phase   string  // what the person is doing, handbook id
}

// Sight is what the person sees: the instruments, not the truth.
type Sight struct {
	Gauge   float64 // Pa
	Glass   float64 // °C, thermocouple
	Shell   float64 // °C, as the eye judges the colour; 0 while not glowing
	Lit     bool
	Current float64 // A rms
	Ambient float64 // °C
}

// Operator works the bench. Watch is called ten times a bench second.
type Operator interface {
	Watch(at time.Duration, see Sight, hands *Controls)
}

// Hands lets a function be an [Operator].
type Hands func(at time.Duration, see Sight, hands *Controls)

// Watch implements [Operator].
func (h Hands) Watch(at time.Duration, see Sight, hands *Controls) { h(at, see, hands) }

// Fault is what can be broken on purpose.
type Fault struct {
	ThermocoupleOff  bool // slipped off the glass
	ThermocoupleOpen bool // broken wire
	GaugeUnplugged   bool // both gauges
	CTUnplugged      bool
	SparkNoise       bool // hits on all analogue inputs while the arc burns
	// LooseTie is the share of the contact with the glass that the tie still gives the
	// thermocouple, 0: all of it; BareTie how much of it then stands in the open air,
	// 0 (the tape covers it yet) to 1.
	LooseTie, BareTie float64
}

// State is the truth.
type State struct {
	At               time.Duration
	Manifold, Tube   [NumSpecies]float64 // partial pressures, Pa
	ManifoldPressure float64             // Pa
	TubePressure     float64             // Pa
	GasTemp          float64             // mean of the tube's gas, °C
	Wall             float64             // glass, mean along the tube, °C
	Sensed           float64             // glass under the sensor, °C
	Hottest          float64             // hottest place of the glass, °C: what cracks
	Seating          float64             // share of the rise that the junction sees now
	Shell            float64             // °C
	Junction         float64             // thermocouple junction, °C
	Ambient          float64             // °C
	Lit              bool
	Current          float64 // A rms, averaged over a few cycles
	Voltage          float64 // across the tube, V
	Field            float64 // column, V/m
	CathodeFall      float64 // V
	Light            float64 // of a tube on its own supply, part of the photodiode's full scale
	Water            float64 // still on the wall, Pa·m³
	Carbonate        float64 // share not yet oxide, 0 to 1
	Hands            Controls
	Card             string
	Phase            string
}
