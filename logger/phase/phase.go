// Package phase knows the steps of a run and finds them from pressure, glass
// temperature and current, and from contacts on contactor, main stopcock and
// torch where there are any: a causal tracker for the bench and a smoother for
// the sheet, on one model.
package phase

import (
	"math"
	"time"

	"tipoff/calib"
	"tipoff/logger/frame"
)

// ID is a step of a run.
type ID uint8

// The steps, in the order in which a run usually takes them.
const (
	Idle ID = iota
	Evacuate
	LeakTest
	AdmitAir
	Dry
	PumpOut
	Bombard
	Shells
	FinalPump
	Cool
	Flush
	Fill
	TipOff
	Vent
	Age
	Count int = iota
)

var names = [Count]string{
	"idle", "evacuate", "leak-test", "admit-air", "dry", "pump-out", "bombard", "shells",
	"final-pump", "cool", "flush", "fill", "tip-off", "vent", "age",
}

// String is the phase's name as the page, the metrics and run.toml write it.
func (p ID) String() string { return names[p] }

// Named finds a phase by its name.
func Named(s string) (ID, bool) {
	for i, n := range names {
		if n == s {
			return ID(i), true
		}
	}
	return 0, false
}

// Observation is what a frame says about the process. NaN where there is no
// usable reading.
type Observation struct {
	At       time.Duration // monotonic
	Pressure float64       // Pa
	Glass    float64       // °C
	Current  float64       // A, RMS
	// Contactor is what the contactor's contact tells. It counts where the current is
	// not known.
	Contactor frame.Switch
	// Stopcock is what a switch on the main stopcock tells: on while it is shut. It
	// counts once it has been seen to move.
	Stopcock frame.Switch
	// Torch is what a contact on the torch tells: on while it is in use. It counts if
	// it is taken up after the gas was let in; where it burns already then it tells
	// nothing of that fill.
	Torch frame.Switch
}

// Observe takes the observation out of a frame.
func Observe(l *frame.Layout, f *frame.Frame) Observation {
	o := Observation{At: f.At, Pressure: f.Usable(l, frame.Pressure), Glass: f.Usable(l, frame.Glass), Current: f.Usable(l, frame.Current),
		Contactor: f.Contactor(l), Stopcock: f.Switch(l, frame.Stopcock), Torch: f.Switch(l, frame.Torch)}
	if o.Contactor == frame.SwitchOn && f.Of(l, frame.Current).Q&calib.Contradicted != 0 {
		// On, and no current: not struck, or no transformer. Neither is known.
		o.Current, o.Contactor = math.NaN(), frame.SwitchUnknown
	}
	return o
}

// Segment is a stretch of time in one phase, [From, To).
type Segment struct {
	Phase    ID
	From, To time.Duration // monotonic
	// Habit is true of a tip-off whose beginning no channel shows: From is then where
	// it usually is, Options.TipOffAfter, and not measured.
	Habit bool
}
