package bus

import (
	"errors"
	"syscall"
	"testing"

	"periph.io/x/conn/v3/i2c/i2ctest"
)

func TestSteady(t *testing.T) {
	near := func(a, b uint16) bool { return max(a, b)-min(a, b) <= 1 }
	for name, c := range map[string]struct {
		says  []uint16
		want  uint16
		err   error
		alike func(a, b uint16) bool
	}{
		"at once":   {[]uint16{0x8583, 0x8583}, 0x8583, nil, near},
		"the first": {[]uint16{0, 7, 7}, 7, nil, near}, // 0 must not be like what was not read yet
		"near":      {[]uint16{1, 9, 5, 6}, 6, nil, near},
		"never":     {[]uint16{1, 9, 1, 9}, 0, ErrUnsteady, near},
		"broken":    {[]uint16{1}, 0, syscall.EIO, near},
	} {
		play := &failing{Playback: i2ctest.Playback{DontPanic: true}}
		for _, v := range c.says {
			play.Ops = append(play.Ops, i2ctest.IO{Addr: 0x48, W: []byte{2}, R: []byte{byte(v >> 8), byte(v)}})
		}
		got, err := Steady(play, 0x48, 2, c.alike)
		if got != c.want || !errors.Is(err, c.err) || play.Count != len(c.says) {
			t.Errorf("%s: %04X, %v after %d looks, want %04X, %v", name, got, err, play.Count, c.want, c.err)
		}
	}
}

// failing fails where there is nothing more to play.
type failing struct{ i2ctest.Playback }

func (f *failing) Tx(addr uint16, w, r []byte) error {
	if f.Count == len(f.Ops) {
		return syscall.EIO
	}
	return f.Playback.Tx(addr, w, r)
}

func TestUnanswered(t *testing.T) {
	for answer, want := range map[string]string{
		"\x00\x00\x00": "the data line stays low: all 00h", "\xFF\xFF": "the data line stays high: all FFh",
		"\x00\x01": "", "\xFF\xFE": "", "\x5A\x5A": "", "": "",
	} {
		got, stuck := Unanswered([]byte(answer))
		if got.Evidence != want || stuck != (want != "") || got.Silent != stuck {
			t.Errorf("% X: %+v, %v, want %q", answer, got, stuck, want)
		}
	}
}
