// Package alarm keeps alarm states by ISA-18.2 / IEC 62682. It knows
// conditions, not what they mean.
package alarm

import "time"

// Priority is how quickly the operator has to respond.
type Priority uint8

// The priorities.
const (
	Low Priority = iota + 1
	Medium
	High
)

// String is the priority in words.
func (p Priority) String() string { return [...]string{"", "low", "medium", "high"}[p] }

// State is an alarm's state after IEC 62682.
type State uint8

// The states.
const (
	Normal             State = iota
	Unacknowledged           // active, not acknowledged
	Acknowledged             // active, acknowledged
	ReturnedUnack            // no longer active, never acknowledged
	LatchedUnack             // condition gone, waits for acknowledgement and reset
	Shelved                  // silenced by the operator for a stated time
	SuppressedByDesign       // follows from another alarm that is active
	OutOfService
)

var stateNames = [...]string{"normal", "unacknowledged", "acknowledged", "returned unacknowledged",
	"latched", "shelved", "suppressed", "out of service"}

// String is the state in words.
func (s State) String() string { return stateNames[s] }

// Definition is one alarm that can occur.
type Definition struct {
	ID       string // "glass-over-ceiling"; stable, a metric label
	Title    string // "Glass over its ceiling"
	Response string // what the operator should do: an alarm without one is none
	Priority Priority
	OnDelay  time.Duration // condition must hold this long before it is raised
	OffDelay time.Duration // condition must be gone this long before it returns
	Latched  bool          // stays until acknowledged even when the condition is gone
	// SuppressedBy names alarms that explain this one: while one of them is
	// active this one does not sound.
	SuppressedBy []string
	// ReAlarm brings an acknowledged alarm that is still active back to
	// unacknowledged after this time; 0 never.
	ReAlarm time.Duration
	// Signal names the sound, if it is not the one of the priority.
	Signal Signal
}
