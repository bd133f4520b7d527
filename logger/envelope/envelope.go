// Package envelope computes the limits for one tube on one bench, each with its
// reason and source, and judges a run against them.
package envelope

import (
	"time"

	"tipoff/logger/frame"
	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

// Basis says what a limit rests on.
type Basis string

// The bases, strongest first.
const (
	FromCard       Basis = "tube card"
	FromBench      Basis = "this bench's runs"
	Computed       Basis = "computed"
	Handbook       Basis = "handbook"
	CommonPractice Basis = "common practice" // not checked against a published source
)

// Limit is a bound on one quantity in some phases.
type Limit struct {
	ID       string     // stable, "glass-ceiling"
	Title    string     // "Glass ceiling"
	Role     frame.Role // measured quantity, 0 for derived ones (rate, time)
	Quantity string     // "glass temperature", "heating rate", "time at glow"
	Unit     string     // SI unit: "Pa", "°C", "A", "°C/s", "s", "Pa/s"
	Phases   []phase.ID // where it applies
	Low      float64    // NaN: no lower bound
	High     float64    // NaN: no upper bound
	U        float64    // standard uncertainty of the bound, same unit
	Basis    Basis
	Reason   string // one sentence
	Formula  string // how it was computed, "" for a table value
	Source   string // where table values come from
	Unknown  string // why it cannot be known for this card; then Low and High are NaN
}

// Bench is what the envelope needs to know of the bench. Zero: unknown.
type Bench struct {
	Name           string
	ManifoldVolume float64 // m³
	PumpSpeed      float64 // m³/s
	OpenCircuit    float64 // bombarder's open-circuit voltage, V rms
	MaxCurrent     float64 // what the bombarder can give, A
	Ambient        float64 // room temperature, °C
}

// Envelope is all limits for one tube on one bench.
type Envelope struct {
	Card   tube.Card
	Bench  Bench
	Known  bool // a tube card is there; else only limits that hold for any tube
	Limits []Limit
	// FillTarget is the pressure to fill to, Pa at 20 °C; NaN if not known.
	FillTarget float64

	cooling float64 // how the heating rate falls near the ceiling, 1/s
}

// Verdict is how a limit was met.
type Verdict string

// The verdicts. Marginal: the limit lies inside the measurement's expanded
// uncertainty. NotKnown: there was no reading, or the limit is not known.
const (
	Within   Verdict = "within"
	Marginal Verdict = "marginal"
	Outside  Verdict = "outside"
	NotKnown Verdict = "not known"
)

// Finding is the judgement of one limit over a run.
type Finding struct {
	Limit    Limit
	Verdict  Verdict
	Measured float64       // the deciding measured value (the worst), NaN if none
	U        float64       // its standard uncertainty
	At       time.Duration // when, monotonic
	Phase    phase.ID      // in which phase
	Duration time.Duration // how long it was outside in all
	Degree   float64       // how far outside at the worst, in the limit's unit
	Text     string        // one plain sentence
}
