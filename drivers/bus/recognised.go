package bus

import "errors"

// Confidence says how surely a chip was recognised.
type Confidence string

// The confidences. Certain still leaves chips apart that answer alike; the name
// then lists them.
const (
	Certain  Confidence = "certain"  // identity register, or so many fixed bits that chance is out of the question
	Likely   Confidence = "likely"   // the bits that are fixed are right, but they are few
	Possible Confidence = "possible" // it fits, and other chips would fit too
)

// Recognised is what a chip's own answers say about what it is.
type Recognised struct {
	Chip       string     // "ADS1115 or ADS1015"; "" if it is none of the driver's
	Confidence Confidence // "" without Chip
	Evidence   string     // what was seen, in words, with and without Chip
	Silent     bool       // nothing drives the data line (SPI)
}

// ErrUnsteady is the error of a chip that says something else each time it is asked.
var ErrUnsteady = errors.New("it says something else each time that it is asked")
