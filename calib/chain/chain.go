// Package chain turns the raw samples of one channel into values with standard
// uncertainty: converter code, electrical quantity, sensor characteristic,
// corrections, filter against single wild samples, quality. There is one
// [Chain] per channel; the sampler pushes raw samples into it and takes one
// value per frame.
//
// # Uncertainty
//
// Each value carries a standard uncertainty after the GUM (JCGM 100:2008,
// first order). Limits of data sheets and calibrations count as half-widths of
// rectangular distributions (u = a/√3) and as systematic: they are not reduced
// by averaging. Noise is estimated in place (type A) from the samples of the
// interval and is reduced by averaging. Where neither data sheet nor
// calibration states anything, U is NaN ("not known"); whoever compares with a
// limit counts an unknown U as 0 and says so.
package chain

import (
	"time"

	"tipoff/calib"
	"tipoff/calib/gauge"
	"tipoff/calib/rms"
)

// The kinds of [Input], the same as drivers.Kind in words.
const (
	Voltage      = "voltage"      // volts at the converter's input: Scale*(Raw+Offset)
	Ratio        = "ratio"        // fraction of the converter's reference, Params.Reference volts
	Thermocouple = "thermocouple" // °C as the chip reports it; Aux*AuxScale is its cold junction in °C
	Temperature  = "temperature"  // °C of a finished thermometer
	Number       = "number"       // a number in Unit, as an instrument transmits it
	State        = "state"        // 0 or 1
)

// Input describes what a raw sample stands for. It mirrors drivers.Input,
// which this package must not import; constant while the source is open.
type Input struct {
	Kind       string  // Voltage, Ratio, Thermocouple, Temperature, Number, State
	Unit       string  // unit of Number inputs, as package calib/unit spells it; "" is SI
	Scale      float64 // quantity = Scale * (Raw + Offset)
	Offset     float64
	AuxScale   float64 // cold junction in °C = AuxScale * Aux; 0 if there is no Aux
	Integer    bool    // Raw is a whole number (a converter's code)
	RawMin     float64 // rails of Raw, both 0 if unknown
	RawMax     float64
	Interval   time.Duration // nominal time between samples; 0 if unknown
	Waveform   bool          // sampled fast enough to resolve mains cycles
	Linearised string        // how a thermocouple chip linearises; for people only
	// Sensitivity is the V/°C by which a chip that does not linearise divided
	// the EMF; 0 if the chip linearises itself.
	Sensitivity float64
	Type        byte // thermocouple type letter B E J K N R S T, 0 if none
	Acc         Accuracy
}

// Accuracy holds a device's data sheet limits, half-widths in the unit of the
// quantity (volts, °C) unless said otherwise; 0 is not stated. It has the
// fields of drivers.Accuracy in the same order, so that
// chain.Accuracy(in.Accuracy) converts.
type Accuracy struct {
	Offset       float64 // offset error, ±
	Gain         float64 // gain error, ± fraction of the reading
	Nonlinearity float64 // integral non-linearity, ±
	Reference    float64 // reference tolerance, ± fraction of the reading
	Noise        float64 // rms noise, where the data sheet states it
	ColdJunction float64 // cold-junction error, ± °C
	Source       string  // data sheet title, revision and table
}

// The kinds of [Spec].
const (
	SpecRecorded     = "recorded"     // a value that was converted once, its standard uncertainty as aux
	SpecNone         = "none"         // the number as it comes (recorded trace, digital instrument)
	SpecThermocouple = "thermocouple" // °C of a thermocouple
	SpecLinear       = "linear"       // pressure linear in volts
	SpecLogLinear    = "log-linear"   // pressure a fixed number of volts per decade
	SpecTable        = "table"        // pressure by a table of volts and Pa
	// SpecMantissaExponent is a pressure that is linear within each decade, a fixed
	// number of volts per decade; it takes the parameters of "log-linear".
	SpecMantissaExponent = "mantissa-exponent"
	SpecCurrent          = "current" // true RMS of a mains current waveform, A
)

// Spec says how a channel is calibrated: a kind and its parameters.
type Spec struct {
	Kind   string
	Params Params
}

// Logarithmic tells whether the kind spans decades, so that points of a calibration
// are compared as ratios.
func (s Spec) Logarithmic() bool {
	return s.Kind == SpecLogLinear || s.Kind == SpecTable || s.Kind == SpecMantissaExponent
}

