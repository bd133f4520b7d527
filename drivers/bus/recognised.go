package bus

import (
	"errors"
	"fmt"

	"periph.io/x/conn/v3/i2c"
)

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

// Steady reads a register of two bytes, up to four times, until two answers in a row
// are alike; [ErrUnsteady] if none are. It writes nothing but the register's number.
func Steady(b i2c.Bus, addr uint16, reg byte, alike func(a, b uint16) bool) (uint16, error) {
	var last uint16
	for n := range 4 {
		var r [2]byte
		if err := b.Tx(addr, []byte{reg}, r[:]); err != nil {
			return 0, err
		}
		v := uint16(r[0])<<8 | uint16(r[1])
		if n > 0 && alike(v, last) {
			return v, nil
		}
		last = v
	}
	return 0, ErrUnsteady
}

// What is said of an SPI data line that nothing drives.
const (
	StaysLow  = "the data line stays low"
	StaysHigh = "the data line stays high"
)

// Stuck is [StaysLow] or [StaysHigh] if all bits of an answer are alike, else "".
func Stuck(answer []byte) string {
	for _, b := range answer {
		if b != answer[0] {
			return ""
		}
	}
	switch {
	case len(answer) > 0 && answer[0] == 0:
		return StaysLow
	case len(answer) > 0 && answer[0] == 0xFF:
		return StaysHigh
	}
	return ""
}

// Unanswered is what Recognise says of an answer that is [Stuck].
func Unanswered(answer []byte) (r Recognised, stuck bool) {
	what := Stuck(answer)
	if what == "" {
		return r, false
	}
	return Recognised{Silent: true, Evidence: fmt.Sprintf("%s: all %02Xh", what, answer[0])}, true
}
