package probe

import (
	"bytes"
	"fmt"
	"os"
	"os/user"
	"strconv"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"

	"tipoff/drivers/clock"
	"tipoff/drivers/host"
)

// Host is the computer that the program runs on.
func Host() System {
	return System{Root: os.DirFS("/"), Ports: &host.Ports{}, Clock: clock.System{}, May: may, Lines: lines}
}

// may asks the kernel, without opening the file.
func may(path string) (group string, err error) {
	if info, err := os.Stat(path); err == nil {
		if st, ok := info.Sys().(*syscall.Stat_t); ok {
			group = strconv.Itoa(int(st.Gid))
			if g, err := user.LookupGroupId(group); err == nil {
				group = g.Name
			}
		}
	}
	if err := unix.Access(path, unix.R_OK|unix.W_OK); err != nil {
		return group, &os.PathError{Op: "access", Path: path, Err: err}
	}
	return group, nil
}

// From linux/gpio.h: requests and structures, the same on all of Go's ARM, x86
// and RISC-V targets. Version 2 came with Linux 5.10.
const (
	gpioGetChipInfo = 0x8044B401
	gpioGetLineInfo = 0xC100B405
	lineUsed        = 1 << 0
	lineOutput      = 1 << 3
)

type gpioChipInfo struct {
	name, label [32]byte
	lines       uint32
}

type gpioLineInfo struct {
	name, consumer [32]byte
	offset, attrs  uint32
	flags          uint64
	attr           [10][2]uint64
	padding        [4]uint32
}

// lines asks a GPIO chip what lines it has. It takes none of them.
func lines(path string) (GPIOChip, error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return GPIOChip{}, err
	}
	defer f.Close()
	info := new(gpioChipInfo)
	if err := ioctl(f, gpioGetChipInfo, unsafe.Pointer(info)); err != nil {
		return GPIOChip{}, fmt.Errorf("%s: asking what it is: %w", path, err)
	}
	c := GPIOChip{Path: path, Label: text(info.label[:]), Lines: []Line{}}
	for i := range info.lines {
		li := &gpioLineInfo{offset: i}
		if err := ioctl(f, gpioGetLineInfo, unsafe.Pointer(li)); err != nil {
			return GPIOChip{}, fmt.Errorf("%s: asking about line %d: %w", path, i, err)
		}
		c.Lines = append(c.Lines, Line{
			Offset: int(i), Name: text(li.name[:]), By: text(li.consumer[:]),
			Used: li.flags&lineUsed != 0, Output: li.flags&lineOutput != 0,
		})
	}
	return c, nil
}

func ioctl(f *os.File, request uintptr, arg unsafe.Pointer) error {
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), request, uintptr(arg)); errno != 0 {
		return errno
	}
	return nil
}

// text is what stands before the first zero byte.
func text(b []byte) string {
	s, _, _ := bytes.Cut(b, []byte{0})
	return string(s)
}
