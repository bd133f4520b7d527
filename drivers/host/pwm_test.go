package host

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"tipoff/drivers"
)

// A tree like /sys/class/pwm: period and duty in nanoseconds (Linux
// Documentation/driver-api/pwm.rst).
func TestPWM(t *testing.T) {
	root := t.TempDir()
	dir := filepath.Join(root, "sys/class/pwm/pwmchip0/pwm1")
	if _, err := openPWM(root, "pwmchip0/pwm1"); !errors.Is(err, fs.ErrNotExist) || !strings.Contains(drivers.HintOf(err), "device-tree") {
		t.Errorf("no such chip: %v", err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, f := range []string{"period", "duty_cycle", "enable"} {
		if err := os.WriteFile(filepath.Join(dir, f), nil, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	is := func(what, period, duty, enable string) {
		t.Helper()
		for f, want := range map[string]string{"period": period, "duty_cycle": duty, "enable": enable} {
			if got, _ := os.ReadFile(filepath.Join(dir, f)); string(got) != want {
				t.Errorf("%s: %s = %q, want %q", what, f, got, want)
			}
		}
	}
	p, err := openPWM(root, "pwmchip0/pwm1")
	if err != nil {
		t.Fatal(err)
	}
	is("opened", "", "", "0")
	if err := p.PWM(gpio.DutyHalf, 2500*physic.Hertz); err != nil {
		t.Fatal(err)
	}
	is("2500 Hz", "400000", "200000", "1")
	if err := p.Out(gpio.Low); err != nil {
		t.Fatal(err)
	}
	is("off", "400000", "200000", "0")
	if err := p.PWM(gpio.DutyHalf, physic.KiloHertz); err != nil {
		t.Fatal(err)
	}
	is("1 kHz", "1000000", "500000", "1")
	if err := p.Halt(); err != nil {
		t.Fatal(err)
	}
	is("given back", "1000000", "500000", "0")
	if err := p.Out(gpio.High); !errors.Is(err, drivers.BadConfig) || drivers.HintOf(err) == "" {
		t.Errorf("high: %v", err)
	}
	if err := p.PWM(0, physic.KiloHertz); err == nil {
		t.Error("a wave of nothing passes")
	}
}
