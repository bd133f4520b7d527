// Package host opens the buses and lines of the computer tipoff runs on: SPI by
// periph's own driver, I²C, GPIO lines and the PWM class by the kernel's interfaces,
// each for the reason that its file gives. It opens what it is asked for by name and nothing else; only looking up a
// GPIO line by name reads the list of all lines. Why an open failed is sorted and
// explained, and symbolic links are followed.
package host

import (
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/host/v3/sysfs"

	"tipoff/drivers"
	"tipoff/drivers/bus"
)

// Ports opens the computer's own buses.
type Ports struct{}

var _ drivers.Ports = (*Ports)(nil)

// I2C opens a bus by its device file, "/dev/i2c-1", or a symbolic link to it.
func (*Ports) I2C(name string) (i2c.BusCloser, error) {
	path, err := resolve(name)
	if err != nil {
		return nil, sortError(name, err, i2cHint)
	}
	if _, err := i2cNumber(path); err != nil {
		return nil, misnamed(name, err)
	}
	b, err := openI2C(path)
	if err != nil {
		return nil, Explain(path, err)
	}
	return b, nil
}

// SPI opens a port with its chip select by its device file, "/dev/spidev0.0",
// or a symbolic link to it. The errors of its transfers carry the kernel's errno as
// text only; bus.Errno reads it.
func (*Ports) SPI(name string) (spi.PortCloser, error) {
	path, err := resolve(name)
	if err != nil {
		return nil, sortError(name, err, spiHint)
	}
	port, cs, err := spiNumbers(path)
	if err != nil {
		return nil, misnamed(name, err)
	}
	p, err := sysfs.NewSPI(port, cs)
	if err != nil {
		return nil, Explain(path, err)
	}
	return p, nil
}

// Pin finds a GPIO line by its name, "GPIO18", as the kernel's list of lines
// spells it, or by its chip and number, "gpiochip0/5", for boards that name no
// lines. The line is taken at its first use. "pwmchip0/pwm0" is an output of the
// kernel's PWM class, which can make tones and nothing else.
func (*Ports) Pin(name string) (gpio.PinIO, error) {
	if pwmName.MatchString(name) {
		return openPWM("/", name)
	}
	return openPin(kernelGPIO, name)
}

func openPin(k gpioKernel, name string) (gpio.PinIO, error) {
	if _, _, err := k.find(name); err != nil {
		return nil, err
	}
	return &pin{PinIO: gpio.INVALID, kernel: k, name: name}, nil
}

func resolve(name string) (string, error) { return filepath.EvalSymlinks(name) }

func i2cNumber(path string) (int, error) {
	tail, ok := strings.CutPrefix(path, "/dev/i2c-")
	n, err := strconv.ParseUint(tail, 10, 16)
	if !ok || err != nil {
		return 0, fmt.Errorf("%s is not of the form /dev/i2c-1", path)
	}
	return int(n), nil
}

func spiNumbers(path string) (port, cs int, err error) {
	tail, ok := strings.CutPrefix(path, "/dev/spidev")
	a, b, dot := strings.Cut(tail, ".")
	n, err1 := strconv.ParseUint(a, 10, 15)
	m, err2 := strconv.ParseUint(b, 10, 8)
	if !ok || !dot || err1 != nil || err2 != nil {
		return 0, 0, fmt.Errorf("%s is not of the form /dev/spidev0.0", path)
	}
	return int(n), int(m), nil
}

const (
	i2cHint = "switch the I2C interface on in the board's firmware or device-tree settings (on a Raspberry Pi: dtparam=i2c_arm=on in config.txt), have the module i2c-dev loaded, and restart the board"
	spiHint = "switch the SPI interface on in the board's firmware or device-tree settings (on a Raspberry Pi: dtparam=spi=on in config.txt) and restart the board"
	// gpioHint is for a kernel without GPIO character devices.
	gpioHint = "the kernel offers no GPIO lines as character devices (/dev/gpiochip0)"
)

func misnamed(name string, err error) error {
	return &drivers.Error{Device: name, Doing: "opening", Is: drivers.BadConfig, Err: err}
}

// Explain sorts why the device file at path could not be opened, by the kind of
// file that its name tells.
func Explain(path string, err error) error {
	hint := gpioHint
	switch base := filepath.Base(path); {
	case strings.HasPrefix(base, "i2c"):
		hint = i2cHint
	case strings.HasPrefix(base, "spi"):
		hint = spiHint
	}
	return sortError(path, err, hint)
}

// sortError explains why the device file at path could not be opened.
func sortError(path string, err error, disabled string) error {
	e := &drivers.Error{Device: path, Doing: "opening", Is: drivers.Transient, Err: err}
	errno := bus.Errno(err)
	switch errno {
	case syscall.ENOENT, syscall.ENODEV, syscall.ENXIO:
		e.Is, e.Hint = drivers.BusDisabled, disabled
	case syscall.EACCES, syscall.EPERM:
		e.Is, e.Hint = drivers.Permission, bus.PermissionHint(path)
	}
	e.Err = bus.WithErrno(err)
	return e
}
