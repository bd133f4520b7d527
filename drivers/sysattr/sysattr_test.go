package sysattr

import (
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"tipoff/drivers"
)

func file(t testing.TB, text string) string {
	t.Helper()
	p := filepath.Join(t.TempDir(), "attribute")
	if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return p
}

// The texts are of the forms that iio_format_value prints (IIO_VAL_INT,
// IIO_VAL_INT_PLUS_MICRO, IIO_VAL_FRACTIONAL; from memory).
func TestNumber(t *testing.T) {
	for text, want := range map[string]float64{
		"0\n": 0, "1684\n": 1684, "-32768\n": -32768, "0.125000000\n": 0.125, "-0.187500\n": -0.1875,
		"62.500000\n": 62.5, "123456789012345678901\n": 123456789012345678901,
	} {
		var f File
		if err := f.Open(file(t, text)); err != nil {
			t.Fatal(err)
		}
		got, err := f.Number()
		if err != nil || got != want {
			t.Errorf("%q: %v, %v", text, got, err)
		}
		if got, err := Number(f.path); err != nil || got != want {
			t.Errorf("%q read once: %v, %v", text, got, err)
		}
		f.Close()
		f.Close()
		if _, err := f.Number(); !errors.Is(err, fs.ErrClosed) {
			t.Errorf("reading a closed attribute: %v", err)
		}
	}
	for _, text := range []string{"", "\n", "-", ".", "1.2.3", "12 dB", "1e5", "0x10", "nan"} {
		var f File
		if err := f.Open(file(t, text)); err != nil {
			t.Fatal(err)
		}
		if v, err := f.Number(); err == nil {
			t.Errorf("%q passes as %v", text, v)
		}
		f.Close()
	}
}

// An attribute is asked anew at each reading, without allocation.
func TestFresh(t *testing.T) {
	p := file(t, "1\n")
	var f File
	if err := f.Open(p); err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if n := testing.AllocsPerRun(100, func() { _, _ = f.Number() }); n != 0 {
		t.Errorf("%v allocations", n)
	}
	if err := Write(p, "22"); err != nil {
		t.Fatal(err)
	}
	if v, err := f.Number(); v != 22 || err != nil {
		t.Errorf("%v, %v", v, err)
	}
}

func TestWriteMakesNoFile(t *testing.T) {
	p := filepath.Join(t.TempDir(), "none")
	if err := Write(p, "1"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v", err)
	}
}

func TestFail(t *testing.T) {
	for errno, want := range map[syscall.Errno]drivers.Condition{
		syscall.ENOENT: drivers.NotPresent, syscall.ENODEV: drivers.NotPresent, syscall.ENXIO: drivers.NotPresent,
		syscall.EACCES: drivers.Permission, syscall.EPERM: drivers.Permission,
		syscall.EBUSY: drivers.Transient, syscall.EIO: drivers.Transient, syscall.ETIMEDOUT: drivers.Transient, syscall.ENODATA: drivers.Transient,
	} {
		err := Fail("ads1015", "reading", &fs.PathError{Op: "read", Path: "x", Err: errno}, "load its module")
		if !errors.Is(err, want) || !errors.Is(err, errno) || drivers.HintOf(err) == "" {
			t.Errorf("%v: %v, want %v with a hint", errno, err, want)
		}
	}
}

var plain = regexp.MustCompile(`^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)$`)

// FuzzParseNumber holds the parser against strconv's on what the kernel prints.
func FuzzParseNumber(f *testing.F) {
	for _, s := range []string{"0", "-0.187500000", "4503599627370497.5", "9007199254740993", "00000000000000000000001", ".", "1.2.3", "-", "+5 \n"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, ok := ParseNumber([]byte(s))
		trimmed := strings.TrimRight(s, "\n ")
		if ok != plain.MatchString(trimmed) {
			// A number too large for a float64 is refused, too.
			if v, err := strconv.ParseFloat(trimmed, 64); ok || err == nil || !math.IsInf(v, 0) {
				t.Fatalf("%q: accepted is %v", s, ok)
			}
			return
		}
		if !ok {
			return
		}
		if want, err := strconv.ParseFloat(trimmed, 64); err != nil || got != want {
			t.Errorf("%q: %v, want %v (%v)", s, got, want, err)
		}
	})
}

func BenchmarkNumber(b *testing.B) {
	var f File
	if err := f.Open(file(b, "-0.187500000\n")); err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := f.Number(); err != nil {
			b.Fatal(err)
		}
	}
}
