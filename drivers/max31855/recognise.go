package max31855

import (
	"encoding/binary"
	"fmt"
	"math/bits"

	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/bus"
)

// Recognise tells by its frames whether a MAX31855 is at the other end of c,
// which has to be of SPI mode 0. It only reads. Few bits of a frame are fixed,
// so it is never more than likely, and
// possible only if what it says would be no bench's temperature; which thermocouple type the chip was made
// for can not be read from it.
func Recognise(c spi.Conn) (bus.Recognised, error) {
	var frames [3]uint32
	var answers [12]byte
	for i := range frames {
		var w [4]byte
		r := answers[4*i : 4*i+4]
		if err := c.Tx(w[:], r); err != nil {
			return bus.Recognised{}, fmt.Errorf("reading a frame: %w", err)
		}
		frames[i] = binary.BigEndian.Uint32(r)
	}
	f := frames[0]
	if r, stuck := bus.Unanswered(answers[:]); stuck {
		return r, nil
	}
	for _, g := range frames {
		if !sound(g) {
			return bus.Recognised{Evidence: fmt.Sprintf("frame %08Xh breaks the rules of a MAX31855", g)}, nil
		}
		if !near(g, f) {
			return bus.Recognised{Evidence: fmt.Sprintf("frames %08Xh and %08Xh lie too far apart for a MAX31855", f, g)}, nil
		}
	}
	raw, aux, fault := decode(f)
	hot, cold := raw/4, aux/16
	if cold < -40 || cold > 125 || fault == 0 && (hot < -270 || hot > 1800) {
		return bus.Recognised{Evidence: fmt.Sprintf("frame %08Xh would mean %.4g °C at a cold junction of %.4g °C", f, hot, cold)}, nil
	}
	what := fmt.Sprintf("%.4g °C", hot)
	if fault != 0 {
		what = fault.String()
	}
	// One frame in sixteen of noise has the fixed bits right, so it should at least
	// be a bench's temperatures, or one fault.
	confidence := bus.Likely
	if cold < -10 || cold > 70 || fault == 0 && (hot < -50 || hot > 600) || bits.OnesCount32(f&7) > 1 {
		confidence = bus.Possible
	}
	return bus.Recognised{Chip: "MAX31855", Confidence: confidence,
		Evidence: fmt.Sprintf("reserved bits 0 in frame %08Xh: %s, cold junction at %.4g °C", f, what, cold)}, nil
}
