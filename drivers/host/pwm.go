package host

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"syscall"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"tipoff/drivers"
	"tipoff/drivers/sysattr"
)

// pwmName is an output of the kernel's PWM class: "pwmchip0/pwm0".
var pwmName = regexp.MustCompile(`^(pwmchip[0-9]+)/pwm([0-9]+)$`)

const pwmHint = "the kernel has no such PWM output: switch it on in the board's device-tree settings, and look below /sys/class/pwm"

// pwm is an output of the kernel's PWM class (Linux Documentation/driver-api/
// pwm.rst, "Using PWMs with the sysfs interface"), which GPIO character devices
// can not reach. It stands in for gpio.PinIO where a tone is wanted.
type pwm struct {
	gpio.PinIO        // gpio.INVALID: it is no input
	dir        string // /sys/class/pwm/pwmchip0/pwm0
	period     string // written last, ns
}

// openPWM exports the output and leaves it off. root is "/" but in tests.
func openPWM(root, name string) (gpio.PinIO, error) {
	m := pwmName.FindStringSubmatch(name)
	chip := filepath.Join(root, "sys/class/pwm", m[1])
	p := &pwm{PinIO: gpio.INVALID, dir: filepath.Join(chip, "pwm"+m[2])}
	if _, err := os.Stat(p.dir); errors.Is(err, fs.ErrNotExist) {
		if err := sysattr.Write(filepath.Join(chip, "export"), m[2]); err != nil && !errors.Is(err, syscall.EBUSY) {
			return nil, sortError(chip, err, pwmHint)
		}
	}
	if err := p.Out(gpio.Low); err != nil {
		return nil, sortError(p.dir, err, pwmHint)
	}
	return p, nil
}

// String implements conn.Resource.
func (p *pwm) String() string { return p.dir }

// Halt implements conn.Resource.
func (p *pwm) Halt() error { return p.Out(gpio.Low) }

// Out implements gpio.PinOut: low ends the wave, high is not offered.
func (p *pwm) Out(l gpio.Level) error {
	if l {
		return &drivers.Error{Device: p.dir, Doing: "switching it on", Is: drivers.BadConfig,
			Err: errors.New("a PWM output needs a frequency"), Hint: `give tone = "2400 Hz" in [sounder], and leave active_low out`}
	}
	return p.set("enable", "0")
}

// PWM implements gpio.PinOut.
func (p *pwm) PWM(duty gpio.Duty, f physic.Frequency) error {
	if duty <= 0 || duty > gpio.DutyMax || f < physic.Hertz {
		return fmt.Errorf("%s: no wave of %v at %v: %w", p.dir, duty, f, syscall.EINVAL)
	}
	whole := int64(time.Second) * int64(physic.Hertz) / int64(f)
	if period := strconv.FormatInt(whole, 10); period != p.period {
		// The kernel refuses a period shorter than the duty cycle it has.
		if err := errors.Join(p.set("duty_cycle", "0"), p.set("period", period)); err != nil {
			return err
		}
		p.period = period
	}
	on := strconv.FormatInt(whole*int64(duty)/int64(gpio.DutyMax), 10)
	return errors.Join(p.set("duty_cycle", on), p.set("enable", "1"))
}

func (p *pwm) set(attribute, value string) error {
	if err := sysattr.Write(filepath.Join(p.dir, attribute), value); err != nil {
		p.period = "" // not known any more
		return err
	}
	return nil
}
