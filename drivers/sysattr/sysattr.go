// Package sysattr reads the kernel's sysfs attributes (one small text file for
// each value) for the drivers of kernel devices, and sorts the kernel's errors
// into conditions. Reading a number from an open attribute costs one system
// call and no allocation.
package sysattr

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"

	"tipoff/drivers"
	"tipoff/drivers/bus"
)

// File is one open attribute that holds a number. The zero value is closed.
type File struct {
	path string
	fd   int
	open bool
	buf  [64]byte
}

// Open opens the attribute for reading, closing what was open before.
func (f *File) Open(path string) error {
	f.Close()
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		return &fs.PathError{Op: "open", Path: path, Err: err}
	}
	f.path, f.fd, f.open = path, fd, true
	return nil
}

// Close closes the attribute. Closing a closed one does nothing.
func (f *File) Close() {
	if f.open {
		_ = unix.Close(f.fd) // opened for reading: nothing can be lost
		f.open = false
	}
}

// Number reads the attribute afresh, which makes the kernel ask the device.
func (f *File) Number() (float64, error) {
	if !f.open {
		return 0, &fs.PathError{Op: "read", Path: f.path, Err: fs.ErrClosed}
	}
	n, err := unix.Pread(f.fd, f.buf[:], 0)
	for err == unix.EINTR {
		n, err = unix.Pread(f.fd, f.buf[:], 0)
	}
	if err != nil {
		return 0, &fs.PathError{Op: "read", Path: f.path, Err: err}
	}
	v, ok := ParseNumber(f.buf[:n])
	if !ok {
		return 0, fmt.Errorf("%s reads %q, which is not a number", f.path, f.buf[:n])
	}
	return v, nil
}

// powers of ten that a float64 holds exactly.
var powers = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18}

// ParseNumber reads a decimal number as the kernel prints it: sign, digits,
// perhaps a point and digits, perhaps white space after it. It is correctly
// rounded and refuses anything else.
func ParseNumber(b []byte) (float64, bool) {
	for len(b) > 0 && (b[len(b)-1] == '\n' || b[len(b)-1] == ' ') {
		b = b[:len(b)-1]
	}
	d := b
	if len(d) > 0 && (d[0] == '-' || d[0] == '+') {
		d = d[1:]
	}
	var mantissa uint64
	digits, places, point := 0, 0, false
	for _, c := range d {
		switch {
		case c == '.' && !point:
			point = true
		case c >= '0' && c <= '9':
			digits++
			if point {
				places++
			}
			if mantissa < 1<<53/10 {
				mantissa = mantissa*10 + uint64(c-'0')
			} else {
				mantissa = 1 << 63 // too long for the short way
			}
		default:
			return 0, false
		}
	}
	if digits == 0 {
		return 0, false
	}
	if mantissa > 1<<53 || places >= len(powers) {
		v, err := strconv.ParseFloat(string(b), 64)
		return v, err == nil
	}
	v := float64(mantissa) / powers[places]
	if b[0] == '-' {
		v = -v
	}
	return v, true
}

// Read gives the text of an attribute without the white space around it.
func Read(path string) (string, error) {
	b, err := os.ReadFile(path)
	return strings.TrimSpace(string(b)), err
}

// Number gives the number in an attribute that is read once.
func Number(path string) (float64, error) {
	s, err := Read(path)
	if err != nil {
		return 0, err
	}
	v, ok := ParseNumber([]byte(s))
	if !ok {
		return 0, fmt.Errorf("%s reads %q, which is not a number", path, s)
	}
	return v, nil
}

// Write writes an attribute that exists.
func Write(path, text string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_TRUNC, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	return errors.Join(err, f.Close())
}

// Gone tells that the device behind an open attribute has left.
func Gone(err error) bool { return errors.Is(err, syscall.ENODEV) || errors.Is(err, syscall.ENXIO) }

// Fail makes a drivers.Error of what the kernel answered. absent is the hint for
// a device that is not there.
func Fail(device, doing string, err error, absent string) error {
	e := &drivers.Error{Device: device, Doing: doing, Is: drivers.Transient, Err: err}
	switch {
	case errors.Is(err, fs.ErrNotExist), Gone(err):
		e.Is, e.Hint = drivers.NotPresent, absent
	case errors.Is(err, fs.ErrPermission):
		e.Is, e.Hint = drivers.Permission, "the user that tipoff runs as may not use this file: a udev rule has to give it to a group that the user is in"
		var pe *fs.PathError
		if errors.As(err, &pe) {
			e.Hint = bus.PermissionHint(pe.Path)
		}
	case errors.Is(err, syscall.EBUSY):
		e.Hint = "another program is using the device"
	case errors.Is(err, syscall.ENODATA):
		e.Hint = "the kernel has no reading; the sensor may be switched off or not connected"
	case errors.Is(err, syscall.ETIMEDOUT), errors.Is(err, syscall.EREMOTEIO), errors.Is(err, syscall.EIO):
		e.Hint = "the kernel's driver could not reach the chip: check its supply and wiring"
	}
	return e
}
