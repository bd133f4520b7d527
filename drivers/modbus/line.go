package modbus

import (
	"context"
	"errors"
	"net"
	"os"
	"sync"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/serialport"
)

// flushAfter is how long a line stays unused after a bad or missing reply, so
// that a late one is over and can be thrown away before the next request: RTU
// replies do not say which request they answer.
const flushAfter = 20 * time.Millisecond

// line is one port with all devices on it. The goroutine that owns the port
// uses it.
type line struct {
	name string
	tcp  bool
	mode serialport.Mode
	open func(ctx context.Context) (serialport.Port, error)

	port  serialport.Port // nil: not open
	users int             // sources that are not closed; pool.mu
	free  time.Duration   // not to be used before
	id    uint16          // last TCP transaction
	buf   [maxFrame + 4]byte
	ask   [16]byte
}

// gap is the silence between frames: 3.5 bytes, and a fixed 1.75 ms over 19200
// baud (serial line specification, section 2.5.1.1).
func (l *line) gap() time.Duration {
	switch {
	case l.tcp:
		return 0
	case l.mode.Baud > 19200:
		return 1750 * time.Microsecond
	}
	return l.mode.ByteTime() * 7 / 2
}

// lost closes a port that has failed.
func (l *line) lost() {
	if l.port != nil {
		// It has failed already; what closing says adds nothing.
		_ = l.port.Close()
		l.port = nil
	}
}

// exchange sends r and waits for its reply until timeout has passed. The bytes
// are valid until the next exchange, which began at begun and ended at end.
func (l *line) exchange(c clock.Clock, begun time.Duration, r request, timeout time.Duration) (data []byte, end time.Duration, err error) {
	if err := l.port.Flush(); err != nil {
		return nil, begun, portError{err}
	}
	l.id++
	var q []byte
	if l.tcp {
		q = r.appendTCP(l.ask[:0], l.id)
	} else {
		q = r.appendRTU(l.ask[:0])
	}
	if n, err := l.port.Write(q); err != nil {
		return nil, begun, portError{err}
	} else if n != len(q) {
		return nil, begun, portError{errShort}
	}
	data, end, err = l.receive(c, begun, r, begun+timeout)
	l.free = end + l.gap()
	if err != nil && !l.tcp {
		l.free = end + flushAfter
	}
	return data, end, err
}

// receive collects one reply. It asks the clock, which costs a system call, only
// after it has waited.
func (l *line) receive(c clock.Clock, now time.Duration, r request, deadline time.Duration) ([]byte, time.Duration, error) {
	n := 0
	for {
		want := lengthRTU(l.buf[:n])
		if l.tcp {
			want = lengthTCP(l.buf[:n])
		}
		switch {
		case want > maxFrame:
			if l.tcp {
				return nil, now, portError{errProtocol} // where the next frame begins is not known any more
			}
			return nil, now, errCount
		case want > 0 && n >= want && l.tcp:
			data, err := r.parseTCP(l.buf[:want], l.id)
			if !errors.Is(err, errStale) {
				return data, now, err
			}
			n = copy(l.buf[:], l.buf[want:n])
			continue
		case want > 0 && n >= want:
			data, err := r.parseRTU(l.buf[:want])
			return data, now, err
		}
		left := deadline - now
		if left <= 0 {
			if n == 0 {
				return nil, now, serialport.ErrSilent
			}
			return nil, now, errIncomplete
		}
		if err := l.port.SetTimeout(left); err != nil {
			return nil, now, portError{err}
		}
		end := len(l.buf)
		if want > 0 && !l.tcp {
			end = min(end, want) // what follows an RTU frame is not its
		}
		k, err := l.port.Read(l.buf[n:end])
		now = c.Now()
		if err != nil {
			return nil, now, portError{err}
		}
		n += k
	}
}

var errShort = errors.New("not all bytes of the request were taken")

// portError is an error of the port and not of the device.
type portError struct{ error }

// Unwrap gives the port's own error.
func (e portError) Unwrap() error { return e.error }

// pool shares lines among the devices of one driver, by the name of the port.
type pool struct {
	mu    sync.Mutex
	lines map[string]*line
	open  serialport.Opener
}

// take gives the line called name to one more device.
func (p *pool) take(driver, name string, tcp bool, mode serialport.Mode) (*line, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	l := p.lines[name]
	if l == nil {
		l = &line{name: name, tcp: tcp, mode: mode}
		l.open = func(ctx context.Context) (serialport.Port, error) {
			if tcp && p.open == nil {
				return dial(ctx, name)
			}
			return p.open(name, mode)
		}
		p.lines[name] = l
	}
	if err := serialport.Same(driver, "baud", l.mode.String(), mode.String()); err != nil {
		return nil, err
	}
	l.users++
	return l, nil
}

// release gives the line back; the last one closes the port.
func (p *pool) release(l *line) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	l.users--
	if l.users > 0 {
		return nil
	}
	delete(p.lines, l.name)
	if l.port == nil {
		return nil
	}
	port := l.port
	l.port = nil
	return port.Close()
}

// dialTimeout bounds how long a connection may take.
const dialTimeout = 500 * time.Millisecond

func dial(ctx context.Context, address string) (serialport.Port, error) {
	d := net.Dialer{Timeout: dialTimeout}
	c, err := d.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, netError(address, "connecting", err)
	}
	return &conn{c}, nil
}

func netError(device, doing string, err error) *drivers.Error {
	return &drivers.Error{Device: device, Doing: doing, Is: drivers.NotPresent, Err: err,
		Hint: "check the instrument's supply, its network cable and the address in bench.toml"}
}

// conn fits a TCP connection to serialport.Port.
type conn struct{ net.Conn }

// SetTimeout implements serialport.Port. The kernel waits by its own clock.
func (c *conn) SetTimeout(d time.Duration) error { return c.SetDeadline(time.Now().Add(d)) }

// Flush implements serialport.Port: transaction numbers tell replies apart.
// It also bounds the write that follows.
func (c *conn) Flush() error { return c.SetDeadline(time.Now().Add(dialTimeout)) }

// Read implements serialport.Port.
func (c *conn) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = nil
	}
	return n, err
}
