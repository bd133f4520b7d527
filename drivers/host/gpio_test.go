package host

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

// Sizes, places and numbers printed by a C program that includes linux/gpio.h
// (Debian's linux-libc-dev, gcc on amd64).
func TestGPIOLayout(t *testing.T) {
	var r lineRequest
	var a lineAttr
	var c chipInfo
	var l lineInfo
	for what, got := range map[string][2]uintptr{
		"sizeof(struct gpio_v2_line_request)":          {unsafe.Sizeof(r), 0x250},
		"offset of consumer":                           {unsafe.Offsetof(r.consumer), 0x100},
		"offset of config":                             {unsafe.Offsetof(r.flags), 0x120},
		"offset of config.num_attrs":                   {unsafe.Offsetof(r.nAttrs), 0x128},
		"offset of config.attrs":                       {unsafe.Offsetof(r.attrs), 0x140},
		"offset of num_lines":                          {unsafe.Offsetof(r.lines), 0x230},
		"offset of event_buffer_size":                  {unsafe.Offsetof(r.buffer), 0x234},
		"offset of fd":                                 {unsafe.Offsetof(r.fd), 0x24c},
		"sizeof(struct gpio_v2_line_config_attribute)": {unsafe.Sizeof(a), 0x18},
		"offset of values":                             {unsafe.Offsetof(a.value), 0x8},
		"offset of mask":                               {unsafe.Offsetof(a.mask), 0x10},
		"sizeof(struct gpio_v2_line_event)":            {gpioEventSize, 0x30},
		"sizeof(struct gpio_v2_line_values)":           {unsafe.Sizeof(lineValues{}), 0x10},
		"sizeof(struct gpiochip_info)":                 {unsafe.Sizeof(c), 0x44},
		"offset of label":                              {unsafe.Offsetof(c.label), 0x20},
		"offset of lines":                              {unsafe.Offsetof(c.lines), 0x40},
		"sizeof(struct gpio_v2_line_info)":             {unsafe.Sizeof(l), 0x100},
		"offset of the line's consumer":                {unsafe.Offsetof(l.consumer), 0x20},
		"offset of the line's offset":                  {unsafe.Offsetof(l.offset), 0x40},
		"offset of the line's flags":                   {unsafe.Offsetof(l.flags), 0x48},
		"flags":                                        {gpioUsed | gpioInput | gpioOutput | gpioRising | gpioFalling | gpioPullUp | gpioPullDown | gpioNoPull, 1 | 4 | 8 | 0x10 | 0x20 | 0x100 | 0x200 | 0x400},
		"GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES":           {gpioOutputValues, 2},
		"GPIO_GET_CHIPINFO_IOCTL":                      {gpioChipInfo, 0x8044b401},
		"GPIO_V2_GET_LINEINFO_IOCTL":                   {gpioLineInfo, 0xc100b405},
		"GPIO_V2_GET_LINE_IOCTL":                       {gpioGetLine, 0xc250b407},
		"GPIO_V2_LINE_GET_VALUES_IOCTL":                {gpioGetValues, 0xc010b40e},
		"GPIO_V2_LINE_SET_VALUES_IOCTL":                {gpioSetValues, 0xc010b40f},
	} {
		if got[0] != got[1] {
			t.Errorf("%s = %#x, want %#x", what, got[0], got[1])
		}
	}
}

// chips is a kernel with GPIO chips: a file for each in a folder of device files,
// which says what its lines are called. It answers what linux/gpio.h has it asked.
type chips struct {
	*testing.T
	dev   string
	lines map[string][]string // of the chip's file name
	held  map[int]*heldLine   // by the descriptor that was given out
	flags uint64              // of the last request
	fail  unix.Errno          // of looking at lines that are held, and setting them
}

type heldLine struct {
	chip   string
	number uint32
	level  bool
	far    int    // end of the pipe at which edges are put in
	link   string // what the descriptor refers to
}

