package ads1115

import (
	"fmt"

	"periph.io/x/conn/v3/i2c"

	"tipoff/drivers/bus"
)

// configReset is the config register after power-up (SBAS444D).
const configReset = 0x8583

// Addresses are those that the chip's ADDR pin can choose. The slice is the
// caller's own.
func Addresses() []uint16 { return append([]uint16(nil), addresses...) }

// Recognise tells by its registers whether the chip at addr of b is of this
// family. It sets the register pointer and reads; it writes no register, so it
// harms no other chip that can have these addresses. The ADS1015 has the same
// registers: its codes give it away, whose low four bits are always 0.
func Recognise(b i2c.Bus, addr uint16) (bus.Recognised, error) {
	var got [3]uint16
	for i, reg := range [3]byte{regConfig, regLow, regHigh} {
		v, err := bus.Steady(b, addr, reg, alike(reg))
		if err != nil {
			return bus.Recognised{}, fmt.Errorf("reading register %02Xh: %w", reg, err)
		}
		got[i] = v
	}
	config, low, high := got[0], got[1], got[2]
	const family = "ADS1115 or ADS1015"
	switch {
	case config == configReset && low == lowReset && high == highReset:
		return bus.Recognised{Chip: family, Confidence: bus.Certain,
			Evidence: "config register at its reset value 8583h, thresholds at 8000h and 7FFFh"}, nil
	case low == lowReset && high == highReset:
		return bus.Recognised{Chip: family, Confidence: bus.Likely,
			Evidence: fmt.Sprintf("thresholds at their reset values 8000h and 7FFFh; config register %04Xh: something has used it", config)}, nil
	case low == lowReady && high == highReady:
		return bus.Recognised{Chip: family, Confidence: bus.Likely,
			Evidence: fmt.Sprintf("thresholds at 0000h and 8000h, as tipoff sets them for a ready line; config register %04Xh", config)}, nil
	case high&0x8000 != 0 && low&0x8000 == 0 && config&3 != 3:
		return bus.Recognised{Chip: family, Confidence: bus.Possible,
			Evidence: fmt.Sprintf("config %04Xh and thresholds %04Xh, %04Xh are those of a conversion-ready pin in use", config, low, high)}, nil
	}
	return bus.Recognised{Evidence: fmt.Sprintf("registers 01h to 03h read %04Xh, %04Xh, %04Xh, not as an ADS1115's", config, low, high)}, nil
}

// alike tells whether two answers agree, apart from the busy bit of the config register.
func alike(reg byte) func(a, b uint16) bool {
	return func(a, b uint16) bool { return a == b || reg == regConfig && (a^b)&^startBit == 0 }
}
