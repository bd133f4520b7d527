package drivers

import (
	"errors"
	"fmt"
)

// Condition sorts a device's errors by what has to be done about them. Use
// errors.Is(err, drivers.NotPresent); the cause below it (a syscall.Errno) stays
// reachable too.
type Condition string

// Error implements error.
func (c Condition) Error() string { return string(c) }

// The conditions.
const (
	NotPresent  Condition = "not there"        // no answer, no such device file
	Permission  Condition = "not permitted"    // the device file may not be opened
	BusDisabled Condition = "bus not enabled"  // the kernel has no such bus
	Transient   Condition = "transfer failed"  // worth another try
	WrongDevice Condition = "another device"   // something else answers there
	LostConfig  Condition = "settings lost"    // the device forgot its settings
	BadConfig   Condition = "cannot be set so" // bench.toml asks for what the device cannot do
	BusStuck    Condition = "bus held"         // a line of the bus is held low
)

// Error is a device's error: what was being done, where, of which condition,
// why, and what the user should do.
type Error struct {
	Device string // "MAX31856 on /dev/spidev0.0"
	Doing  string // "reading the temperature"
	Is     Condition
	Err    error  // cause, may be nil
	Hint   string // what to do, in words
}

// Error implements error.
func (e *Error) Error() string {
	s := fmt.Sprintf("%s: %s: %s", e.Device, e.Doing, e.Is)
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	if e.Hint != "" {
		s += " (" + e.Hint + ")"
	}
	return s
}

// Unwrap gives condition and cause.
func (e *Error) Unwrap() []error {
	if e.Err == nil {
		return []error{e.Is}
	}
	return []error{e.Is, e.Err}
}

// HintOf is the hint of the first [Error] in err's tree, or "".
func HintOf(err error) string {
	var e *Error
	if errors.As(err, &e) {
		return e.Hint
	}
	return ""
}

// Cause is err in words without the hints, for those who show them apart.
func Cause(err error) string {
	var e *Error
	if !errors.As(err, &e) {
		return err.Error()
	}
	bare := *e
	bare.Hint = ""
	if e.Err != nil {
		bare.Err = errors.New(Cause(e.Err))
	}
	return bare.Error()
}
