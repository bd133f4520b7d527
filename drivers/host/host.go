// Package host opens the buses and lines of the computer tipoff runs on: SPI and
// GPIO by way of periph's host drivers, I²C by the kernel's i2c-dev itself. It
// opens what it is asked for by name and nothing else; only looking up a GPIO
// line by name reads the list of all lines.
//
// What periph's drivers do less well is put right here: why an open failed is
// sorted and explained, symbolic links are followed, and a line that could not
// be set is given back so that the next try begins afresh.
package host

import (
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/host/v3/gpioioctl"
	"periph.io/x/host/v3/sysfs"

	"tipoff/drivers"
	"tipoff/drivers/bus"
)

// Ports opens the computer's own buses. Its zero value works.
type Ports struct {
	lines    sync.Once
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
	port, cs, err := spiNumbers(path)
	if err != nil {
		return nil, misnamed(name, err)
	}
	p, err := sysfs.NewSPI(port, cs)
	if err != nil {
		return nil, sortError(path, err, spiHint)
	}
	return p, nil
}

// Pin finds a GPIO line by its name, "GPIO18", as the kernel's list of lines
// spells it. The line is taken at its first use.
func (p *Ports) Pin(name string) (gpio.PinIO, error) {
	p.lines.Do(func() {
		if chips, _ := filepath.Glob("/dev/gpiochip*"); len(chips) == 0 {
			p.linesErr = syscall.ENOENT
			return
		} else if err := syscall.Access(chips[0], 6); err != nil { // read and write
			p.linesErr = &fs.PathError{Op: "open", Path: chips[0], Err: err}
			return
		}
		_, p.linesErr = driverreg.Init()
	})
	if p.linesErr != nil {
		return nil, sortError("/dev/gpiochip0", p.linesErr, gpioHint)
	}
	for _, chip := range gpioioctl.Chips {
		if line := chip.ByName(name); line != nil {
			return &pin{line}, nil
		}
	}
	return nil, &drivers.Error{Device: "GPIO line " + name, Doing: "opening", Is: drivers.NotPresent, Err: fs.ErrNotExist,
		Hint: "the kernel knows no line of this name; the names depend on the board"}
}

// pin gives the line back after an error and on Halt: periph's driver would
// otherwise go on with a line that it does not hold.
type pin struct{ *gpioioctl.GPIOLine }

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

const (
	i2cHint = "switch the I2C interface on in the board's firmware or device-tree settings (on a Raspberry Pi: dtparam=i2c_arm=on in config.txt), have the module i2c-dev loaded, and restart the board"
	spiHint = "switch the SPI interface on in the board's firmware or device-tree settings (on a Raspberry Pi: dtparam=spi=on in config.txt) and restart the board"
	// gpioHint is for a kernel without GPIO character devices.
	gpioHint = "the kernel offers no GPIO lines as character devices (/dev/gpiochip0)"
)

func misnamed(name string, err error) error {
	return &drivers.Error{Device: name, Doing: "opening", Is: drivers.BadConfig, Err: err}
}

// sortError explains why the device file at path could not be opened.
func sortError(path string, err error, disabled string) error {
	e := &drivers.Error{Device: path, Doing: "opening", Is: drivers.Transient, Err: err}
	errno := bus.Errno(err)
	switch errno {
	case syscall.ENOENT, syscall.ENODEV, syscall.ENXIO:
		e.Is, e.Hint = drivers.BusDisabled, disabled
	case syscall.EACCES, syscall.EPERM:
		e.Is, e.Hint = drivers.Permission, permissionHint(path)
	}
	e.Err = bus.WithErrno(err)
	return e
}

// permissionHint names the group that may open the file.
func permissionHint(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return "the user that tipoff runs as may not open it"
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return "the user that tipoff runs as may not open it"
	}
	group := strconv.Itoa(int(st.Gid))
	if g, err := user.LookupGroupId(group); err == nil {
		group = g.Name
	}
	if info.Mode().Perm()&0o060 != 0o060 || st.Gid == 0 {
		return fmt.Sprintf("the file belongs to group %s with mode %v: a udev rule has to open it to a group that tipoff's user is in", group, info.Mode().Perm())
	}
	return fmt.Sprintf("the user that tipoff runs as must be in group %s, which owns the device file", group)
}
