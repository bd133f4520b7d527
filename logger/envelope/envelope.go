// Package envelope computes the limits for one tube on one bench, each with its
// uncertainty, reason and source, and judges a run against them.
package envelope

import (
	"math"
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
	BenchFile      Basis = "bench.toml"  // what its owner says of the plant
	BenchTable     Basis = "bench table" // a row of the bench's own tables
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
	Unit     string     // SI unit: "Pa", "°C", "A", "°C/s", "s", "Pa/s", "1"
	Phases   []phase.ID // where it applies
	Low      float64    // NaN: no lower bound
	High     float64    // NaN: no upper bound
	U        float64    // standard uncertainty of High, or of the only bound, same unit; 0: exact as it is set
	ULow     float64    // of Low where there are both
	Basis    Basis
	Reason   string // one sentence
	Formula  string // how it was computed, or which row of a table it is
	Source   string // where table values come from
	Unknown  string // why it cannot be known for this card; then Low and High are NaN
}

// Doubt gives the standard uncertainties of Low and High.
func (l *Limit) Doubt() (low, high float64) {
	if l.Low == l.Low && l.High == l.High {
		return orZero(l.ULow), orZero(l.U)
	}
	return orZero(l.U), orZero(l.U)
}

// Fact is a quantity of tube or bench that is no limit itself, but that limits
// and plans are computed from.
type Fact struct {
	ID      string // stable, "gas-volume"
	Title   string // "Gas volume"
	Unit    string // SI unit: "m³", "m²", "kg", "J/K", "s", "Pa", "Pa m³", "Pa m³/s", "1"
	Value   float64
	U       float64 // standard, same unit; 0: exact
	Basis   Basis
	Reason  string // one sentence: what it is for
	Formula string
	Source  string
	Unknown string // why it cannot be known for this card; then Value is NaN
}

// Bench is what the envelope needs to know of the bench. Zero: unknown.
type Bench struct {
	Name           string
	ManifoldVolume float64 // m³
	ManifoldRuns   int     // how many of the bench's own runs tell it; 0: its owner does
	ManifoldU      float64 // its standard uncertainty by those runs, m³
	PumpSpeed      float64 // m³/s
	OpenCircuit    float64 // bombarder's open-circuit voltage, V rms
	MaxCurrent     float64 // what the bombarder can give, A
	Ambient        float64 // room temperature, °C
	Hold           Learned // pressure times length up to which the arc holds in a usual tube, Pa m
	HoldGoes       Scaling // how the pressure goes with the tube; the zero value: as 1 over its length
	Convection     Learned // from glass to still air, W/(m² K)
	Warmup         Learned // heat capacity of a shell, over what card and tables say
	FallRises      Learned // as the constant fall-rises of the tables
	Heating        Heating // of the glass by the arc; the zero value: not known
	LagCorrected   bool    // the glass readings are corrected for the sensor's lag
	Tables         *Tables // the bench's own tables; nil: those of the program
}

// Room is the room's temperature as far as it is known, °C.
func (b *Bench) Room() float64 {
	if b.Ambient != 0 {
		return b.Ambient
	}
	return roomGuess
}

// Scaling is how something goes with a tube's measures, seen from a tube of usual
// length and FromBore.
type Scaling struct {
	FromBore     float64 // m; 0: as 1 over the length, whatever the bore
	Length, Bore float64 // powers
	Doubt        float64 // standard uncertainty of the power of the length
}

// to is by how much more it is in a tube, m, and by how much that is uncertain, relative.
func (s Scaling) to(length, bore float64) (factor, u float64) {
	l := math.Log(length / UsualLength)
	if s.FromBore == 0 || !(bore > 0) {
		return math.Exp(-l), 0
	}
	return math.Exp(s.Length*l + s.Bore*math.Log(bore/s.FromBore)), s.Doubt * math.Abs(l)
}

// Learned is a constant that a bench's own runs have taught. X 0: none.
type Learned struct {
	X, U float64 // value and standard uncertainty
	Runs int
}

// Envelope is all limits for one tube on one bench.
type Envelope struct {
	Card   tube.Card
	Bench  Bench
	Known  bool // a tube card is there; else only limits that hold for any tube
	Limits []Limit
	Facts  []Fact
	// FillTarget is the pressure to fill to, Pa at 20 °C; NaN if not known.
	FillTarget float64

	air     air
	heat    float64 // capacity of the glass, J/K; 0: not known
	cooling float64 // how the heating rate falls near the ceiling, 1/s
	shell   shell
	paceAt  float64 // °C, from where the heating band counts
	reached float64 // Pa, from where base counts as reached
	flushed Limit   // base pressure where a flush follows
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
	Vague    bool          // it is marginal only by what the limit itself is uncertain by
	Measured float64       // the deciding measured value (the worst), NaN if none
	U        float64       // its standard uncertainty
	At       time.Duration // when, monotonic
	Phase    phase.ID      // in which phase
	Duration time.Duration // how long it was outside in all
	Degree   float64       // how far outside at the worst, in the limit's unit
	Text     string        // one plain sentence
}
