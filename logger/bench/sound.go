package bench

import (
	"context"
	"sync"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

// soundTick is how often a sounding output is served; drivers.Sounder asks for
// 20 ms at most.
const soundTick = 10 * time.Millisecond

// sound lets the sounder follow the alarms. The engine sets the pattern; a
// goroutine of its own keeps the beat, so that pulses do not wait for frames.
type sound struct {
	clock clock.Clock
	out   drivers.Sounder // nil: there is none

	mu      sync.Mutex
	pattern *drivers.Pattern
	err     error
}

func newSound(out drivers.Sounder, c clock.Clock) *sound { return &sound{clock: c, out: out} }

// set changes the pattern. The output changes before set returns: this is the
// last step from sample to sound.
func (s *sound) set(p *drivers.Pattern, now time.Duration) {
	if s.out == nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if p == s.pattern {
		return
	}
	s.pattern = p
	s.err = s.out.Set(p)
	if s.err == nil {
		s.err = s.out.Tick(now)
	}
}

// failure is the output's error, nil if it works.
func (s *sound) failure() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

// name is what the output is called, "" if there is none.
func (s *sound) name() string {
	if s.out == nil {
		return ""
	}
	return s.out.String()
}

// start keeps the beat until ctx ends.
func (s *sound) start(ctx context.Context) <-chan struct{} {
	done := make(chan struct{})
	if s.out == nil {
		close(done)
		return done
	}
	s.clock.Go(func() {
		defer close(done)
		for {
			s.mu.Lock()
			wait := 5 * soundTick
			if s.pattern != nil {
				wait = soundTick
				if err := s.out.Tick(s.clock.Now()); err != nil || s.err != nil {
					s.err = err
				}
			}
			s.mu.Unlock()
			if s.clock.SleepUntil(ctx, s.clock.Now()+wait) != nil {
				return
			}
		}
	})
	return done
}

// close silences the output.
func (s *sound) close() error {
	if s.out == nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.out.Close()
}