func newChips(t *testing.T) (*chips, gpioKernel) {
	k := &chips{T: t, dev: t.TempDir(), lines: map[string][]string{}, held: map[int]*heldLine{}}
	t.Cleanup(func() {
		for _, h := range k.held {
			_ = unix.Close(h.far)
		}
	})
	return k, gpioKernel{dev: k.dev, call: k.ioctl}
}

func (k *chips) plug(chip string, lines ...string) {
	k.lines[chip] = lines
	if err := os.WriteFile(filepath.Join(k.dev, chip), nil, 0o600); err != nil {
		k.Fatal(err)
	}
}

func (k *chips) unplug(chip string) {
	delete(k.lines, chip)
	if err := os.Remove(filepath.Join(k.dev, chip)); err != nil {
		k.Fatal(err)
	}
}

func (k *chips) ioctl(fd, op uintptr, arg unsafe.Pointer) unix.Errno {
	path, err := os.Readlink(fmt.Sprintf("/proc/self/fd/%d", fd))
	if err != nil {
		return unix.EBADF
	}
	chip := filepath.Base(path)
	switch op {
	case gpioChipInfo:
		r := (*chipInfo)(arg)
		copy(r.label[:], "label of "+chip)
		r.lines = uint32(len(k.lines[chip]))
	case gpioLineInfo:
		r := (*lineInfo)(arg)
		copy(r.name[:], k.lines[chip][r.offset])
		for _, h := range k.held {
			if h.chip == chip && h.number == r.offset {
				r.flags |= gpioUsed
			}
		}
	case gpioGetLine:
		r := (*lineRequest)(arg)
		var ends [2]int
		if err := unix.Pipe2(ends[:], unix.O_CLOEXEC); err != nil {
			return unix.ENOMEM
		}
		if got := k.at(chip, r.offsets[0]); got != nil {
			_, _ = unix.Close(ends[0]), unix.Close(ends[1])
			return unix.EBUSY
		}
		k.flags = r.flags
		link, _ := os.Readlink(fmt.Sprintf("/proc/self/fd/%d", ends[0]))
		k.held[ends[0]] = &heldLine{chip: chip, number: r.offsets[0], far: ends[1], link: link,
			level: r.nAttrs == 1 && r.attrs[0].id == gpioOutputValues && r.attrs[0].mask&r.attrs[0].value&1 != 0}
		r.fd = int32(ends[0])
	case gpioGetValues, gpioSetValues:
		h, r := k.held[int(fd)], (*lineValues)(arg)
		if k.fail != 0 {
			return k.fail
		}
		if h == nil || k.lines[h.chip] == nil {
			return unix.ENODEV
		}
		if r.mask != 1 {
			return unix.EINVAL
		}
		if op == gpioSetValues {
			h.level = r.bits&1 != 0
		} else if r.bits = 0; h.level {
			r.bits = 1
		}
	default:
		return unix.ENOTTY
	}
	return 0
}

// at is who holds a line: descriptors that are closed hold nothing.
func (k *chips) at(chip string, number uint32) *heldLine {
	for fd, h := range k.held {
		if link, err := os.Readlink(fmt.Sprintf("/proc/self/fd/%d", fd)); err != nil || link != h.link {
			_ = unix.Close(h.far)
			delete(k.held, fd)
			continue
		}
		if h.chip == chip && h.number == number {
			return h
		}
	}
	return nil
}

