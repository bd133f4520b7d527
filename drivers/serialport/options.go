package serialport

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/bus"
)

// Options are the keys that set the line. def gives the defaults.
func Options(def Mode) []drivers.Option {
	return []drivers.Option{
		{Key: "baud", Allowed: "50 to 4000000", Default: strconv.Itoa(def.Baud), Doc: "bits a second; the same for all channels of the port"},
		{Key: "data_bits", Allowed: "7, 8", Default: strconv.Itoa(def.DataBits), Doc: "bits of a byte"},
		{Key: "parity", Allowed: "none, even, odd", Default: parityName(def.Parity), Doc: "parity bit"},
		{Key: "stop_bits", Allowed: "1, 2", Default: strconv.Itoa(def.StopBits), Doc: "stop bits"},
	}
}

func parityName(p byte) string {
	switch p {
	case 'E':
		return "even"
	case 'O':
		return "odd"
	}
	return "none"
}

// ReadMode reads the keys of [Options].
func ReadMode(o *bus.Options) (Mode, error) {
	var m Mode
	var err error
	if m.Baud, err = Whole(o, "baud", 50, 4_000_000); err != nil {
		return m, err
	}
	if m.DataBits, err = Whole(o, "data_bits", 7, 8); err != nil {
		return m, err
	}
	if m.StopBits, err = Whole(o, "stop_bits", 1, 2); err != nil {
		return m, err
	}
	switch o.Word("parity") {
	case "none":
		m.Parity = 'N'
	case "even":
		m.Parity = 'E'
	case "odd":
		m.Parity = 'O'
	default:
		return m, o.Wrong("parity")
	}
	return m, nil
}

// Whole reads a whole number from lo to hi, decimal or with 0x.
func Whole(o *bus.Options, key string, lo, hi int) (int, error) {
	v := o.Word(key)
	base := 10
	if h, ok := strings.CutPrefix(v, "0x"); ok {
		v, base = h, 16
	}
	n, err := strconv.ParseUint(v, base, 31)
	if err != nil || int(n) < lo || int(n) > hi {
		return 0, o.Wrong(key)
	}
	return int(n), nil
}

// Duration reads "250 ms" or "1.5 s" from lo to hi.
func Duration(o *bus.Options, key string, lo, hi time.Duration) (time.Duration, error) {
	d, err := time.ParseDuration(strings.ReplaceAll(o.Word(key), " ", ""))
	if err != nil || d < lo || d > hi {
		return 0, o.Wrong(key)
	}
	return d, nil
}

// Scale reads a factor, which may be negative but not 0.
func Scale(o *bus.Options, key string) (float64, error) {
	f, err := strconv.ParseFloat(o.Word(key), 64)
	if err != nil || !(f > 0 && f < 1e12 || f < 0 && f > -1e12) {
		return 0, o.Wrong(key)
	}
	return f, nil
}

// Number describes what an instrument sends: a number in unit, or volts where
// unit is V or mV, because a converter's volts are calibrated, not shown.
func Number(unit string, scale float64) drivers.Input {
	switch unit {
	case "V":
		return drivers.Input{Kind: drivers.Voltage, Scale: scale}
	case "mV":
		return drivers.Input{Kind: drivers.Voltage, Scale: scale / 1000}
	}
	return drivers.Input{Kind: drivers.Number, Unit: unit, Scale: scale}
}

// Same checks that the channels of one port agree on a setting.
func Same[T comparable](driver, key string, a, b T) error {
	if a != b {
		return fmt.Errorf("%s: option %s = %v on one channel and %v on another, allowed is: the same on all channels of a port: %w",
			driver, key, a, b, drivers.BadConfig)
	}
	return nil
}

// ErrSilent is the error of an instrument that sent nothing.
var ErrSilent = errors.New("no answer")
