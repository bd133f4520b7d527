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
	"periph.io/x/conn/v3/physic"

	"tipoff/drivers"
)

// pin is one GPIO line by the kernel's character devices. It is our own instead of
// periph's gpioioctl (host v3.8.5), which lists the lines once only, says low
// where a line can not be read, throws the stamps of edges away, takes a time-out
// of 0 for none at all, and goes on with a line that it does not hold.
//
// The line is looked for and taken when it is first used as an input or an output,
// and again after an error or Halt.
type pin struct {
	gpio.PinIO // gpio.INVALID, for what is not offered
	kernel     gpioKernel
	name       string

	mu     sync.Mutex
	fd     int // of the line
	held   bool
	output bool // held as one
	at     time.Duration
	event  [gpioEventSize]byte
	values lineValues
}

var (
	_ drivers.EdgeStamper = (*pin)(nil)
	_ drivers.LevelReader = (*pin)(nil)
)

// String implements conn.Resource.
func (p *pin) String() string { return p.name }

// Name implements pin.Pin.
func (p *pin) Name() string { return p.name }

// take looks for the line and takes it.
func (p *pin) take(r *lineRequest) error {
	p.release()
	chip, number, err := p.kernel.find(p.name)
	if err != nil {
		return err
	}
	f, err := os.OpenFile(chip, os.O_RDWR, 0)
	if err != nil {
		return Explain(chip, err)
	}
	defer f.Close()
	r.lines, r.offsets[0] = 1, uint32(number)
	copy(r.consumer[:], "tipoff")
	if errno := p.kernel.call(f.Fd(), gpioGetLine, unsafe.Pointer(r)); errno != 0 {
		return fmt.Errorf("%s: taking line %d: %w", chip, number, errno)
	}
	p.fd, p.held, p.output = int(r.fd), true, r.flags&gpioOutput != 0
	return nil
}

func (p *pin) release() {
	if p.held {
		_ = unix.Close(p.fd) // gives the line back; the kernel can not refuse
		p.held = false
	}
}

// In implements gpio.PinIn.
func (p *pin) In(pull gpio.Pull, edge gpio.Edge) error {
	r := &lineRequest{flags: gpioInput}
	switch edge {
	case gpio.RisingEdge:
		r.flags |= gpioRising
	case gpio.FallingEdge:
		r.flags |= gpioFalling
	case gpio.BothEdges:
		r.flags |= gpioRising | gpioFalling
	}
	if edge != gpio.NoEdge {
		r.buffer = gpioEventBuffer
	}
	switch pull {
	case gpio.PullUp:
		r.flags |= gpioPullUp
	case gpio.PullDown:
		r.flags |= gpioPullDown
	case gpio.Float:
		r.flags |= gpioNoPull
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.take(r)
}

// Read implements gpio.PinIn: low if the line can not be read.
func (p *pin) Read() gpio.Level {
	l, err := p.Level()
	return l && gpio.Level(err == nil)
}

// Level implements drivers.LevelReader.
func (p *pin) Level() (gpio.Level, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.held {
		return gpio.Low, os.ErrClosed
	}
	p.values = lineValues{mask: 1}
	if errno := p.kernel.call(uintptr(p.fd), gpioGetValues, unsafe.Pointer(&p.values)); errno != 0 {
		return gpio.Low, errno
	}
	return p.values.bits&1 != 0, nil
}

// Out implements gpio.PinOut. A line that is taken has this level from the first
// moment.
func (p *pin) Out(l gpio.Level) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.values = lineValues{mask: 1}
	if l {
		p.values.bits = 1
	}
	if !p.held || !p.output {
		r := &lineRequest{flags: gpioOutput, nAttrs: 1}
		r.attrs[0] = lineAttr{id: gpioOutputValues, value: p.values.bits, mask: 1}
		return p.take(r)
	}
	if errno := p.kernel.call(uintptr(p.fd), gpioSetValues, unsafe.Pointer(&p.values)); errno != 0 {
		p.release() // the next try begins afresh
		return fmt.Errorf("%s: setting the line: %w", p.name, errno)
	}
	return nil
}

// PWM implements gpio.PinOut: these lines have none.
func (p *pin) PWM(gpio.Duty, physic.Frequency) error {
	return &drivers.Error{Device: p.name, Doing: "making a tone", Is: drivers.BadConfig, Err: errors.New("a GPIO line gives no even wave"),
		Hint: `a bare piezo needs a PWM output, line = "pwmchip0/pwm0"; a sounder with a tone of its own needs no tone option`}
}

// Halt implements conn.Resource: it gives the line back.
func (p *pin) Halt() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.release()
	return nil
}

// WaitForEdge implements gpio.PinIn: 0 does not wait, -1 waits for ever.
func (p *pin) WaitForEdge(timeout time.Duration) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.held || p.output {
		return false
	}
	var ts *unix.Timespec
	if timeout >= 0 {
		t := unix.NsecToTimespec(int64(timeout))
		ts = &t
	}
	fds := [1]unix.PollFd{{Fd: int32(p.fd), Events: unix.POLLIN}}
	n, err := unix.Ppoll(fds[:], ts, nil)
	if errors.Is(err, unix.EINTR) {
		// Go's runtime signals its own threads; whoever waits asks again.
		return false
	}
	if err != nil || n == 0 || fds[0].Revents&unix.POLLIN == 0 {
		return false
	}
	if k, err := unix.Read(p.fd, p.event[:]); err != nil || k != len(p.event) {
		return false
	}
	p.at = time.Duration(binary.NativeEndian.Uint64(p.event[:])) + asleep()
	return true
}

// EdgeAt implements drivers.EdgeStamper.
func (p *pin) EdgeAt() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.at
}

// asleep is how far clock.System (CLOCK_BOOTTIME) is ahead of the kernel's edge
// stamps (CLOCK_MONOTONIC): the time that the computer has slept.
func asleep() time.Duration {
	var mono, boot, again unix.Timespec
	// A process that is held up between the two readings would add that time to
	// the stamp: such a pair is read again, a few times.
	for range 8 {
		// Both clocks exist on every kernel that Go runs on.
		_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &mono)
		_ = unix.ClockGettime(unix.CLOCK_BOOTTIME, &boot)
		_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &again)
		if again.Nano()-mono.Nano() < int64(100*time.Microsecond) {
			break
		}
	}
	d := time.Duration(boot.Nano() - mono.Nano())
	if d < time.Millisecond {
		return 0 // the time between the two calls
	}
	return d
}
