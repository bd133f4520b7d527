package max31855

import (
	"encoding/binary"
	"testing"

	"periph.io/x/conn/v3/conntest"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/bus"
)

// frames plays frames behind SPI's interface.
type frames struct{ conntest.Playback }

func (*frames) TxPackets([]spi.Packet) error { panic("not used") }

func play(f ...uint32) *frames {
	p := &frames{conntest.Playback{DontPanic: true}}
	for _, v := range f {
		p.Ops = append(p.Ops, conntest.IO{W: make([]byte, 4), R: binary.BigEndian.AppendUint32(nil, v)})
	}
	return p
}

// Frames: Maxim 19-5793 tables 2 to 5. 25 °C at 25 °C is 01901900h; open with
// the chip at 25 °C 00011901h; bits 17 and 3 read 0.
func TestRecognise(t *testing.T) {
	for _, c := range []struct {
		name   string
		f      [3]uint32
		want   bus.Confidence
		silent bool
	}{
		{"room", [3]uint32{0x01901900, 0x01901900, 0x01901900}, bus.Likely, false},
		{"a step of a quarter degree", [3]uint32{0x01901900, 0x01941910, 0x01901900}, bus.Likely, false},
		{"open", [3]uint32{0x00011901, 0x00011901, 0x00011901}, bus.Likely, false},
		{"two faults", [3]uint32{0x00011903, 0x00011903, 0x00011903}, bus.Possible, false},
		{"1600 °C", [3]uint32{0x64001900, 0x64001900, 0x64001900}, bus.Possible, false},
		{"chip at -55 °C", [3]uint32{0x0190C900, 0x0190C900, 0x0190C900}, "", false},
		{"bit 17", [3]uint32{0x01921900, 0x01921900, 0x01921900}, "", false},
		{"bit 3", [3]uint32{0x01901908, 0x01901908, 0x01901908}, "", false},
		{"fault without the sum bit", [3]uint32{0x01901901, 0x01901901, 0x01901901}, "", false},
		{"leaping", [3]uint32{0x01901900, 0x0FA01900, 0x01901900}, "", false},
		{"low", [3]uint32{}, "", true},
		{"high", [3]uint32{0xFFFFFFFF, 0xFFFFFFFF, 0xFFFFFFFF}, "", true},
	} {
		got, err := Recognise(play(c.f[:]...))
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if got.Confidence != c.want || (got.Chip == "") != (c.want == "") || got.Silent != c.silent || got.Evidence == "" {
			t.Errorf("%s: %+v, want %q, silent %v", c.name, got, c.want, c.silent)
		}
	}
}

func TestRecogniseFails(t *testing.T) {
	if _, err := Recognise(play()); err == nil {
		t.Error("a port that fails passes")
	}
}

func FuzzRecognise(f *testing.F) {
	f.Add(uint32(0x01901900))
	f.Add(uint32(0x00011901))
	f.Fuzz(func(t *testing.T, v uint32) {
		got, err := Recognise(play(v, v, v))
		if err != nil {
			t.Fatal(err)
		}
		if got.Chip != "" && v&(1<<17|1<<3) != 0 || got.Confidence == bus.Certain {
			t.Errorf("%08X: %+v", v, got)
		}
	})
}