// Params are the parameters of all kinds of [Spec], in SI units. Zero means
// "not given" and takes the default that the field names.
type Params struct {
	// Pressure, "linear": two points of the characteristic. For a role other
	// than pressure Pa stands for the role's SI unit (°C, A).
	Volts1, Pa1 float64 // V, Pa: first point, e.g. 0 V = 0 Pa
	Volts2, Pa2 float64 // V, Pa: second point, e.g. 10 V = full scale

	// Pressure, "log-linear": p = PaAt * 10^((U-VoltsAt)/VoltsPerDecade).
	// "mantissa-exponent": a decade begins at VoltsAt and PaAt.
	VoltsAt        float64 // V at PaAt, e.g. 6.8 V
	PaAt           float64 // Pa at VoltsAt, e.g. 100 Pa
	VoltsPerDecade float64 // V per decade, not 0, e.g. 0.6 V

	// Pressure, "table": rows of gauge output (V, rising) and pressure (Pa,
	// > 0, strictly monotone), at least 2.
	Table [][2]float64

	// Electrical side of a pressure gauge.
	Divider float64 // gauge volts per converter volt, ≥ 1 for a divider; 0 means 1
	// VoltsAccuracy is the ± fraction of the gauge's volts by divider, shunt or
	// supply; 0 not counted.
	VoltsAccuracy float64
	Reference     float64 // V: reference of "ratio" inputs
	FullScale     float64 // V that are a light of 1; 0: the number is taken as it is
	UnderVolts    float64 // V at the gauge below which it is under range (sensor error included)
	OverVolts     float64 // V at the gauge above which it is over range; both 0 means no bounds

	// Corrections and accuracy of a pressure gauge.
	ZeroPa           float64 // Pa that the gauge shows at no pressure; subtracted
	Span             float64 // factor on (p - ZeroPa); 0 means 1
	GasDependent     bool    // heat-conduction gauge: SetGas corrects it
	AccuracyFraction float64 // ± fraction of the reading (pressure gauge or "none")
	AccuracyAbs      float64 // ± in the channel's unit: Pa, °C or A

	// Thermocouple and other thermometers.
	Class    string  // wire tolerance: "IEC 1", "IEC 2", "IEC 3", "ASTM standard", "ASTM special", "" = not counted
	Mounting float64 // ± °C between glass and junction: seating on the glass; 0 not counted
	Type     byte    // thermocouple letter where the chip does not say; 0 = as the input says
	// Lag is the time constant with which the junction follows the glass, 0.2 s
	// to 30 s; 0 is not corrected. The value is then the estimate of the glass,
	// the indicated value the junction's. Only for thermocouple chips.
	Lag time.Duration
	// LagAccuracy is the standard uncertainty of Lag as a fraction of it, at
	// most 0.5; 0 means 0.1.
	LagAccuracy float64
	// Seating is the share of the glass's rise above the room that the junction
	// sees, 0.5 to 1; 0 is not corrected, and its effect belongs to Mounting.
	// The chip's cold junction stands for the room; without one it is 23 °C
	// within ±10 °C.
	Seating float64
	MaxRate float64 // °C/s faster than which glass can not change: marked TooFast; 0 off
	// FrozenFor: the same code for longer than this is Frozen. 0 is off, the
	// default: glass at rest, a gauge at its stop and a current that is off
	// repeat their codes for minutes without being dead. Not for "current".
	FrozenFor time.Duration

	// Current.
	Ratio           float64 // primary : secondary current of the transformer, e.g. 2000; 0 means 1
	Burden          float64 // Ω across which the secondary current is measured, > 0; 0 means a "number" input already in A
	Bias            float64 // V at the converter at no current, checked to lie between its rails; 0 not given. Any DC is removed by the RMS
	CurrentAccuracy float64 // ± fraction: transformer and burden together
	FloorAmps       float64 // ± A: noise and pick-up of the line; a swing below it is no signal, and it counts in U

	// Current measured on the primary side of the bombarder's transformer, of
	// which the secondary current is inferred; see [Params.Secondary]. FloorAmps
	// is then of the primary side, AccuracyAbs of the secondary.
	PrimarySide      bool
	TurnsRatio       float64 // secondary : primary turns, e.g. 65 for 230 V to 15 kV; > 0 with PrimarySide
	Magnetising      float64 // A rms of the primary with the secondary open at working voltage; 0 not counted
	MagnetisingAngle float64 // ° from the load's share of the primary current to the magnetising current, above 0 to 180; 0 means 90
}

// Chain converts the samples of one channel. It is used by one goroutine.
// Push and Take allocate nothing.
type Chain interface {
	// Push adds one raw sample of the present frame interval, in order of at.
	// q with any bit of calib.Invalid makes it no reading; other bits mark the
	// value that it enters. aux is the cold-junction code, NaN if none.
	Push(at time.Duration, raw, aux float64, q calib.Quality)
	// Take closes the interval at time at: the best value, the value before
	// corrections (gas, zero, span, linearisation, lag, seating), and how many samples came
	// since the last Take. With no sample in the interval the last value is
	// held no longer than max(0.3 s, 3*Interval), then it is NoReading.
	Take(at time.Duration) (value, indicated calib.Value, samples int)
	// SetGas tells a heat-conduction gauge which gas it sees; no effect on
	// other chains.
	SetGas(g gauge.Gas)
}

// Waveform is what a [Chain] of kind "current" on a sampled waveform implements
// too: its meter, for half cycles, frequency (and whether that is the mains'),
// spacing of the samples and crest factor, in volts at the converter.
type Waveform interface {
	// Meter is the meter with all samples pushed so far. It is only to be read,
	// before the next Push; then ask again.
	Meter() *rms.Meter
}
