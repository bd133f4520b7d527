package main

import (
	"fmt"
	"unsafe"

	"golang.org/x/sys/unix"
)

// line is an output of the board that somebody outside the guest watches. It is
// written here once more, without the code that tipoff uses for its own line.
type line int

// lineRequest is struct gpio_v2_line_request, linux/gpio.h.
type lineRequest struct {
	offsets  [64]uint32
	consumer [32]byte
	flags    uint64
	_        [264]byte // further attributes: none
	count    uint32
	_        [6]uint32
	fd       int32
}

const (
	gpioGetLine   = 0xC250B407
	gpioSetValues = 0xC010B40F
	gpioOutput    = 1 << 3
)

func openLine(chip string, offset uint32) (line, error) {
	fd, err := unix.Open(chip, unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return -1, fmt.Errorf("opening %s: %w", chip, err)
	}
	defer unix.Close(fd)
	r := lineRequest{flags: gpioOutput, count: 1}
	r.offsets[0] = offset
	copy(r.consumer[:], "witness")
	if err := ioctl(fd, gpioGetLine, unsafe.Pointer(&r)); err != nil {
		return -1, fmt.Errorf("taking line %d of %s: %w", offset, chip, err)
	}
	return line(r.fd), nil
}

func (l line) set(on bool) error {
	v := [2]uint64{0, 1}
	if on {
		v[0] = 1
	}
	return ioctl(int(l), gpioSetValues, unsafe.Pointer(&v))
}

func ioctl(fd int, req uintptr, arg unsafe.Pointer) error {
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), req, uintptr(arg)); errno != 0 {
		return errno
	}
	return nil
}