func TestFindLine(t *testing.T) {
	k, kernel := newChips(t)
	if _, err := openPin(kernel, "GPIO18"); !errors.Is(err, drivers.BusDisabled) || drivers.HintOf(err) == "" {
		t.Errorf("no chip at all: %v", err)
	}
	k.plug("gpiochip0", "ID_SD", "", "GPIO18")
	k.plug("gpiochip11", "LED", "GPIO7")
	for name, want := range map[string]string{
		"GPIO18": "gpiochip0 2", "GPIO7": "gpiochip11 1", "gpiochip11/0": "gpiochip11 0", "gpiochip0/2": "gpiochip0 2",
		"GPIO99": "", "": "", "gpiochip0/3": "", "gpiochip1/0": "", "gpiochip0/": "", "gpiochip/0": "",
	} {
		chip, n, err := kernel.find(name)
		if got := fmt.Sprint(filepath.Base(chip), " ", n); want != "" && (got != want || err != nil) {
			t.Errorf("%q: %s, %v; want %s", name, got, err, want)
		}
		if want == "" && (!errors.Is(err, drivers.NotPresent) || drivers.HintOf(err) == "") {
			t.Errorf("%q: %v, want %v", name, err, drivers.NotPresent)
		}
	}
	label, lines, err := kernel.list(filepath.Join(k.dev, "gpiochip0"))
	if err != nil || label != "label of gpiochip0" || len(lines) != 3 || lines[2].Name != "GPIO18" || lines[2].Used {
		t.Errorf("%q, %+v, %v", label, lines, err)
	}
}

// An output has its level from the first moment, is silent when it is given back,
// and is taken anew after an error: under another chip's number, too.
func TestOutput(t *testing.T) {
	k, kernel := newChips(t)
	k.plug("gpiochip0", "SDA")
	k.plug("gpiochip4", "GPIO17", "GPIO18")
	p, err := openPin(kernel, "GPIO18")
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range []gpio.Level{gpio.High, gpio.Low, gpio.High} {
		if err := p.Out(l); err != nil || k.at("gpiochip4", 1).level != bool(l) || k.flags != gpioOutput {
			t.Errorf("%v: %+v, %v", l, k.at("gpiochip4", 1), err)
		}
	}
	other, _ := openPin(kernel, "gpiochip4/1")
	if err := other.Out(gpio.Low); !errors.Is(err, unix.EBUSY) {
		t.Errorf("a line that is taken: %v", err)
	}
	k.unplug("gpiochip4")
	if err := p.Out(gpio.Low); !errors.Is(err, unix.ENODEV) {
		t.Errorf("unplugged: %v", err)
	}
	if err := p.Out(gpio.Low); !errors.Is(err, drivers.NotPresent) {
		t.Errorf("still unplugged: %v", err)
	}
	k.plug("gpiochip7", "GPIO17", "GPIO18")
	if err := p.Out(gpio.High); err != nil || !k.at("gpiochip7", 1).level {
		t.Errorf("plugged in under another number: %v", err)
	}
	if err := p.Halt(); err != nil || k.at("gpiochip7", 1) != nil {
		t.Errorf("the line is still held: %v", err)
	}
	if err := p.PWM(gpio.DutyHalf, 1); !errors.Is(err, drivers.BadConfig) || !strings.Contains(drivers.HintOf(err), "pwmchip") {
		t.Errorf("a tone on a GPIO line: %v", err)
	}
}

// An input has the pull that it is asked for, tells its level and why it can not.
func TestInput(t *testing.T) {
	k, kernel := newChips(t)
	k.plug("gpiochip0", "GPIO17")
	pin, err := openPin(kernel, "GPIO17")
	if err != nil {
		t.Fatal(err)
	}
	p := pin.(drivers.LevelReader)
	if _, err := p.Level(); !errors.Is(err, os.ErrClosed) {
		t.Errorf("a line that is not held: %v", err)
	}
	for pull, flag := range map[gpio.Pull]uint64{gpio.PullUp: gpioPullUp, gpio.PullDown: gpioPullDown, gpio.Float: gpioNoPull} {
		if err := p.In(pull, gpio.NoEdge); err != nil || k.flags != gpioInput|flag {
			t.Errorf("%v: flags %#x, %v", pull, k.flags, err)
		}
	}
	for _, level := range []bool{true, false} {
		k.at("gpiochip0", 0).level = level
		if l, err := p.Level(); err != nil || bool(l) != level || p.Read() != l {
			t.Errorf("%v: %v, %v", level, l, err)
		}
	}
	k.at("gpiochip0", 0).level = true
	for _, errno := range []unix.Errno{unix.EREMOTEIO, unix.ENODEV} {
		k.fail = errno
		if l, err := p.Level(); !errors.Is(err, errno) || l != gpio.Low || p.Read() != gpio.Low {
			t.Errorf("%v: %v, %v", errno, l, err)
		}
	}
	k.fail = 0
	if err := errors.Join(pin.Out(gpio.High), p.In(gpio.PullUp, gpio.NoEdge)); err != nil || k.flags != gpioInput|gpioPullUp {
		t.Errorf("output and input again: %v", err)
	}
	if p.WaitForEdge(0) {
		t.Error("an edge that nobody asked for")
	}
	if k.at("gpiochip0", 0); len(k.held) != 1 {
		t.Errorf("held %d times", len(k.held))
	}
}

