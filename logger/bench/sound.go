package bench

import (
	"context"
	"errors"
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

// Opened is an output that is open already.
func Opened(s drivers.Sounder) Output {
	return Output{Name: s.String(), Open: func() (drivers.Sounder, error) { return s, nil }}
}

// sound lets the outputs follow the alarms. The engine sets the pattern; each
// output has a goroutine of its own that keeps the beat, so that pulses wait
// neither for frames nor for another output.
type sound struct {
	clock clock.Clock
	want  atomic.Pointer[drivers.Pattern]
	outs  []*output
}

type output struct {
	Output
	busy atomic.Int64 // since when a call is under way, negative if none

	use     sync.Mutex // held while the output is called
	dev     drivers.Sounder
	applied *drivers.Pattern
	retry   time.Duration

	mu  sync.Mutex
	err error
}

var errHangs = errors.New("a call to it does not come back")

// newSound opens the outputs. One that is not there does not stop the start.
func newSound(outs []Output, c clock.Clock) *sound {
	s := &sound{clock: c}
	for _, o := range outs {
		out := &output{Output: o}
		out.busy.Store(-1)
		out.tryOpen(c.Now())
		s.outs = append(s.outs, out)
	}
	return s
}

func (o *output) tryOpen(now time.Duration) {
	dev, err := o.Open()
	o.dev, o.retry = dev, now+openEvery
	o.tell(err)
}

func (o *output) tell(err error) {
	o.mu.Lock()
	o.err = err
	o.mu.Unlock()
}

// failure is why the output does not work, nil if it does.
func (o *output) failure(now time.Duration) error {
	if since := o.busy.Load(); since >= 0 && now-time.Duration(since) > soundHung {
		return errHangs
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.err
}

// serve brings the output up to the pattern p. o.use is held.
func (o *output) serve(p *drivers.Pattern, now time.Duration) {
	o.busy.Store(int64(now))
	defer o.busy.Store(-1)
	if o.dev == nil {
		if now < o.retry {
			return
		}
		if o.tryOpen(now); o.dev == nil {
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

// set changes the pattern. The outputs change before set returns, as this is the
// last step from sample to sound; one that is busy follows by itself.
func (s *sound) set(p *drivers.Pattern, now time.Duration) {
	if s.want.Swap(p) == p {
		return
	}
	for _, o := range s.outs {
		if !o.use.TryLock() {
			continue
		}
		if o.dev != nil { // opening is not for the engine's goroutine
			o.serve(p, now)
		}
		o.use.Unlock()
	}
}

// start keeps the beat until ctx ends.
func (s *sound) start(ctx context.Context) <-chan struct{} {
	var all sync.WaitGroup
	for _, o := range s.outs {
		all.Add(1)
		s.clock.Go(func() {
			defer all.Done()
			for {
				p := s.want.Load()
				o.use.Lock()
				o.serve(p, s.clock.Now())
				o.use.Unlock()
				wait := 5 * soundTick
				if p != nil {
					wait = soundTick
				}
				if s.clock.SleepUntil(ctx, s.clock.Now()+wait) != nil {
					return
				}
			}
		})
	}
	done := make(chan struct{})
	go func() {
		all.Wait()
		close(done)
	}()
	return done
}

// close silences the outputs. One that hangs is left behind.
func (s *sound) close() error {
	var errs []error
	for _, o := range s.outs {
		if !o.use.TryLock() {
			errs = append(errs, errHangs)
			continue
		}
		if o.dev != nil {
			errs = append(errs, o.dev.Close())
		}
		o.use.Unlock()
	}
	return errors.Join(errs...)
}
