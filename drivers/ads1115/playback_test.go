package ads1115

import (
	"testing"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"tipoff/drivers"
	"tipoff/drivers/drivertest"
)

// The transfers of one input, AIN0 at ±4.096 V and 128/s, as the register map of
// SBAS444 has them: thresholds 8000h and 7FFFh, settings C283h (OS 1, MUX 100,
// PGA 001, MODE 0, DR 100, comparator off), conversion 1F40h, which is 1.000 V at
// 125 µV (chips.md section 1), asked for twice since nothing was known before.
func TestPlayback(t *testing.T) {
	const a = 0x49
	got := drivertest.PlayI2C(t, Driver(), func() (c drivers.Config) {
		c = config(in("ain0"))
		c.Address = "0x49"
		return c
	}(), []i2ctest.IO{
		{Addr: a, W: []byte{2, 0x80, 0x00}},
		{Addr: a, W: []byte{3, 0x7F, 0xFF}},
		{Addr: a, W: []byte{2}, R: []byte{0x80, 0x00}},
		{Addr: a, W: []byte{3}, R: []byte{0x7F, 0xFF}},
		{Addr: a, W: []byte{1, 0xC2, 0x83}},
		{Addr: a, W: []byte{1}, R: []byte{0x42, 0x83}},
		{Addr: a, W: []byte{0}, R: []byte{0x1F, 0x40}},
		{Addr: a, W: []byte{0}, R: []byte{0x1F, 0x40}},
		{Addr: a, W: []byte{1}, R: []byte{0x42, 0x83}}, // settings in place
		{Addr: a, W: []byte{1, 0x43, 0x83}},            // to sleep
	}, 1)
	if len(got) != 1 || got[0].Raw != 0x1F40 || got[0].Fault != 0 {
		t.Errorf("%+v", got)
	}
}
