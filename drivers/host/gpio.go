package host

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"

	"tipoff/drivers"
)

// From linux/gpio.h, the same on all of Go's ARM, x86 and RISC-V targets. Version
// 2 came with Linux 5.10.
const (
	gpioChipInfo  = 0x8044b401
	gpioLineInfo  = 0xc100b405
	gpioGetLine   = 0xc250b407
	gpioGetValues = 0xc010b40e
	gpioSetValues = 0xc010b40f

	gpioUsed     = 1 << 0
	gpioInput    = 1 << 2
	gpioOutput   = 1 << 3
	gpioRising   = 1 << 4
	gpioFalling  = 1 << 5
	gpioPullUp   = 1 << 8
	gpioPullDown = 1 << 9
	gpioNoPull   = 1 << 10

	gpioOutputValues = 2  // kind of attribute
	gpioEventSize    = 48 // bytes
	gpioEventBuffer  = 64 // edges that the kernel keeps: 70 ms of 860/s
)

// chipInfo is struct gpiochip_info.
type chipInfo struct {
	name, label [32]byte
	lines       uint32
}

// lineInfo is struct gpio_v2_line_info.
type lineInfo struct {
	name, consumer [32]byte
	offset, attrs  uint32
	flags          uint64
	_              [10][2]uint64
	_              [4]uint32
}

// lineRequest is struct gpio_v2_line_request.
type lineRequest struct {
	offsets  [64]uint32
	consumer [32]byte
	flags    uint64
	nAttrs   uint32
	_        [5]uint32
	attrs    [10]lineAttr
	lines    uint32
	buffer   uint32
	_        [5]uint32
	fd       int32
}

// lineAttr is struct gpio_v2_line_config_attribute.
type lineAttr struct {
	id, _       uint32
	value, mask uint64
}

// lineValues is struct gpio_v2_line_values of one line.
type lineValues struct{ bits, mask uint64 }

// GPIOLine is one line of a chip, as the kernel lists it.
type GPIOLine struct {
	Name   string // "" if the board names none
	By     string // who uses it
	Used   bool
	Output bool
}

// GPIOLines asks the chip at path ("/dev/gpiochip0") for its name and its lines.
// It takes none of them.
func GPIOLines(path string) (label string, lines []GPIOLine, err error) {
	return kernelGPIO.list(path)
}

// gpioKernel is how the kernel's GPIO chips are reached.
type gpioKernel struct {
	dev  string // folder of the device files
	call func(fd, op uintptr, arg unsafe.Pointer) unix.Errno
}

// kernelGPIO is the computer's own; it does not change.
var kernelGPIO = gpioKernel{dev: "/dev", call: ioctlPointer}

func (k gpioKernel) list(path string) (label string, lines []GPIOLine, err error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return "", nil, err
	}
	defer f.Close()
	chip := new(chipInfo)
	if errno := k.call(f.Fd(), gpioChipInfo, unsafe.Pointer(chip)); errno != 0 {
		return "", nil, fmt.Errorf("%s: asking what it is: %w", path, errno)
	}
	for i := range chip.lines {
		l := &lineInfo{offset: i}
		if errno := k.call(f.Fd(), gpioLineInfo, unsafe.Pointer(l)); errno != 0 {
			return "", nil, fmt.Errorf("%s: asking about line %d: %w", path, i, errno)
		}
		lines = append(lines, GPIOLine{
			Name: text(l.name[:]), By: text(l.consumer[:]), Used: l.flags&gpioUsed != 0, Output: l.flags&gpioOutput != 0,
		})
	}
	return text(chip.label[:]), lines, nil
}

// text is what stands before the first zero byte.
func text(b []byte) string {
	s, _, _ := bytes.Cut(b, []byte{0})
	return string(s)
}

// find gives the chip and the number of the line called name, which is looked for
// anew each time: chips come and go.
func (k gpioKernel) find(name string) (chip string, number int, err error) {
	if chip, number, ok := lineNumber(name); ok {
		path := filepath.Join(k.dev, chip)
		_, lines, err := k.list(path)
		if err == nil && number < len(lines) {
			return path, number, nil
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", 0, Explain(path, err)
		}
		return "", 0, noLine(name)
	}
	chips, _ := filepath.Glob(filepath.Join(k.dev, "gpiochip*")) // fails for a wrong pattern only
	if len(chips) == 0 {
		path := filepath.Join(k.dev, "gpiochip0")
		return "", 0, Explain(path, &fs.PathError{Op: "open", Path: path, Err: unix.ENOENT})
	}
	var first error
	for _, path := range chips {
		_, lines, err := k.list(path)
		if i := slices.IndexFunc(lines, func(l GPIOLine) bool { return l.Name == name }); i >= 0 && name != "" {
			return path, i, nil
		}
		if err != nil && first == nil {
			first = Explain(path, err)
		}
	}
	if first != nil {
		return "", 0, first
	}
	return "", 0, noLine(name)
}

func noLine(name string) error {
	return &drivers.Error{Device: "GPIO line " + name, Doing: "opening", Is: drivers.NotPresent, Err: fs.ErrNotExist,
		Hint: "the kernel knows no line of this name; the names depend on the board; where lines have none, gpiochip0/5 is line 5 of the chip gpiochip0"}
}

// lineNumber takes "gpiochip0/5" apart.
func lineNumber(name string) (chip string, number int, ok bool) {
	chip, tail, ok := strings.Cut(name, "/")
	n, err := strconv.ParseUint(tail, 10, 16)
	return chip, int(n), ok && err == nil && chipName(chip)
}

func chipName(s string) bool {
	tail, ok := strings.CutPrefix(s, "gpiochip")
	_, err := strconv.ParseUint(tail, 10, 16)
	return ok && err == nil
}
