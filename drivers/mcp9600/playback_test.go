package mcp9600

import (
	"testing"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"tipoff/drivers/drivertest"
)

// The transfers of a type K couple at 16 bit, by the register map of DS20005426C:
// ID 4010h, settings 00h and 20h written and read back, the status cleared, the
// first conversion left out since it may have begun before, and then +250 °C
// (0FA0h) at +25 °C (0190h), the hot junction read twice.
func TestPlayback(t *testing.T) {
	w := func(b ...byte) i2ctest.IO { return i2ctest.IO{Addr: at, W: b} }
	r := func(reg byte, b ...byte) i2ctest.IO { return i2ctest.IO{Addr: at, W: []byte{reg}, R: b} }
	got := drivertest.PlayI2C(t, Driver(), config(), []i2ctest.IO{
		r(0x20, 0x40, 0x10),
		w(0x05, 0x00), w(0x06, 0x20), w(0x04, 0x00), r(0x05, 0x00), r(0x06, 0x20),
		r(0x04, 0x40), w(0x04, 0x00),
		r(0x04, 0x40), w(0x04, 0x00), r(0x00, 0x0F, 0xA0), r(0x02, 0x01, 0x90), r(0x00, 0x0F, 0xA0), r(0x06, 0x20),
		w(0x06, 0x21), // to sleep
	}, 1)
	if len(got) != 1 || got[0].Raw/16 != 250 || got[0].Aux/16 != 25 || got[0].Fault != 0 {
		t.Errorf("%+v", got)
	}
}
