package host

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/gpio"
)

// From linux/gpio.h.
const (
	gpioGetLine     = 0xc250b407
	gpioInput       = 1 << 2
	gpioRising      = 1 << 4
	gpioFalling     = 1 << 5
	gpioPullUp      = 1 << 8
	gpioPullDown    = 1 << 9
	gpioNoPull      = 1 << 10
	gpioEventSize   = 48
	gpioEventBuffer = 64 // edges that the kernel keeps: 70 ms of 860/s
)

// gpioRequest is struct gpio_v2_line_request with one line and no attributes.
type gpioRequest struct {
	offsets  [64]uint32
	consumer [32]byte
	flags    uint64
	_        [264]byte // attributes
	lines    uint32
	buffer   uint32
	_        [5]uint32
	fd       int32
}

// edges are the edges of one line, as the kernel saw and stamped them. They
// stand in for periph's gpioioctl (host v3.8.5), which throws the stamps away,
// takes a time-out of 0 for none at all, and allocates for each edge.
type edges struct {
	mu    sync.Mutex
	fd    int
	open  bool
	at    time.Duration
	event [gpioEventSize]byte
}

// request takes the line for its edges.
func (e *edges) request(chip string, offset int, pull gpio.Pull, edge gpio.Edge) error {
	f, err := os.OpenFile(chip, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	r := &gpioRequest{flags: gpioInput, lines: 1, buffer: gpioEventBuffer}
	r.offsets[0] = uint32(offset)
	copy(r.consumer[:], "tipoff")
	switch edge {
	case gpio.RisingEdge:
		r.flags |= gpioRising
	case gpio.FallingEdge:
		r.flags |= gpioFalling
	default:
		r.flags |= gpioRising | gpioFalling
	}
	switch pull {
	case gpio.PullUp:
		r.flags |= gpioPullUp
	case gpio.PullDown:
		r.flags |= gpioPullDown
	case gpio.Float:
		r.flags |= gpioNoPull
	}
	if errno := ioctlPointer(f.Fd(), gpioGetLine, unsafe.Pointer(r)); errno != 0 {
		return fmt.Errorf("%s: taking line %d for its edges: %w", chip, offset, errno)
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.fd, e.open = int(r.fd), true
	return nil
}

func (e *edges) close() {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.open {
		_ = unix.Close(e.fd) // only read from: nothing can be lost
		e.open = false
	}
}

// taken tells whether edges are asked for.
func (e *edges) taken() bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.open
}

// wait takes the next edge, waiting for it for at most timeout; -1 waits for ever.
func (e *edges) wait(timeout time.Duration) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	if !e.open {
		return false
	}
	var ts *unix.Timespec
	if timeout >= 0 {
		t := unix.NsecToTimespec(int64(timeout))
		ts = &t
	}
	fds := [1]unix.PollFd{{Fd: int32(e.fd), Events: unix.POLLIN}}
	n, err := unix.Ppoll(fds[:], ts, nil)
	if errors.Is(err, unix.EINTR) {
		// Go's runtime signals its own threads; whoever waits asks again.
		return false
	}
	if err != nil || n == 0 || fds[0].Revents&unix.POLLIN == 0 {
		return false
	}
	if k, err := unix.Read(e.fd, e.event[:]); err != nil || k != len(e.event) {
		return false
	}
	e.at = time.Duration(binary.NativeEndian.Uint64(e.event[:])) + asleep()
	return true
}

// stamp is when the edge that wait took last came.
func (e *edges) stamp() time.Duration {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.at
}

// asleep is how far clock.System (CLOCK_BOOTTIME) is ahead of the kernel's edge
// stamps (CLOCK_MONOTONIC): the time that the computer has slept.
func asleep() time.Duration {
	var boot, mono unix.Timespec
	// Both clocks exist on every kernel that Go runs on.
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &mono)
	_ = unix.ClockGettime(unix.CLOCK_BOOTTIME, &boot)
	d := time.Duration(boot.Nano() - mono.Nano())
	if d < time.Millisecond {
		return 0 // the time between the two calls
	}
	return d
}
