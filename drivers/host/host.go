// Package host opens the buses and lines of the computer tipoff runs on: I²C and
// SPI by the kernel's i2c-dev and spidev themselves, GPIO by way of periph's host
// drivers. It opens what it is asked for by name and nothing else; only looking
// up a GPIO line by name reads the list of all lines.
//
// What periph's drivers do less well is put right here: why an open failed is
// sorted and explained, symbolic links are followed, and a line that could not
// be set is given back so that the next try begins afresh.
package host

import (
	"fmt"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/host/v3/gpioioctl"

	"tipoff/drivers"
	"tipoff/drivers/bus"
)

// Ports opens the computer's own buses. Its zero value works.
type Ports struct {
	lines    sync.Mutex
	found    bool
	linesErr error
}

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
		return nil, sortError(path, err, i2cHint)
	}
	return b, nil
}

// SPI opens a port with its chip select by its device file, "/dev/spidev0.0",
// or a symbolic link to it.
func (*Ports) SPI(name string) (spi.PortCloser, error) {
	path, err := resolve(name)
	if err != nil {
		return nil, sortError(name, err, spiHint)
	}
	if _, _, err := spiNumbers(path); err != nil {
		return nil, misnamed(name, err)
	}
	p, err := openSPI(path)
	if err != nil {
		return nil, sortError(path, err, spiHint)
	}
	return p, nil
}

// Pin finds a GPIO line by its name, "GPIO18", as the kernel's list of lines
// spells it, or by its chip and number, "gpiochip0/5", for boards that name no
// lines. The line is taken at its first use. "pwmchip0/pwm0" is an output of the
// kernel's PWM class, which can make tones and nothing else.
func (p *Ports) Pin(name string) (gpio.PinIO, error) {
	if pwmName.MatchString(name) {
		return openPWM("/", name)
	}
	if err := p.findLines(); err != nil {
		return nil, sortError("/dev/gpiochip0", err, gpioHint)
	}
	chipName, number, numbered := lineNumber(name)
	for _, chip := range gpioioctl.Chips {
		line := chip.ByName(name)
		if numbered && chip.Name() == chipName && number < chip.LineCount() {
			line = chip.ByNumber(number)
		}
		if line != nil {
			return &pin{GPIOLine: line, chip: chip.Path()}, nil
		}
	}
	return nil, &drivers.Error{Device: "GPIO line " + name, Doing: "opening", Is: drivers.NotPresent, Err: fs.ErrNotExist,
		Hint: "the kernel knows no line of this name; the names depend on the board; where lines have none, gpiochip0/5 is line 5 of the chip gpiochip0"}
}

// findLines reads the list of lines once it can be read: the chips may come, or
// their files be opened to us, while we run.
func (p *Ports) findLines() error {
	p.lines.Lock()
	defer p.lines.Unlock()
	if p.found {
		return p.linesErr
	}
	chips, _ := filepath.Glob("/dev/gpiochip*")
	if len(chips) == 0 {
		return syscall.ENOENT
	}
	if err := syscall.Access(chips[0], 6); err != nil { // read and write
		return &fs.PathError{Op: "open", Path: chips[0], Err: err}
	}
	p.found = true // the library looks once only
	_, p.linesErr = driverreg.Init()
	return p.linesErr
}

// pin gives the line back after an error and on Halt: periph's driver would
// otherwise go on with a line that it does not hold. It sees edges by itself.
type pin struct {
	*gpioioctl.GPIOLine
	chip  string // device file
	edges edges
}

var _ drivers.EdgeStamper = (*pin)(nil)

// In implements gpio.PinIn.
func (p *pin) In(pull gpio.Pull, edge gpio.Edge) error {
	p.edges.close()
	if edge == gpio.NoEdge {
		return p.GPIOLine.In(pull, edge)
	}
	p.Close() // a line can be held once only
	return p.edges.request(p.chip, p.Number(), pull, edge)
}

// WaitForEdge implements gpio.PinIn: 0 does not wait, -1 waits for ever.
func (p *pin) WaitForEdge(timeout time.Duration) bool { return p.edges.wait(timeout) }

// EdgeAt implements drivers.EdgeStamper.
func (p *pin) EdgeAt() time.Duration { return p.edges.stamp() }

// Out implements gpio.PinOut.
func (p *pin) Out(l gpio.Level) error {
	err := p.GPIOLine.Out(l)
	if err != nil {
		p.Close()
	}
	return err
}

// Halt implements conn.Resource: it releases the line.
func (p *pin) Halt() error {
	p.edges.close()
	p.Close()
	return nil
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

// lineNumber takes "gpiochip0/5" apart.
func lineNumber(name string) (chip string, number int, ok bool) {
	chip, tail, ok := strings.Cut(name, "/")
	n, err := strconv.ParseUint(tail, 10, 16)
	return chip, int(n), ok && err == nil && strings.HasPrefix(chip, "gpiochip")
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

// Explain sorts why the device file at path could not be opened, as I2C, SPI and
// Pin do, by the kind of file that its name tells.
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
