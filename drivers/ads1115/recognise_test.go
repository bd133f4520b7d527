package ads1115

import (
	"errors"
	"syscall"
	"testing"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"tipoff/drivers/bus"
)

// registers answers config, low and high threshold as often as they are asked.
func registers(addr, config, low, high uint16) *i2ctest.Playback {
	p := &i2ctest.Playback{DontPanic: true}
	for i, v := range []uint16{config, low, high} {
		for range 2 {
			p.Ops = append(p.Ops, i2ctest.IO{Addr: addr, W: []byte{byte(i + 1)}, R: []byte{byte(v >> 8), byte(v)}})
		}
	}
	return p
}

// Reset values: SBAS444D, config register and threshold registers. That each
// transaction writes the pointer and nothing else, the playback checks. The
// LM75's are its data sheet's, from memory.
func TestRecognise(t *testing.T) {
	for _, c := range []struct {
		name              string
		config, low, high uint16
		want              bus.Confidence
	}{
		{"power-up", 0x8583, 0x8000, 0x7FFF, bus.Certain},
		{"single-shot in use", 0xC3E3, 0x8000, 0x7FFF, bus.Likely},
		{"ready pin in use", 0x08E0, 0x0000, 0x8000, bus.Likely},
		{"ready pin with other thresholds", 0x08E0, 0x0001, 0x8001, bus.Possible},
		{"thermometer LM75", 0x0000, 0x4B00, 0x5000, ""},
		{"all ones", 0xFFFF, 0xFFFF, 0xFFFF, ""},
		{"all zeros", 0, 0, 0, ""},
		{"another chip", 0x5A5A, 0x5A5A, 0x5A5A, ""},
	} {
		p := registers(0x4B, c.config, c.low, c.high)
		got, err := Recognise(p, 0x4B)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if got.Confidence != c.want || (got.Chip == "") != (c.want == "") || got.Evidence == "" {
			t.Errorf("%s: %+v, want %q", c.name, got, c.want)
		}
		if err := p.Close(); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func TestRecogniseUnsteady(t *testing.T) {
	p := &i2ctest.Playback{DontPanic: true}
	for i := range byte(4) {
		p.Ops = append(p.Ops, i2ctest.IO{Addr: 0x48, W: []byte{1}, R: []byte{i, i}})
	}
	if _, err := Recognise(p, 0x48); !errors.Is(err, bus.ErrUnsteady) {
		t.Errorf("%v, want %v", err, bus.ErrUnsteady)
	}
}

// The busy bit changes by itself and is no disturbance.
func TestRecogniseBusy(t *testing.T) {
	p := registers(0x48, 0x8583, 0x8000, 0x7FFF)
	p.Ops[0].R = []byte{0x05, 0x83}
	got, err := Recognise(p, 0x48)
	if err != nil || got.Confidence != bus.Certain {
		t.Errorf("%+v, %v", got, err)
	}
}

type dead struct{ i2ctest.Playback }

func (*dead) Tx(uint16, []byte, []byte) error { return syscall.EREMOTEIO }

func TestRecogniseGone(t *testing.T) {
	if _, err := Recognise(&dead{}, 0x48); !errors.Is(err, syscall.EREMOTEIO) {
		t.Errorf("%v, want %v", err, syscall.EREMOTEIO)
	}
}

func FuzzRecognise(f *testing.F) {
	f.Add(uint16(0x8583), uint16(0x8000), uint16(0x7FFF))
	f.Add(uint16(0xFFFF), uint16(0), uint16(1))
	f.Fuzz(func(t *testing.T, config, low, high uint16) {
		got, err := Recognise(registers(0x48, config, low, high), 0x48)
		if err != nil {
			t.Fatal(err)
		}
		if got.Confidence == bus.Certain && (config|0x8000 != 0x8583 || low != 0x8000 || high != 0x7FFF) {
			t.Errorf("%04X %04X %04X: %+v", config, low, high, got)
		}
	})
}
