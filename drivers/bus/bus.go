// Package bus is what the drivers of I²C and SPI chips share: sorting the
// kernel's errors into conditions with a hint, and reading options.
package bus

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"

	"tipoff/drivers"
)

// patience is how many transfers in a row may fail before a device that has
// answered counts as gone and not merely as disturbed.
const patience = 3

// Link sorts the errors of one device.
type Link struct {
	Device string // "ADS1115 on /dev/i2c-1 at 0x48"
	I2C    bool   // else SPI

	answered bool
	failed   int
}

// OK notes that the device has answered sensibly.
func (l *Link) OK() { l.answered, l.failed = true, 0 }

// Reset forgets that the device ever answered, as a fresh start does.
func (l *Link) Reset() { l.answered, l.failed = false, 0 }

// Fail makes a drivers.Error of a transfer's error. A device that answered
// lately is disturbed; only after three failures in a row is it gone.
func (l *Link) Fail(doing string, err error) error {
	l.failed++
	errno := Errno(err)
	e := &drivers.Error{Device: l.Device, Doing: doing, Is: drivers.Transient, Err: WithErrno(err)}
	switch errno {
	case syscall.ENXIO, syscall.EREMOTEIO, syscall.ENODEV, syscall.ESHUTDOWN:
		if !l.answered || l.failed >= patience {
			return l.absent(e)
		}
		e.Hint = "it answered before; a loose contact or a disturbance"
	case syscall.ETIMEDOUT:
		e.Is = drivers.BusStuck
		e.Hint = "a device may be holding a line of the bus low: switch the sensors' supply off and on, check for a short"
	case syscall.EACCES, syscall.EPERM:
		e.Is, e.Hint = drivers.Permission, "the user that tipoff runs as must be in the group that owns the device file: i2c or spi on most systems"
	}
	return e
}

// Silent is Fail for a device that should have answered but sent nothing
// sensible: all ones, all zeros.
func (l *Link) Silent(doing, what string) error {
	l.failed++
	e := &drivers.Error{Device: l.Device, Doing: doing, Is: drivers.Transient, Err: errors.New(what)}
	if !l.answered || l.failed >= patience {
		return l.absent(e)
	}
	return e
}

// Disturbed is Fail for answers that contradict each other.
func (l *Link) Disturbed(doing string, err error) error {
	l.failed++
	return &drivers.Error{Device: l.Device, Doing: doing, Is: drivers.Transient, Err: err,
		Hint: "something disturbs the wires: spark coil noise? see docs/wiring"}
}

// Wrong tells that something else answers in the device's place.
func (l *Link) Wrong(doing, what string) error {
	l.failed++
	return &drivers.Error{Device: l.Device, Doing: doing, Is: drivers.WrongDevice, Err: errors.New(what),
		Hint: "check which chip is wired there, and that no two share the address or chip select"}
}

// Idle is the error of a Read without a successful Start before it.
func (l *Link) Idle() error {
	return &drivers.Error{Device: l.Device, Doing: "reading", Is: drivers.Transient, Err: errors.New("not started")}
}

func (l *Link) absent(e *drivers.Error) error {
	e.Is = drivers.NotPresent
	if l.I2C {
		e.Hint = "check the sensor's supply, the wiring of SDA and SCL, and the address jumper"
	} else {
		e.Hint = "check the sensor's supply, the wiring of clock, data and chip select"
	}
	return e
}

// Open sorts the error of opening the device's bus.
func (l *Link) Open(err error) error {
	var e *drivers.Error
	if errors.As(err, &e) {
		return fmt.Errorf("%s: %w", l.Device, err)
	}
	if errors.Is(err, fs.ErrNotExist) {
		return &drivers.Error{Device: l.Device, Doing: "opening the bus", Is: drivers.BusDisabled, Err: err,
			Hint: "the system has no such bus: enable it in the board's configuration"}
	}
	return l.Fail("opening the bus", err)
}

// errnoTexts are the errors that matter, by the text that remains of them where
// a library below has formatted an errno with %v.
var errnoTexts = [...]syscall.Errno{
	syscall.EREMOTEIO, syscall.ENXIO, syscall.ENODEV, syscall.ESHUTDOWN, syscall.ETIMEDOUT, syscall.EACCES,
	syscall.EPERM, syscall.EIO, syscall.EAGAIN, syscall.EBUSY, syscall.EPROTO, syscall.EOVERFLOW,
	syscall.EMSGSIZE, syscall.EINVAL, syscall.ENOENT,
}

// Errno finds the kernel's error number in err, by type or, failing that, by
// its text at the end; 0 if there is none.
func Errno(err error) syscall.Errno {
	var n syscall.Errno
	if err == nil || errors.As(err, &n) {
		return n
	}
	text := err.Error()
	for _, n := range errnoTexts {
		if strings.HasSuffix(text, n.Error()) {
			return n
		}
	}
	return 0
}

// WithErrno makes the kernel's error number reachable by errors.Is where it was
// only text.
func WithErrno(err error) error {
	errno := Errno(err)
	if errno == 0 || errors.Is(err, errno) {
		return err
	}
	return &textError{err: err, errno: errno}
}

type textError struct {
	err   error
	errno syscall.Errno
}

func (e *textError) Error() string   { return e.err.Error() }
func (e *textError) Unwrap() []error { return []error{e.err, e.errno} }
