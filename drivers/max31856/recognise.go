package max31856

import (
	"errors"
	"fmt"

	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/bus"
)

// Recognise tells by its registers whether a MAX31856 is at the other end of c,
// which has to be of SPI mode 1. It reads the register file, and only if most of
// the threshold registers hold their power-up values, which nothing else holds,
// it changes one bit of the cold-junction low threshold, reads it back and puts
// it back. A chip that is none therefore gets nothing written.
func Recognise(c spi.Conn) (bus.Recognised, error) {
	first, err := file(c)
	if err != nil {
		return bus.Recognised{}, err
	}
	got, err := file(c)
	if err != nil {
		return bus.Recognised{}, err
	}
	if r, stuck := bus.Unanswered(got[:]); stuck && first == got {
		return r, nil
	}
	if [settings]byte(first[:settings]) != [settings]byte(got[:settings]) {
		return bus.Recognised{Evidence: "what would be a MAX31856's settings changes from one look to the next"}, nil
	}
	alike := 0
	for reg := 3; reg <= 8; reg++ { // thresholds
		if got[reg] == powerUp[reg] {
			alike++
		}
	}
	if alike < 4 || got[regLTC+2]&0x1F != 0 || got[regCJT+1]&3 != 0 {
		return bus.Recognised{Evidence: fmt.Sprintf("registers 00h to 09h would be % X: no MAX31856", got[:settings])}, nil
	}
	const reg = 4 // cold-junction low threshold
	was := got[reg]
	kept, err := keeps(c, reg, was^1)
	back, backErr := keeps(c, reg, was)
	if !back && backErr == nil { // once more: a setting must not be left behind
		back, backErr = keeps(c, reg, was)
	}
	if err := errors.Join(err, backErr); err != nil {
		return bus.Recognised{}, err
	}
	if !kept || !back {
		return bus.Recognised{Chip: "MAX31856", Confidence: bus.Possible,
			Evidence: fmt.Sprintf("%d of 6 threshold registers read as after power-up, but register 04h does not keep what is written: data line to the chip (SDI) broken?", alike)}, nil
	}
	return bus.Recognised{Chip: "MAX31856", Confidence: bus.Certain,
		Evidence: fmt.Sprintf("%d of 6 threshold registers as after power-up; register 04h keeps what is written (%02Xh, put back)", alike, was)}, nil
}

// file reads the register file.
func file(c spi.Conn) (got [registers]byte, err error) {
	var w, r [1 + registers]byte
	if err := c.Tx(w[:], r[:]); err != nil {
		return got, fmt.Errorf("reading the registers: %w", err)
	}
	return [registers]byte(r[1:]), nil
}

// keeps writes a register and tells whether it reads back.
func keeps(c spi.Conn, reg, v byte) (bool, error) {
	w, r := [2]byte{writing | reg, v}, [2]byte{}
	if err := c.Tx(w[:], r[:]); err != nil {
		return false, fmt.Errorf("writing register %02Xh: %w", reg, err)
	}
	w = [2]byte{reg}
	if err := c.Tx(w[:], r[:]); err != nil {
		return false, fmt.Errorf("reading register %02Xh back: %w", reg, err)
	}
	return r[1] == v, nil
}
