package max31856

import (
	"testing"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/bus"
)

// registerFile is a chip that is nothing but registers, written for this test
// from the register map in the data sheet.
type registerFile struct {
	reg    [registers]byte
	stuck  bool // keeps nothing
	writes int
	onRead func(*registerFile)
}

func (*registerFile) String() string               { return "registers" }
func (*registerFile) Duplex() conn.Duplex          { return conn.Full }
func (*registerFile) TxPackets([]spi.Packet) error { panic("not used") }

func (f *registerFile) Tx(w, r []byte) error {
	if f.onRead != nil {
		f.onRead(f)
	}
	for i := 1; i < len(w); i++ {
		at := int(w[0]&0x7F) + i - 1
		if w[0]&0x80 == 0 {
			r[i] = f.reg[at%registers]
			continue
		}
		f.writes++
		if !f.stuck {
			f.reg[at] = w[i]
		}
	}
	return nil
}

// Power-up values: chips.md section 3, from the data sheet's register map.
var fresh = [registers]byte{0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00, 0x19, 0x00, 0x01, 0x90, 0x00, 0x00}

func TestRecognise(t *testing.T) {
	used := fresh
	used[0], used[1], used[4] = 0x91, 0x13, 0x80
	flat := func(v byte) (f [registers]byte) {
		for i := range f {
			f[i] = v
		}
		return f
	}
	odd := fresh
	odd[regLTC+2] = 0x01 // a bit that the chip has not
	for _, c := range []struct {
		name   string
		reg    [registers]byte
		stuck  bool
		want   bus.Confidence
		silent bool
		writes int
	}{
		{"power-up", fresh, false, bus.Certain, false, 2},
		{"in use, with a threshold of its own", used, false, bus.Certain, false, 2},
		{"SDI broken", fresh, true, bus.Possible, false, 2},
		{"low", flat(0), false, "", true, 0},
		{"high", flat(0xFF), false, "", true, 0},
		{"another chip", flat(0x5A), false, "", false, 0},
		{"a bit that is not there", odd, false, "", false, 0},
		{"a memory", [registers]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16}, false, "", false, 0},
	} {
		f := &registerFile{reg: c.reg, stuck: c.stuck}
		got, err := Recognise(f)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if got.Confidence != c.want || (got.Chip == "") != (c.want == "") || got.Silent != c.silent || got.Evidence == "" {
			t.Errorf("%s: %+v, want %q, silent %v", c.name, got, c.want, c.silent)
		}
		if f.writes != c.writes {
			t.Errorf("%s: %d bytes written, want %d", c.name, f.writes, c.writes)
		}
		if f.reg != c.reg {
			t.Errorf("%s: registers left as % X, were % X", c.name, f.reg, c.reg)
		}
	}
}

func TestRecogniseUnsteady(t *testing.T) {
	f := &registerFile{reg: fresh, onRead: func(f *registerFile) { f.reg[5]++ }}
	got, err := Recognise(f)
	if err != nil || got.Chip != "" || f.writes != 0 {
		t.Errorf("%+v, %v, %d bytes written", got, err, f.writes)
	}
}
