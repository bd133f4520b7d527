// Package serialport opens serial ports for the drivers of instruments and
// sorts their errors into conditions with a hint.
package serialport

import (
	"errors"
	"fmt"
	"io/fs"
	"syscall"
	"time"

	"go.bug.st/serial"

	"tipoff/drivers"
	"tipoff/drivers/bus"
)

// Port is one end of a line of bytes: a serial port, a TCP connection, or a
// model of either. It is used by one goroutine at a time.
type Port interface {
	// Read waits for bytes for at most the time set, and gives 0, nil if none
	// came. It gives what is there and does not wait for p to be full.
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	// SetTimeout says how long Read waits from now on; 0 means not at all.
	SetTimeout(d time.Duration) error
	// Flush forgets what has been received and not read.
	Flush() error
	Close() error
}

// Mode is how bytes look on the line.
type Mode struct {
	Baud     int  // bits a second
	DataBits int  // 7 or 8
	Parity   byte // 'N', 'E', 'O'
	StopBits int  // 1 or 2
}

// String is the usual notation, "9600 8N1".
func (m Mode) String() string {
	return fmt.Sprintf("%d %d%c%d", m.Baud, m.DataBits, m.Parity, m.StopBits)
}

// ByteTime is how long one byte takes on the line, with start, parity and stop
// bits.
func (m Mode) ByteTime() time.Duration {
	bits := 1 + m.DataBits + m.StopBits
	if m.Parity != 'N' {
		bits++
	}
	return time.Duration(bits) * time.Second / time.Duration(m.Baud)
}

// Opener opens a port. [Open] is the one for the board's own ports.
type Opener func(name string, m Mode) (Port, error)

// Open opens the port with the device file name. Errors are of a
// [drivers.Condition].
func Open(name string, m Mode) (Port, error) {
	mode := &serial.Mode{BaudRate: m.Baud, DataBits: m.DataBits}
	switch m.Parity {
	case 'E':
		mode.Parity = serial.EvenParity
	case 'O':
		mode.Parity = serial.OddParity
	}
	if m.StopBits == 2 {
		mode.StopBits = serial.TwoStopBits
	}
	p, err := serial.Open(name, mode)
	if err != nil {
		return nil, Failure(name, "opening the port", err)
	}
	return &port{p}, nil
}

// port fits package serial to Port.
type port struct{ serial.Port }

func (p *port) SetTimeout(d time.Duration) error { return p.SetReadTimeout(max(d, 0)) }
func (p *port) Flush() error                     { return p.ResetInputBuffer() }

const (
	plugHint       = "plug the adapter in; ls /dev/serial/by-id lists the ports that are there, under names that stay the same"
	permissionHint = "the user that tipoff runs as must be in the group that owns the port: dialout on most systems, uucp on some"
	busyHint       = "another program uses the port: end it (a modem manager or a login console may have taken it)"
)

// Failure sorts the error of a port. device is what the message begins with.
func Failure(device, doing string, err error) *drivers.Error {
	e := &drivers.Error{Device: device, Doing: doing, Is: drivers.Transient, Err: bus.WithErrno(err)}
	var pe *serial.PortError
	if errors.As(err, &pe) {
		switch pe.Code() {
		case serial.PortBusy:
			e.Hint = busyHint
		case serial.PortNotFound:
			e.Is, e.Hint = drivers.NotPresent, plugHint
		case serial.PermissionDenied:
			e.Is, e.Hint = drivers.Permission, permissionHint
		case serial.InvalidSerialPort:
			e.Is, e.Hint = drivers.WrongDevice, "this is not a serial port"
		case serial.InvalidSpeed, serial.InvalidDataBits, serial.InvalidParity, serial.InvalidStopBits:
			e.Is, e.Hint = drivers.BadConfig, "this port cannot be set so: see the adapter's manual for the speeds it has"
		case serial.PortClosed:
			e.Is, e.Hint = drivers.NotPresent, "the adapter was pulled out: "+plugHint
		}
		return e
	}
	switch errno := bus.Errno(err); {
	case errno == syscall.EACCES || errno == syscall.EPERM:
		e.Is, e.Hint = drivers.Permission, permissionHint
	case errno == syscall.EBUSY:
		e.Hint = busyHint
	case errno == syscall.ENOENT, errno == syscall.ENODEV, errno == syscall.ENXIO, errno == syscall.EIO,
		errors.Is(err, fs.ErrNotExist), errors.Is(err, fs.ErrClosed):
		e.Is, e.Hint = drivers.NotPresent, plugHint
	}
	return e
}
