package mcp3208

import (
	"testing"

	"periph.io/x/conn/v3/conntest"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/drivertest"
)

// Frames of DS21298E figures 6-1 and 5-1: all eight channels to identify, then
// CH3 with 1.000 V of 3.3 V, code 4D9h: three undefined bits, the null bit, the
// code from the top, and its bits again from the second lowest up
// (00110110 010), then zeros.
func TestPlayback(t *testing.T) {
	var ops []conntest.IO
	for ch := range byte(8) {
		ops = append(ops, conntest.IO{W: []byte{0x06 | ch>>2, ch << 6, 0}, R: []byte{0xFF, 0xE0, 0}})
	}
	ops = append(ops, conntest.IO{W: []byte{0x06, 0xC0, 0, 0, 0}, R: []byte{0xFF, 0xE4, 0xD9, 0x36, 0x40}})
	got := drivertest.PlaySPI(t, Driver(), config(in("ch3", "waveform", "no")), spi.Mode0, ops, 1)
	if len(got) != 1 || got[0].Raw != 1241 || got[0].Fault != 0 {
		t.Errorf("%+v", got)
	}
}
