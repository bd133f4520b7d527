// Package calib turns raw numbers into physical values with standard
// uncertainty. Its sub-packages hold the thermocouple functions, gauge
// characteristics, the current waveform's RMS and the certificates.
//
// Units inside are SI: pascals, amperes, seconds, metres; temperature is in
// degrees Celsius (t90). Torr, micron and milliampere live at the edges.
package calib

import "strings"

// Value is a measured value.
type Value struct {
	X float64 // best estimate; NaN if there is no reading
	U float64 // standard uncertainty (k = 1), same unit; NaN if not known
	Q Quality
}

// Quality says how far a value may be believed. 0 is good.
type Quality uint16

// The qualities. A value with any bit of [Invalid] has X = NaN.
const (
	NoReading    Quality = 1 << iota // the device did not answer, or not in time
	SensorFault                      // the device says that its sensor is open or shorted
	OverRange                        // above what sensor or gauge can tell
	UnderRange                       // below it
	Clipped                          // the converter was at its rail
	Spike                            // a single sample that cannot be; the value leaves it out
	TooFast                          // changes faster than glass or gas can
	Frozen                           // the same code too often to be alive
	Undersampled                     // the waveform may hold what the sampling rate hides
	Correcting                       // a correction (lag, gas) is larger than usual
	Overdue                          // the calibration is past its date
	Uncalibrated                     // no certificate; the data sheet's limits only
	Contradicted                     // another channel says that it cannot be
	OffMains                         // a waveform of another frequency than the mains' in bench.toml
)

// Invalid is the set of qualities with which there is no usable value.
const Invalid = NoReading | SensorFault | OverRange | UnderRange | Frozen

// Suspect is the set with which a value is shown but marked.
const Suspect = Clipped | Spike | TooFast | Undersampled | Correcting | Contradicted | OffMains

// Good tells whether the value can be used.
func (v Value) Good() bool { return v.Q&Invalid == 0 && v.X == v.X }

var qualityNames = [...]string{
	"no reading", "sensor fault", "over range", "under range", "clipped", "spike", "too fast",
	"frozen", "undersampled", "correcting", "calibration overdue", "uncalibrated", "contradicted",
	"not at mains frequency",
}

// String lists the qualities in words, or "good".
func (q Quality) String() string {
	if q == 0 {
		return "good"
	}
	var names []string
	for i, n := range qualityNames {
		if q&(1<<i) != 0 {
			names = append(names, n)
		}
	}
	return strings.Join(names, ", ")
}