// Edges come in order with the kernel's stamps on our clock.
func TestEdges(t *testing.T) {
	k, kernel := newChips(t)
	k.plug("gpiochip0", "GPIO17")
	opened, err := openPin(kernel, "GPIO17")
	if err != nil {
		t.Fatal(err)
	}
	e := opened.(drivers.EdgeStamper)
	if err := e.In(gpio.PullUp, gpio.FallingEdge); err != nil || k.flags != gpioInput|gpioFalling|gpioPullUp {
		t.Fatalf("flags %#x, %v", k.flags, err)
	}
	far := k.at("gpiochip0", 0).far
	if e.WaitForEdge(0) {
		t.Error("an edge out of nothing")
	}
	var mono unix.Timespec
	before := clock.System{}.Now()
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &mono); err != nil {
		t.Fatal(err)
	}
	after := clock.System{}.Now()
	var event [2 * gpioEventSize]byte
	binary.NativeEndian.PutUint64(event[:], uint64(mono.Nano()))
	binary.NativeEndian.PutUint64(event[gpioEventSize:], uint64(mono.Nano()+int64(time.Second)))
	if _, err := unix.Write(far, event[:]); err != nil {
		t.Fatal(err)
	}
	if !e.WaitForEdge(time.Second) {
		t.Fatal("the edge is not seen")
	}
	const apart = time.Millisecond // as far as the two clocks may be read apart
	if at := e.EdgeAt(); at < before-apart || at > after+apart {
		t.Errorf("stamp %v, the system's clock was %v to %v", at, before, after)
	}
	first := e.EdgeAt()
	if !e.WaitForEdge(-1) || (e.EdgeAt()-first-time.Second).Abs() > apart {
		t.Errorf("second edge: %v after the first", e.EdgeAt()-first)
	}
	if e.WaitForEdge(0) || e.WaitForEdge(time.Microsecond) {
		t.Error("a third edge out of nothing")
	}
	if n := testing.AllocsPerRun(100, func() {
		_, _ = unix.Write(far, event[:gpioEventSize])
		if !e.WaitForEdge(0) {
			t.Error("no edge")
		}
	}); n != 0 {
		t.Errorf("%v allocations for each edge", n)
	}
	if err := e.Halt(); err != nil || e.WaitForEdge(0) {
		t.Errorf("edges of a line that was given back: %v", err)
	}
}

// What is no GPIO chip refuses, by the kernel's own word.
func TestNoChip(t *testing.T) {
	dir := t.TempDir()
	if err := os.Symlink(os.DevNull, filepath.Join(dir, "gpiochip0")); err != nil {
		t.Fatal(err)
	}
	kernel := gpioKernel{dev: dir, call: ioctlPointer}
	for _, name := range []string{"GPIO18", "gpiochip0/1"} {
		if _, err := openPin(kernel, name); !errors.Is(err, unix.ENOTTY) {
			t.Errorf("%s: %v, want %v", name, err, unix.ENOTTY)
		}
	}
	if _, _, err := GPIOLines(filepath.Join(dir, "none")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v", err)
	}
}
