package bus

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"
	"testing"

	"tipoff/drivers"
)

// periph's host drivers format the errno with %v (host v3.8.5 sysfs/i2c.go).
func likePeriph(n syscall.Errno) error { return fmt.Errorf("sysfs-i2c: %v", n) }

func TestFail(t *testing.T) {
	for _, row := range []struct {
		err      error
		answered bool
		want     drivers.Condition
		errno    syscall.Errno
	}{
		{likePeriph(syscall.ENXIO), false, drivers.NotPresent, syscall.ENXIO},
		{likePeriph(syscall.EREMOTEIO), false, drivers.NotPresent, syscall.EREMOTEIO},
		{syscall.EREMOTEIO, true, drivers.Transient, syscall.EREMOTEIO},
		{fmt.Errorf("tx: %w", syscall.EIO), false, drivers.Transient, syscall.EIO},
		{likePeriph(syscall.ETIMEDOUT), true, drivers.BusStuck, syscall.ETIMEDOUT},
		{likePeriph(syscall.EACCES), false, drivers.Permission, syscall.EACCES},
	} {
		l := Link{Device: "chip on bus", I2C: true}
		if row.answered {
			l.OK()
		}
		err := l.Fail("reading", row.err)
		if !errors.Is(err, row.want) || !errors.Is(err, row.errno) {
			t.Errorf("%v, answered %v: %v, want %v and errno %v", row.err, row.answered, err, row.want, row.errno)
		}
		if !strings.HasPrefix(err.Error(), "chip on bus: reading: ") {
			t.Errorf("%q does not say where and what", err)
		}
	}
}

// A device that answered is gone only after three failures in a row.
func TestPatience(t *testing.T) {
	l := Link{Device: "chip"}
	l.OK()
	for i, want := range []drivers.Condition{drivers.Transient, drivers.Transient, drivers.NotPresent, drivers.NotPresent} {
		if err := l.Fail("reading", syscall.ENXIO); !errors.Is(err, want) {
			t.Errorf("failure %d: %v, want %v", i+1, err, want)
		}
	}
	l.OK()
	if err := l.Silent("reading", "all ones"); !errors.Is(err, drivers.Transient) {
		t.Errorf("after an answer: %v", err)
	}
}

func TestOpen(t *testing.T) {
	l := Link{Device: "chip"}
	err := l.Open(&fs.PathError{Op: "open", Path: "/dev/i2c-1", Err: syscall.ENOENT})
	if !errors.Is(err, drivers.BusDisabled) || !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no device file: %v", err)
	}
	inner := &drivers.Error{Device: "/dev/i2c-1", Doing: "opening", Is: drivers.Permission, Hint: "join the group"}
	if err := l.Open(inner); !errors.Is(err, drivers.Permission) || drivers.HintOf(err) != "join the group" {
		t.Errorf("sorted already: %v", err)
	}
}

func options(key, value string) (*Options, error) {
	return NewOptions(
		drivers.Driver{Name: "chip", Options: []drivers.Option{{Key: "range", Allowed: "any voltage", Default: "1 V"}}},
		drivers.InputConfig{Input: "in", Options: map[string]string{key: value}},
	)
}

func TestNumber(t *testing.T) {
	for text, want := range map[string]float64{"4.096 V": 4.096, "±4.096 V": 4.096, " 2V ": 2, "": 1} {
		o, err := options("range", text)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := o.Number("range", "V"); err != nil || got != want {
			t.Errorf("%q: %v, %v, want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"4.096", "4 mV", "-1 V", "0 V", "NaN V", "Inf V", "V", "1e12 V"} {
		o, err := options("range", text)
		if err != nil {
			t.Fatal(err)
		}
		_, err = o.Number("range", "V")
		if !errors.Is(err, drivers.BadConfig) || !strings.Contains(err.Error(), "any voltage") || !strings.Contains(err.Error(), `input "in"`) {
			t.Errorf("%q: %v", text, err)
		}
	}
	if _, err := options("rnage", "1 V"); !errors.Is(err, drivers.BadConfig) || !strings.Contains(err.Error(), "range") {
		t.Errorf("misspelt option: %v", err)
	}
}

func TestAddress(t *testing.T) {
	for text, want := range map[string]uint16{"": 0x48, "0x49": 0x49, "73": 0x49} {
		if got, err := Address("chip", text, 0x48, []uint16{0x48, 0x49}); err != nil || got != want {
			t.Errorf("%q: %#x, %v", text, got, err)
		}
	}
	for _, text := range []string{"0x50", "x", "-1", "0x148"} {
		if _, err := Address("chip", text, 0x48, []uint16{0x48, 0x49}); !errors.Is(err, drivers.BadConfig) || !strings.Contains(err.Error(), "0x49") {
			t.Errorf("%q: %v", text, err)
		}
	}
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"4.096 V", "±0.256V", "1e308 V", "NaN V", "", "± V"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		o, err := options("range", text)
		if err != nil {
			t.Fatal(err)
		}
		if v, err := o.Number("range", "V"); err == nil && !(v > 0 && v < 1e9) {
			t.Errorf("%q gives %v", text, v)
		}
	})
}

func FuzzAddress(f *testing.F) {
	for _, s := range []string{"0x48", "72", "0b1001000", "", "0x"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if a, err := Address("chip", text, 0x48, []uint16{0x48, 0x49}); err == nil && a != 0x48 && a != 0x49 {
			t.Errorf("%q gives %#x", text, a)
		}
	})
}
