package mcp9600

import (
	"errors"
	"testing"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"tipoff/drivers/bus"
)

// answers plays an ID and two looks at the cold junction. The playback checks
// that nothing but the pointer is written.
func answers(id, cold1, cold2 uint16) *i2ctest.Playback {
	p := &i2ctest.Playback{DontPanic: true}
	for _, o := range [][2]uint16{{0x20, id}, {0x20, id}, {0x02, cold1}, {0x02, cold2}} {
		p.Ops = append(p.Ops, i2ctest.IO{Addr: 0x63, W: []byte{byte(o[0])}, R: []byte{byte(o[1] >> 8), byte(o[1])}})
	}
	return p
}

// ID 40h: DS20005426C, register 20h; 41h of the MCP9601 from memory. 0190h is
// 25 °C, 7FF0h beyond what the chip stands.
func TestRecognise(t *testing.T) {
	for _, c := range []struct {
		id, cold1, cold2 uint16
		chip             string
		want             bus.Confidence
	}{
		{0x4010, 0x0190, 0x0191, "MCP9600", bus.Certain},
		{0x4110, 0x0190, 0x0190, "MCP9601", bus.Certain},
		{0x4010, 0, 0, "MCP9600", bus.Certain},
		{0x4010, 0x7FF0, 0x7FF0, "MCP9600", bus.Possible},
		{0x4010, 0xF060, 0xF060, "MCP9600", bus.Possible}, // -250 °C
		{0xFFFF, 0, 0, "", ""},
		{0x5A5A, 0, 0, "", ""},
		{0x0000, 0, 0, "", ""},
	} {
		got, err := Recognise(answers(c.id, c.cold1, c.cold2), 0x63)
		if err != nil {
			t.Fatalf("%04X: %v", c.id, err)
		}
		if got.Chip != c.chip || got.Confidence != c.want || got.Evidence == "" {
			t.Errorf("%04X %04X: %+v, want %s %q", c.id, c.cold1, got, c.chip, c.want)
		}
	}
}

func TestRecogniseUnsteady(t *testing.T) {
	p := &i2ctest.Playback{DontPanic: true}
	for i := range byte(4) {
		p.Ops = append(p.Ops, i2ctest.IO{Addr: 0x63, W: []byte{0x20}, R: []byte{0x40, i}})
	}
	if _, err := Recognise(p, 0x63); !errors.Is(err, bus.ErrUnsteady) {
		t.Errorf("%v, want %v", err, bus.ErrUnsteady)
	}
}
