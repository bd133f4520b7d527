package journal

import "time"

// EventKind is what kind of thing happened.
type EventKind string

// The kinds of event.
const (
	PhaseChanged EventKind = "phase"              // ID is the phase's name
	AlarmRaised  EventKind = "alarm-raised"       // ID is the alarm's
	AlarmAcked   EventKind = "alarm-acknowledged" // ID is the alarm's
	AlarmCleared EventKind = "alarm-cleared"      // ID is the alarm's
	CardAssigned EventKind = "card"               // ID is the tube's name
	ClockAnchor  EventKind = "clock"              // Wall and Trusted are set
	LinesLost    EventKind = "lost"               // Count lines were dropped, the disk was stuck
	Note         EventKind = "note"
)

// Event is something that happened during a run. Control characters in texts
// become spaces.
type Event struct {
	At      time.Duration // monotonic
	Kind    EventKind
	ID      string
	Text    string
	Count   int64     // 0: none
	Wall    time.Time // of a ClockAnchor
	Trusted bool
}
