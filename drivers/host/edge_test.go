package host

import (
	"encoding/binary"
	"os"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers/clock"
)

// Sizes, places and numbers printed by a C program that includes linux/gpio.h
// (Debian's linux-libc-dev, gcc on amd64).
func TestGPIOLayout(t *testing.T) {
	var r gpioRequest
	for what, got := range map[string][2]uintptr{
		"sizeof(struct gpio_v2_line_request)": {unsafe.Sizeof(r), 0x250},
		"offset of consumer":                  {unsafe.Offsetof(r.consumer), 0x100},
		"offset of config":                    {unsafe.Offsetof(r.flags), 0x120},
		"offset of num_lines":                 {unsafe.Offsetof(r.lines), 0x230},
		"offset of event_buffer_size":         {unsafe.Offsetof(r.buffer), 0x234},
		"offset of fd":                        {unsafe.Offsetof(r.fd), 0x24c},
		"sizeof(struct gpio_v2_line_event)":   {gpioEventSize, 0x30},
		"flags":                               {gpioInput | gpioRising | gpioFalling | gpioPullUp | gpioPullDown | gpioNoPull, 0x4 | 0x10 | 0x20 | 0x100 | 0x200 | 0x400},
	} {
		if got[0] != got[1] {
			t.Errorf("%s = %#x, want %#x", what, got[0], got[1])
		}
	}
}

// A pipe stands for the line: it brings the same records.
func TestEdges(t *testing.T) {
	var fds [2]int
	if err := unix.Pipe2(fds[:], unix.O_CLOEXEC); err != nil {
		t.Fatal(err)
	}
	defer unix.Close(fds[1])
	e := &edges{fd: fds[0], open: true}
	defer e.close()
	if e.wait(0) {
		t.Error("an edge out of nothing")
	}
	var mono unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &mono); err != nil {
		t.Fatal(err)
	}
	before := clock.System{}.Now()
	var event [2 * gpioEventSize]byte
	binary.NativeEndian.PutUint64(event[:], uint64(mono.Nano()))
	binary.NativeEndian.PutUint64(event[gpioEventSize:], uint64(mono.Nano()+1000))
	if _, err := unix.Write(fds[1], event[:]); err != nil {
		t.Fatal(err)
	}
	if !e.wait(time.Second) {
		t.Fatal("the edge is not seen")
	}
	if d := before - e.stamp(); d < -time.Second || d > time.Second {
		t.Errorf("stamp %v off the system's clock", d)
	}
	first := e.stamp()
	if !e.wait(-1) || e.stamp() < first+500 || e.stamp() > first+time.Second {
		t.Errorf("second edge: %v after the first", e.stamp()-first)
	}
	if e.wait(0) || e.wait(time.Microsecond) {
		t.Error("a third edge out of nothing")
	}
	if n := testing.AllocsPerRun(100, func() {
		_, _ = unix.Write(fds[1], event[:gpioEventSize])
		if !e.wait(0) {
			t.Error("no edge")
		}
	}); n != 0 {
		t.Errorf("%v allocations for each edge", n)
	}
	e.close()
	if e.wait(0) || e.taken() {
		t.Error("edges of a line that was given back")
	}
}

// What is no GPIO chip refuses.
func TestEdgesRefused(t *testing.T) {
	var e edges
	if err := e.request(os.DevNull, 3, gpio.PullUp, gpio.FallingEdge); err == nil || e.taken() {
		t.Errorf("a line of %s: %v", os.DevNull, err)
	}
	if err := e.request("/no/such/chip", 3, gpio.Float, gpio.BothEdges); err == nil {
		t.Error("a line of a chip that is not there")
	}
}
