package drivertest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/serialport"
)

// Exchange is what goes over a line once: a question and its answer. Without a
// question the instrument sends by itself.
type Exchange struct{ Ask, Answer []byte }

// PlayLine lets a driver start, read count samples and close on a line that plays
// exchanges back. over makes the driver that opens its lines so. It fails unless
// the driver asks these questions and no others, on a line of this mode (the zero
// mode: whatever it asks for).
func PlayLine(t *testing.T, over func(serialport.Opener) drivers.Driver, cfg drivers.Config, mode serialport.Mode, list []Exchange, count int) []drivers.Sample {
	t.Helper()
	line := &exchanges{list: list}
	d := over(func(_ string, m serialport.Mode) (serialport.Port, error) {
		if mode != (serialport.Mode{}) && m != mode {
			return nil, fmt.Errorf("opened with %v instead of %v", m, mode)
		}
		return line, nil
	})
	return play(t, d, cfg, tape{}, func(c clock.Clock) { line.clock = c }, count)
}

type exchanges struct {
	clock   clock.Clock
	list    []Exchange
	left    []byte // of the answer
	timeout time.Duration
}

// Write implements serialport.Port.
func (e *exchanges) Write(p []byte) (int, error) {
	if len(e.list) == 0 || !bytes.Equal(p, e.list[0].Ask) {
		return 0, fmt.Errorf("% X was asked, next in the recording is %+q", p, e.list[:min(len(e.list), 1)])
	}
	e.left, e.list = e.list[0].Answer, e.list[1:]
	return len(p), nil
}

// Read implements serialport.Port.
func (e *exchanges) Read(p []byte) (int, error) {
	if len(e.left) == 0 && len(e.list) > 0 && len(e.list[0].Ask) == 0 {
		e.left, e.list = e.list[0].Answer, e.list[1:]
	}
	if len(e.left) == 0 && e.timeout > 0 {
		return 0, e.clock.SleepUntil(context.Background(), e.clock.Now()+e.timeout)
	}
	n := copy(p, e.left)
	e.left = e.left[n:]
	return n, nil
}

// SetTimeout implements serialport.Port.
func (e *exchanges) SetTimeout(d time.Duration) error { e.timeout = d; return nil }

// Flush implements serialport.Port.
func (e *exchanges) Flush() error { e.left = nil; return nil }

// Close implements serialport.Port: it tells of what was not asked.
func (e *exchanges) Close() error {
	if len(e.list) > 0 {
		return fmt.Errorf("%d exchanges are left", len(e.list))
	}
	return nil
}

// PlayPin lets a driver start, read count samples and close on a line that plays
// levels back, one for each look. It fails unless the driver looks that often and
// asks for that pull. (Periph's gpiotest needs a library for which there is no
// other use here.)
func PlayPin(t *testing.T, d drivers.Driver, cfg drivers.Config, pull gpio.Pull, list []gpio.Level, count int) []drivers.Sample {
	t.Helper()
	return play(t, d, cfg, tape{pin: &levels{PinIO: gpio.INVALID, want: pull, list: list}}, nil, count)
}

type levels struct {
	gpio.PinIO
	want gpio.Pull
	list []gpio.Level
	err  error
}

// In implements gpio.PinIn.
func (l *levels) In(pull gpio.Pull, edge gpio.Edge) error {
	if pull != l.want || edge != gpio.NoEdge {
		return fmt.Errorf("asked for %v and %v, want %v and no edges", pull, edge, l.want)
	}
	return nil
}

// Read implements gpio.PinIn.
func (l *levels) Read() gpio.Level {
	if len(l.list) == 0 {
		l.err = errors.New("looked at more often than was recorded")
		return gpio.Low
	}
	now := l.list[0]
	l.list = l.list[1:]
	return now
}

// Halt implements conn.Resource.
func (l *levels) Halt() error {
	if len(l.list) > 0 {
		return fmt.Errorf("%d levels were not looked at", len(l.list))
	}
	return l.err
}

// Pin implements drivers.Ports.
func (p tape) Pin(string) (gpio.PinIO, error) {
	if p.pin == nil {
		return nil, fs.ErrNotExist
	}
	return p.pin, nil
}
