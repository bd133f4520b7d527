package max31856

import (
	"errors"
	"testing"

	"periph.io/x/conn/v3/conntest"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
)

// Thresholds: hot ones in 1/16 °C, cold ones in 1 °C, and a mask bit of 0 for
// each that is to assert FAULT (chips.md section 3: names and power-up values
// from two public drivers, weights from memory).
func TestThresholds(t *testing.T) {
	cfg := config(50, "high", "300 °C", "low", "-20.5 °C", "cold_high", "60 °C", "cold_low", "-10 °C")
	reg, s, _ := run(t, cfg, func(m *emulated.MAX31856) { m.Hot = constant(299) })
	want := [10]byte{0x91, 0x03, 0xC3, 60, 0xF6, 0x12, 0xC0, 0xFE, 0xB8, 0}
	if [10]byte(reg[:10]) != want {
		t.Errorf("registers % X, want % X", reg[:10], want)
	}
	if s.Fault != 0 {
		t.Errorf("299 °C: %v", s.Fault)
	}
	for name, set := range map[string]func(*emulated.MAX31856){
		"hot":      func(m *emulated.MAX31856) { m.Hot = constant(301) },
		"too cold": func(m *emulated.MAX31856) { m.Hot = constant(-21) },
		"warm end": func(m *emulated.MAX31856) { m.Cold = constant(62) },
		"cold end": func(m *emulated.MAX31856) { m.Cold = constant(-12) },
	} {
		_, s, _ := run(t, cfg, set)
		if s.Fault != drivers.Threshold || s.Fault&drivers.Invalidating != 0 {
			t.Errorf("%s: %v", name, s.Fault)
		}
		// Without the options nobody has asked for limits.
		if _, s, _ := run(t, config(50), set); s.Fault != 0 {
			t.Errorf("%s, no thresholds: %v", name, s.Fault)
		}
	}
	for _, kv := range [][]string{{"high", "3000 °C"}, {"low", "20 K"}, {"cold_high", "128 °C"}, {"open_detect", "yes"}} {
		if _, err := open(nil, nil, config(50, kv...)); !errors.Is(err, drivers.BadConfig) {
			t.Errorf("%v: %v", kv, err)
		}
	}
}

// OCFAULT codes (from memory): 00 off, 01 below 5 kΩ, 10 and 11 up to 40 kΩ.
func TestOpenDetection(t *testing.T) {
	for word, code := range map[string]byte{"off": 0, "low": 1, "high": 2, "filtered": 3} {
		reg, s, _ := run(t, config(60, "open_detect", word), func(m *emulated.MAX31856) { m.SetOpen(true) })
		if reg[0] != 0x80|code<<4 || (s.Fault == drivers.OpenCircuit) != (code != 0) {
			t.Errorf("%s: CR0 %02X, %v", word, reg[0], s.Fault)
		}
	}
}

// The transfers of a type K couple at 60 Hz: settings written with conversion
// off and then on, the register file read back, and the same twice for the first
// reading, +100.9375 °C at +25 °C: rows 064F00h and 1900h of the data sheet's
// formats (from memory, computed again in chips.md section 3).
func TestPlayback(t *testing.T) {
	zeros := make([]byte, 17)
	file := []byte{0, 0x90, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0, 0, 0x19, 0, 0x06, 0x4F, 0, 0}
	got := drivertest.PlaySPI(t, Driver(), config(60), spi.Mode1, []conntest.IO{
		{W: []byte{0x80, 0x10, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0, 0}, R: make([]byte, 11)},
		{W: []byte{0x80, 0x90}, R: make([]byte, 2)},
		{W: zeros, R: file}, {W: zeros, R: file}, {W: zeros, R: file},
		{W: []byte{0x80, 0x10}, R: make([]byte, 2)}, // conversion off
	}, 1)
	if len(got) != 1 || got[0].Raw/128 != 100.9375 || got[0].Aux/64 != 25 || got[0].Fault != 0 {
		t.Errorf("%+v", got)
	}
}
