package emulated

import (
	"context"
	"errors"
	"sync"
	"syscall"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

// Pin is a GPIO line that remembers its level. Its [Faults] are those of looking
// at it: absent is a chip of lines that was pulled out, low a line shorted to
// ground.
type Pin struct {
	Faults
	// OnEdge, if set, is called from Out each time the level changes. Set it
	// before the line is used.
	OnEdge func(at time.Duration, l gpio.Level)

	name   string
	number int
	clock  clock.Clock

	mu     sync.Mutex
	level  gpio.Level
	output bool
	fail   error
	queue  []time.Duration // edges that WaitForEdge has not yet given
	edge   time.Duration   // the one it gave last
	drive  driver          // chip that drives the line, nil: none
	tone   physic.Frequency
}

// driver is a chip whose output drives a line.
type driver interface {
	// drive brings the chip up to now, so that its edges are in the line's
	// queue, and tells when the next comes if nobody touches the chip.
	drive(now time.Duration) (next time.Duration, coming bool)
}

var (
	_ drivers.EdgeStamper = (*Pin)(nil)
	_ drivers.LevelReader = (*Pin)(nil)
)

// SetFail makes the line refuse every later Out with err; nil repairs it.
func (p *Pin) SetFail(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fail = err
}

// Drive sets the level from outside, as a switch wired to an input does.
func (p *Pin) Drive(l gpio.Level) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.level = l
}

// String implements conn.Resource.
func (p *Pin) String() string { return p.name }

// Halt implements conn.Resource.
func (p *Pin) Halt() error { return nil }

// Name implements pin.Pin.
func (p *Pin) Name() string { return p.name }

// Number implements pin.Pin.
func (p *Pin) Number() int { return p.number }

// Function implements pin.Pin.
func (p *Pin) Function() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.output {
		return "Out/" + p.level.String()
	}
	return "In/" + p.level.String()
}

// In implements gpio.PinIn. Edges that came before are forgotten.
func (p *Pin) In(gpio.Pull, gpio.Edge) error {
	if p.is(absent) {
		return syscall.ENODEV
	}
	if p.drive != nil {
		p.drive.drive(p.clock.Now())
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.output, p.queue = false, p.queue[:0]
	return nil
}

// Read implements gpio.PinIn. As periph's, it says low where the line can not be
// read.
func (p *Pin) Read() gpio.Level {
	l, err := p.Level()
	return l && gpio.Level(err == nil)
}

// Level implements drivers.LevelReader.
func (p *Pin) Level() (gpio.Level, error) {
	wait(p.clock, p)
	switch {
	case p.is(absent):
		return gpio.Low, syscall.ENODEV
	case p.refuses():
		return gpio.Low, syscall.EIO
	case p.is(busLow):
		return gpio.Low, nil
	}
	p.mu.Lock()
	level := p.level
	p.mu.Unlock()
	var turned [1]byte
	p.noise(turned[:])
	return level != gpio.Level(turned[0]&1 != 0), nil
}

// pinQueue is how many edges are kept, as many as drivers/host asks of the kernel.
const pinQueue = 64

// push notes an edge. The oldest is lost where there is no room.
func (p *Pin) push(at time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.queue) == pinQueue {
		p.queue = append(p.queue[:0], p.queue[1:]...)
	}
	p.queue = append(p.queue, at)
}

// Spark makes an edge that no chip made, as a disturbance does.
func (p *Pin) Spark() { p.push(p.clock.Now()) }

func (p *Pin) pop() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.queue) == 0 {
		return false
	}
	p.edge = p.queue[0]
	p.queue = append(p.queue[:0], p.queue[1:]...)
	return true
}

// WaitForEdge implements gpio.PinIn for the edges of a chip that drives the
// line; without one no edge ever comes. With a time-out other than 0 only
// goroutines of the clock may call it.
func (p *Pin) WaitForEdge(timeout time.Duration) bool {
	if p.drive == nil {
		return p.pop()
	}
	begun := p.clock.Now()
	for {
		now := p.clock.Now()
		next, coming := p.drive.drive(now)
		if p.pop() {
			return true
		}
		end := begun + timeout
		if timeout == 0 || timeout > 0 && now >= end || !coming && timeout < 0 {
			return false
		}
		if coming && (timeout < 0 || next < end) {
			end = next
		}
		if p.clock.SleepUntil(context.Background(), end) != nil {
			return false
		}
	}
}

// EdgeAt implements drivers.EdgeStamper.
func (p *Pin) EdgeAt() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.edge
}

// Pull implements gpio.PinIn.
func (p *Pin) Pull() gpio.Pull { return gpio.PullNoChange }

// DefaultPull implements gpio.PinIn.
func (p *Pin) DefaultPull() gpio.Pull { return gpio.PullNoChange }

// PWM implements gpio.PinOut. A line with a wave on it counts as high.
func (p *Pin) PWM(duty gpio.Duty, f physic.Frequency) error {
	if duty <= 0 || duty > gpio.DutyMax || f <= 0 {
		return errors.New("emulated: no such wave")
	}
	if err := p.Out(gpio.High); err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.tone = f
	return nil
}

// Tone is the frequency of the wave on the line, 0 if there is none.
func (p *Pin) Tone() physic.Frequency {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.tone
}

// Out implements gpio.PinOut.
func (p *Pin) Out(l gpio.Level) error {
	p.mu.Lock()
	if p.fail != nil {
		defer p.mu.Unlock()
		return p.fail
	}
	changed := p.level != l
	p.level, p.output, p.tone = l, true, 0
	hook := p.OnEdge
	p.mu.Unlock()
	if changed && hook != nil {
		hook(p.clock.Now(), l)
	}
	return nil
}
