package host

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"tipoff/drivers"
)

func TestNumbers(t *testing.T) {
	if n, err := i2cNumber("/dev/i2c-11"); n != 11 || err != nil {
		t.Errorf("%d, %v", n, err)
	}
	if p, cs, err := spiNumbers("/dev/spidev10.2"); p != 10 || cs != 2 || err != nil {
		t.Errorf("%d, %d, %v", p, cs, err)
	}
	for _, s := range []string{"/dev/i2c-", "/dev/i2c--1", "/dev/i2c-1x", "/sys/i2c-1", "/dev/i2c-99999"} {
		if _, err := i2cNumber(s); err == nil {
			t.Errorf("%s passes", s)
		}
	}
	for _, s := range []string{"/dev/spidev", "/dev/spidev0", "/dev/spidev0.", "/dev/spidev0.999", "/dev/spi0.0"} {
		if _, _, err := spiNumbers(s); err == nil {
			t.Errorf("%s passes", s)
		}
	}
}

func TestLineNumber(t *testing.T) {
	if chip, n, ok := lineNumber("gpiochip12/31"); chip != "gpiochip12" || n != 31 || !ok {
		t.Errorf("%s, %d, %v", chip, n, ok)
	}
	for _, s := range []string{"GPIO18", "gpiochip0", "gpiochip0/", "gpiochip0/-1", "gpiochip0/99999", "pin/5", ""} {
		if _, _, ok := lineNumber(s); ok {
			t.Errorf("%s passes", s)
		}
	}
}

// FuzzLineNumber: what passes names a line of a chip, and the same when it is
// written again.
func FuzzLineNumber(f *testing.F) {
	for _, s := range []string{"gpiochip0/5", "gpiochip12/031", "gpiochip/5", "GPIO18", "gpiochip0/5/6", "pwmchip0/pwm0", "/5"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		chip, n, ok := lineNumber(s)
		if !ok {
			return
		}
		if n < 0 || n > 65535 || !strings.HasPrefix(chip, "gpiochip") || strings.Contains(chip, "/") || pwmName.MatchString(s) {
			t.Errorf("%q gives line %d of %q", s, n, chip)
		}
		if c, m, ok := lineNumber(fmt.Sprintf("%s/%d", chip, n)); !ok || c != chip || m != n {
			t.Errorf("%q is line %d of %q, which is line %d of %q", s, n, chip, m, c)
		}
	})
}

// No board has these buses, so the kernel's own answer is tested.
func TestMissing(t *testing.T) {
	var p Ports
	_, err1 := p.I2C("/dev/i2c-65000")
	_, err2 := p.SPI("/dev/spidev32000.250")
	for _, err := range []error{err1, err2} {
		if !errors.Is(err, drivers.BusDisabled) || !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%v, want %v and %v", err, drivers.BusDisabled, fs.ErrNotExist)
		}
		if h := drivers.HintOf(err); !strings.Contains(h, "device-tree") {
			t.Errorf("hint %q does not name the setting", h)
		}
	}
	if _, err := p.Pin("NO-SUCH-LINE"); !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, drivers.Permission) {
		t.Errorf("no such line: %v", err)
	}
}

func TestMisnamed(t *testing.T) {
	var p Ports
	file := filepath.Join(t.TempDir(), "bus")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err1 := p.I2C(file)
	_, err2 := p.SPI(file)
	for _, err := range []error{err1, err2} {
		if !errors.Is(err, drivers.BadConfig) || !strings.Contains(err.Error(), "not of the form /dev/") {
			t.Errorf("%v, want %v", err, drivers.BadConfig)
		}
	}
}

// The hint names the group that owns the file; the error is of periph's kind,
// which holds the errno as text only.
func TestPermission(t *testing.T) {
	file := filepath.Join(t.TempDir(), "bus")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(file, 0o660); err != nil {
		t.Fatal(err)
	}
	err := sortError(file, errors.New("sysfs-i2c: are you member of group 'plugdev'? open /dev/i2c-1: permission denied"), i2cHint)
	if !errors.Is(err, drivers.Permission) || !errors.Is(err, syscall.EACCES) {
		t.Errorf("%v, want %v", err, drivers.Permission)
	}
	if h := drivers.HintOf(err); !strings.Contains(h, "group ") {
		t.Errorf("hint %q names no group", h)
	}
}

func FuzzNames(f *testing.F) {
	for _, s := range []string{"/dev/i2c-1", "/dev/spidev0.0", "", "/dev/spidev1.2.3"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if n, err := i2cNumber(s); err == nil && (n < 0 || n > 65535 || !strings.HasPrefix(s, "/dev/i2c-")) {
			t.Errorf("%q gives bus %d", s, n)
		}
		if p, cs, err := spiNumbers(s); err == nil && (p < 0 || p > 32767 || cs < 0 || cs > 255) {
			t.Errorf("%q gives port %d, select %d", s, p, cs)
		}
	})
}

// Whatever is not an I²C bus refuses the transfer, with its errno reachable;
// transactions that no bus can do are refused before.
func TestTx(t *testing.T) {
	b, err := openI2C(os.DevNull)
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 2)
	if err := b.Tx(0x48, buf[:1], buf); !errors.Is(err, syscall.ENOTTY) {
		t.Errorf("%v, want %v", err, syscall.ENOTTY)
	}
	if err := b.Tx(0x80, buf[:1], buf); !errors.Is(err, syscall.EINVAL) {
		t.Errorf("8-bit address: %v, want %v", err, syscall.EINVAL)
	}
	if err := b.Tx(0x48, nil, nil); err != nil {
		t.Errorf("empty transaction: %v", err)
	}
	if n := testing.AllocsPerRun(100, func() { _ = b.Tx(0x48, buf[:1], buf) }); n > 1 { // the error itself
		t.Errorf("%v allocations", n)
	}
	if err := b.Close(); err != nil {
		t.Error(err)
	}
}
