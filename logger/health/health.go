// Package health is what is wrong with the logger itself, as data: cause, hint,
// and what depends on it. Page, metrics, log and alarms all read this one registry.
package health

import "time"

// Severity says how bad a condition is.
type Severity uint8

// The severities.
const (
	Notice  Severity = iota + 1 // worth knowing
	Warning                     // something does not work; recording goes on
	Failure                     // readings or recording are being lost
)

// String is the severity in words.
func (s Severity) String() string { return [...]string{"", "notice", "warning", "failure"}[s] }

// Kind is a kind of trouble. Kinds are declared once, by whoever finds them.
type Kind struct {
	Code     string // "channel-absent"; stable, a metric label
	Title    string // "Channel gives no reading"
	Severity Severity
	// DependsOn lists codes whose trouble on the same subject, or on the
	// subject this one names as its parent, explains this one.
	DependsOn []string
	// After hides the trouble until it has lasted this long.
	After time.Duration
}

// Trouble is one thing that is wrong now.
type Trouble struct {
	Kind    *Kind
	Subject string        // which channel, bus, disk: "glass", "/dev/i2c-1"
	Parent  string        // subject it depends on ("/dev/i2c-1" for a channel), or ""
	Cause   string        // what was found, in words
	Hint    string        // what to do
	Since   time.Duration // monotonic
	Count   int           // how often it came since the daemon started
	Hidden  bool          // explained by another trouble, or too young
}
