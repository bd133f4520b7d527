// Package wire is a serial line in memory with an instrument at its far end. It
// takes the time that a real one takes, on whatever clock it is given, and can
// drop, delay, cut and corrupt what the instrument sends, or be pulled out.
package wire

import (
	"context"
	"io/fs"
	"sync"
	"time"

	"tipoff/drivers/clock"
	"tipoff/drivers/serialport"
)

// Line is the line. Set its fields before it is used, its faults at any time
// with [Line.Do]. Its methods may be called from several goroutines.
type Line struct {
	Clock    clock.Clock
	ByteTime time.Duration // 0: bytes take no time
	// Answer is the instrument: what it sends after hearing q. It may be nil.
	// The bytes are copied.
	Answer func(q []byte) []byte

	Delay      time.Duration // before the first byte of an answer
	DropEvery  int           // each n-th answer is lost, 1: all of them
	FlipEvery  int           // each n-th byte has a bit flipped
	CutEvery   int           // each n-th answer loses its second half
	Gone       error         // reading and writing fail with it
	OpenErr    error         // opening fails with it
	Opened     int           // how often the port has been opened
	answers    int
	bytes      int
	timeout    time.Duration
	mu         sync.Mutex
	queue      []byte
	arrival    []time.Duration
	lastByteAt time.Duration
	open       bool
}

var _ serialport.Port = (*Line)(nil)

// Opener gives the line to whoever opens a port.
func (l *Line) Opener(string, serialport.Mode) (serialport.Port, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.OpenErr != nil {
		return nil, l.OpenErr
	}
	l.Opened++
	l.open = true
	return l, nil
}

// Do calls f while nobody uses the line, to change its faults.
func (l *Line) Do(f func(l *Line)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f(l)
}

// Send is the instrument sending by itself.
func (l *Line) Send(b []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.send(b, 0)
}

func (l *Line) send(b []byte, delay time.Duration) {
	l.answers++
	if l.DropEvery > 0 && l.answers%l.DropEvery == 0 {
		return
	}
	if l.CutEvery > 0 && l.answers%l.CutEvery == 0 {
		b = b[:len(b)/2]
	}
	at := max(l.Clock.Now()+delay, l.lastByteAt)
	for _, c := range b {
		at += l.ByteTime
		l.bytes++
		if l.FlipEvery > 0 && l.bytes%l.FlipEvery == 0 {
			c ^= 1 << (l.bytes / l.FlipEvery % 8)
		}
		l.queue = append(l.queue, c)
		l.arrival = append(l.arrival, at)
	}
	l.lastByteAt = at
}

// Write implements serialport.Port.
func (l *Line) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.fault(); err != nil {
		return 0, err
	}
	if l.Answer != nil {
		if a := l.Answer(p); len(a) > 0 {
			l.send(a, time.Duration(len(p))*l.ByteTime+l.Delay)
		}
	}
	return len(p), nil
}

func (l *Line) fault() error {
	if !l.open {
		return fs.ErrClosed
	}
	return l.Gone
}

// Read implements serialport.Port. On a virtual clock it waits by that clock.
func (l *Line) Read(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.fault(); err != nil {
		return 0, err
	}
	end := l.Clock.Now() + l.timeout
	if l.timeout > 0 {
		wake := end
		if len(l.arrival) > 0 {
			wake = min(wake, l.arrival[0])
		}
		if wake > l.Clock.Now() {
			l.mu.Unlock()
			err := l.Clock.SleepUntil(context.Background(), wake)
			l.mu.Lock()
			if err != nil {
				return 0, err
			}
		}
	}
	n, now := 0, l.Clock.Now()
	for n < len(p) && n < len(l.queue) && l.arrival[n] <= now {
		n++
	}
	copy(p, l.queue[:n])
	// Shifting down keeps the arrays: no allocation for each answer.
	l.queue = l.queue[:copy(l.queue, l.queue[n:])]
	l.arrival = l.arrival[:copy(l.arrival, l.arrival[n:])]
	return n, nil
}

// SetTimeout implements serialport.Port.
func (l *Line) SetTimeout(d time.Duration) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.timeout = d
	return l.fault()
}

// Flush implements serialport.Port.
func (l *Line) Flush() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	n, now := 0, l.Clock.Now()
	for n < len(l.queue) && l.arrival[n] <= now {
		n++
	}
	l.queue = l.queue[:copy(l.queue, l.queue[n:])]
	l.arrival = l.arrival[:copy(l.arrival, l.arrival[n:])]
	return l.fault()
}

// Close implements serialport.Port.
func (l *Line) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.open = false
	return nil
}
