package mcp3208

import (
	"fmt"

	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/bus"
)

// Recognise tells by its answers whether an MCP3208 or its little sister MCP3204
// is at the other end of c, which has to be of SPI mode 0. Each frame begins with
// a byte of zeros, which the chip passes over: to a memory chip in its place that
// is no command, so nothing is harmed.
func Recognise(c spi.Conn) (bus.Recognised, error) {
	sound, live := 0, 0
	var odd [1 + answer]byte
	var answers [8 * len(odd)]byte
	for ch := range byte(8) {
		w, r := [1 + answer]byte{0, 0x06 | ch>>2, ch << 6}, [1 + answer]byte{}
		if err := c.Tx(w[:], r[:]); err != nil {
			return bus.Recognised{}, fmt.Errorf("converting channel %d: %w", ch, err)
		}
		code := uint16(r[2]&0x0F)<<8 | uint16(r[3])
		copy(answers[int(ch)*len(r):], r[:])
		if r[2]&0x10 != 0 || !intact(r[1:], code) {
			odd = r
			continue
		}
		sound++
		if code != 0 {
			live++
		}
	}
	if r, stuck := bus.Unanswered(answers[:]); stuck {
		return r, nil
	}
	const family = "MCP3208 or MCP3204"
	const how = "null bit in its place and the code sent twice, forwards and backwards, in %d of 8 answers"
	switch {
	case sound == 8 && live > 0:
		return bus.Recognised{Chip: family, Confidence: bus.Certain, Evidence: fmt.Sprintf(how, sound)}, nil
	case sound == 8:
		return bus.Recognised{Chip: family, Confidence: bus.Likely,
			Evidence: fmt.Sprintf(how, sound) + ", but all codes are 0: no input has a voltage"}, nil
	case sound >= 6:
		return bus.Recognised{Chip: family, Confidence: bus.Likely, Evidence: fmt.Sprintf(how, sound) + ": the wires are disturbed"}, nil
	}
	return bus.Recognised{Evidence: fmt.Sprintf("answer % X breaks the rules of an MCP3208", odd[1:])}, nil
}
