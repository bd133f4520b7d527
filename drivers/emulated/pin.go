package emulated

import (
	"errors"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"tipoff/drivers/clock"
)

// Pin is a GPIO line that remembers its level.
type Pin struct {
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
}

var _ gpio.PinIO = (*Pin)(nil)

var errNoPWM = errors.New("emulated: this line has no PWM")

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

// In implements gpio.PinIn.
func (p *Pin) In(gpio.Pull, gpio.Edge) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.output = false
	return nil
}

// Read implements gpio.PinIn.
func (p *Pin) Read() gpio.Level {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.level
}

// WaitForEdge implements gpio.PinIn: no edge ever comes.
func (p *Pin) WaitForEdge(time.Duration) bool { return false }

// Pull implements gpio.PinIn.
func (p *Pin) Pull() gpio.Pull { return gpio.PullNoChange }

// DefaultPull implements gpio.PinIn.
func (p *Pin) DefaultPull() gpio.Pull { return gpio.PullNoChange }

// PWM implements gpio.PinOut.
func (p *Pin) PWM(gpio.Duty, physic.Frequency) error { return errNoPWM }

// Out implements gpio.PinOut.
func (p *Pin) Out(l gpio.Level) error {
	p.mu.Lock()
	if p.fail != nil {
		defer p.mu.Unlock()
		return p.fail
	}
	changed := p.level != l
	p.level, p.output = l, true
	hook := p.OnEdge
	p.mu.Unlock()
	if changed && hook != nil {
		hook(p.clock.Now(), l)
	}
	return nil
}
