package bench

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

const (
	// soundTick is how often a sounding output is served; drivers.Sounder asks for
	// 20 ms at most.
	soundTick = 10 * time.Millisecond
	// openEvery is how often an output that could not be opened is tried again.
	openEvery = time.Second
	// soundHung is how long a call to an output may take before it is said to hang.
	soundHung = time.Second
)

// Output is one thing that makes alarms heard or seen. Several are independent:
// one that fails or hangs never keeps another from sounding.
type Output struct {
	Name string // "buzzer on GPIO18", for messages
	// Open opens it. It is called again until it gives a sounder, which may come
	// with an error and go on trying by itself.
	Open func() (drivers.Sounder, error)
}

// sound lets the outputs follow the alarms. The engine says which pattern; each
// output has a goroutine of its own that opens it, keeps the beat and closes it, so
// that a call that does not come back holds up neither frames nor another output.
type sound struct {
	clock clock.Clock
	want  atomic.Pointer[drivers.Pattern]
	outs  []*output
}

type output struct {
	Output
	calls clock.Calls // of its goroutine, until it is closed

	// Owned by its goroutine.
	dev     drivers.Sounder
	applied *drivers.Pattern
	retry   time.Duration

	mu  sync.Mutex
	err error
}

var errHangs = errors.New("a call to it does not come back")

func newSound(outs []Output, c clock.Clock) *sound {
	s := &sound{clock: c}
	for _, o := range outs {
		s.outs = append(s.outs, &output{Output: o})
	}
	return s
}

func (o *output) tell(err error) {
	o.mu.Lock()
	o.err = err
	o.mu.Unlock()
}

// failure is why the output does not work, nil if it does.
func (o *output) failure(now time.Duration) error {
	if o.calls.Hang(now, soundHung) {
		return errHangs
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.err
}

// serve brings the output up to the pattern p.
func (o *output) serve(p *drivers.Pattern, now time.Duration) {
	o.calls.Begin(now)
	defer o.calls.End()
	if o.dev == nil {
		if now < o.retry {
			return
		}
		dev, err := o.Open()
		o.dev, o.retry = dev, now+openEvery
		o.tell(err)
		if o.dev == nil {
			return
		}
	}
	if p != o.applied {
		o.applied = p
		if err := o.dev.Set(p); err != nil {
			o.tell(err)
			return
		}
	} else if p == nil && !o.failed() {
		return
	}
	o.tell(o.dev.Tick(now))
}

func (o *output) failed() bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.err != nil
}

// set changes the pattern. The outputs change within a soundTick.
func (s *sound) set(p *drivers.Pattern) { s.want.Store(p) }

// start keeps the beat until ctx ends; then the outputs are silenced and closed.
func (s *sound) start(ctx context.Context) {
	for _, o := range s.outs {
		s.clock.Go(func() {
			for {
				o.serve(s.want.Load(), s.clock.Now())
				if s.clock.SleepUntil(ctx, s.clock.Now()+soundTick) != nil {
					break
				}
			}
			o.calls.Begin(s.clock.Now())
			if o.dev != nil {
				o.tell(o.dev.Close())
			}
			o.calls.End()
			o.calls.Close()
		})
	}
}

// wait waits until the outputs are closed, for at most soundHung after the call
// that an output hangs in began; one that hangs for good is left behind, and said
// so. It gives what went wrong in closing the others.
func (s *sound) wait(log *slog.Logger) error {
	var all []*clock.Calls
	for _, o := range s.outs {
		all = append(all, &o.calls)
	}
	clock.Await(s.clock, soundHung, all...)
	var errs []error
	for _, o := range s.outs {
		if !o.calls.Closed() {
			log.Error("an output hangs and is left behind as it is", "output", o.Name,
				"do", "check its line and wiring; it may go on sounding until the board is switched off")
			continue
		}
		if err := o.failure(0); err != nil && o.dev != nil {
			errs = append(errs, fmt.Errorf("closing %s: %w", o.Name, err))
		}
	}
	return errors.Join(errs...)
}
