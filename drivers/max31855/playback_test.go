package max31855

import (
	"testing"

	"periph.io/x/conn/v3/conntest"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/drivertest"
)

// Frames of +100.75 °C at +25 °C: rows of tables 4 and 5 of Maxim 19-5793,
// 00000110010011 and 000110010000, once to identify and twice for the first
// reading.
func TestPlayback(t *testing.T) {
	f := digits("00000110010011")<<18 | digits("000110010000")<<4
	frame := conntest.IO{W: make([]byte, 4), R: []byte{byte(f >> 24), byte(f >> 16), byte(f >> 8), byte(f)}}
	got := drivertest.PlaySPI(t, Driver(), typeK, spi.Mode0, []conntest.IO{frame, frame, frame}, 1)
	if len(got) != 1 || got[0].Raw*0.25 != 100.75 || got[0].Aux*0.0625 != 25 || got[0].Fault != 0 {
		t.Errorf("%+v", got)
	}
}
