// Package status is the daemon's state at one moment, as the page, the metrics
// and the terminal read it. Whoever holds a Snapshot may keep it: it is never
// changed after it was handed out.
package status

import (
	"time"

	"tipoff/calib"
	"tipoff/logger/alarm"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/health"
	"tipoff/logger/phase"
)

// Snapshot is the daemon's state after one frame.
type Snapshot struct {
	Bench       string
	Version     string
	Now         time.Duration // monotonic, of the frame
	Wall        time.Time
	WallTrusted bool
	Speed       float64 // bench seconds per real second; 1 on hardware
	Emulated    bool    // the demo's bench, not hardware
	Layout      *frame.Layout
	Frame       frame.Frame
	Phase       phase.ID
	PhaseSince  time.Duration
	PhaseOr     phase.ID // what it may be as well, as no channel of the bench tells; else Phase
	Run         Run
	Ageing      Ageing
	Envelope    *envelope.Envelope
	Limits      []LimitNow // those that apply in this phase
	Ceiling     Foresight
	Alarms      []Alarm          // all that are not Normal, most urgent first
	Troubles    []health.Trouble // what is wrong now, worst first, hidden ones too
	Channels    []Channel
	Counters    Counters
}

// Run is the run being recorded.
type Run struct {
	Active  bool
	ID      string        // "2026-11-25-001", folder name
	Started time.Duration // monotonic
	Tube    string        // tube card's name, "" if none
	Next    string        // the card the next run will get, "" if none
}

// Ageing is the ageing run being recorded.
type Ageing struct {
	Active  bool
	ID      string
	Tube    string
	Of      string        // the run that processed the tube, "" if not said
	Started time.Duration // monotonic
	Burnt   time.Duration // with the current on, earlier runs of the same request included
	Hours   float64       // that it is to burn; 0: until it is ended
	Wanted  float64       // A; 0 if not said
	Dark    bool          // it had burnt and is out
	Dim     bool          // it burns, and its light has collapsed
	Trouble string        // why what is wanted cannot be recorded; "" nothing
}

// LimitNow is a limit and how the present reading meets it.
type LimitNow struct {
	Limit   envelope.Limit
	Value   calib.Value
	Verdict envelope.Verdict
}

// Foresight is when the glass will reach its ceiling if nothing changes.
type Foresight struct {
	Known    bool
	In       time.Duration    // time to the ceiling; only if Approaching
	Approach bool             // the ceiling will be reached within a minute
	Rate     float64          // °C/s now
	Ahead    calib.Value      // glass in envelope.Horizon, °C; X is NaN if not known
	Seating  envelope.Seating // of the glass's thermocouple
	// Shells is how much of the shells' work is done, GlassDone how far the glass
	// is to its target, both %; X or it is NaN if not known.
	Shells    calib.Value
	GlassDone float64
	// GlassIn and ShellsIn are when they will be done if nothing changes, s, NaN if
	// not known, +Inf if never; First is which of them first.
	GlassIn, ShellsIn float64
	First             envelope.First
}

// Alarm is one alarm that is not Normal.
type Alarm struct {
	Definition alarm.Definition
	State      alarm.State
	Since      time.Duration // when it was raised, monotonic
	Detail     string        // "glass 262 °C, ceiling 260 °C"
	Count      int           // how often since the daemon started
}

// Channel is how one channel is doing.
type Channel struct {
	Up         bool          // it gave a usable reading within its time limit
	LastSample time.Duration // monotonic; negative if never
	Samples    uint64
	Errors     uint64 // failed transfers
	Faults     uint64 // samples with a fault bit
	Restores   uint64 // times its settings had to be written again
	// Spacing and Jitter are mean and standard deviation of the times between the
	// samples of a waveform, since the run began; 0 for other channels.
	Spacing time.Duration
	Jitter  time.Duration
	// Due is when the channel's calibration has to be renewed; zero if it has
	// no certificate. Overdue: that is past. Drifting: it had moved when it was
	// last renewed, or Drifts has one that drifts.
	Due               time.Time
	Overdue, Drifting bool
	// Drifts are the checks for drift that have been made since it was calibrated.
	Drifts []Drift
	// Change is by how much the channel had moved when it was last renewed, in its
	// unit, and ChangeU the standard uncertainty of that; NaN where not known.
	Change, ChangeU float64
	// TimeConstant is the lag that is corrected for; 0: none is.
	TimeConstant time.Duration
}

// Drift is one check for drift.
type Drift struct {
	Against string  // "room", "atmosphere", "arc-off", "other-meter", "other-gauge", "best-base"
	Offset  float64 // by how much the channel was off the last time, in its unit
	U       float64 // standard uncertainty of that
	Drifts  bool    // it was off often enough to be told
}

// Counters count from the daemon's start.
type Counters struct {
	Frames        uint64
	RunsCompleted uint64
	RunsInterrupt uint64
	RunsAborted   uint64 // vented before fill
	JournalBytes  uint64
	JournalErrors uint64
	LateFrames    uint64 // frames made more than one interval late
}

// Point is one moment of the live chart, in SI units; NaN where there is no
// reading.
type Point struct {
	Seq      uint64
	At       time.Duration
	Pressure float64 // Pa
	Glass    float64 // °C
	Current  float64 // A
	Light    float64 // part of full scale; NaN without such a channel
	Phase    phase.ID
}

// Source is what a running daemon offers its readers. All methods may be
// called from any goroutine and return at once.
type Source interface {
	// Snapshot is the state after the latest frame, nil before the first.
	Snapshot() *Snapshot
	// History is the points after sequence number since, oldest first, at most
	// the last 20 minutes of bench time, thinned to at most max points.
	History(since uint64, max int) []Point
	// Acknowledge acknowledges one alarm, or all if id is "".
	Acknowledge(id string) error
	// AssignCard gives the TOML text of a tube card to the run being recorded,
	// or to the next one if none is. The error says file, line, key.
	AssignCard(text []byte) error
}
