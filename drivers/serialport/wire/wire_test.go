package wire

import (
	"errors"
	"io/fs"
	"syscall"
	"testing"
	"time"

	"tipoff/drivers/clock"
	"tipoff/drivers/serialport"
)

func TestLine(t *testing.T) {
	c := clock.NewVirtual(time.Time{}, 0)
	l := &Line{Clock: c, ByteTime: time.Millisecond, Delay: 5 * time.Millisecond,
		Answer: func(q []byte) []byte { return append([]byte("re "), q...) }}
	if _, err := l.Read(make([]byte, 1)); !errors.Is(err, fs.ErrClosed) {
		t.Errorf("before it is opened: %v", err)
	}
	if _, err := l.Opener("", serialport.Mode{}); err != nil {
		t.Fatal(err)
	}
	end := make(chan struct{})
	c.Go(func() {
		defer close(end)
		b := make([]byte, 8)
		if _, err := l.Write([]byte("ab")); err != nil {
			t.Error(err)
		}
		// Two bytes out, 5 ms, then a byte each millisecond: "re ab" is whole
		// after 12 ms, and its first byte there after 8.
		if n, err := l.Read(b); n != 0 || err != nil {
			t.Errorf("at once: %d, %v", n, err)
		}
		if err := l.SetTimeout(50 * time.Millisecond); err != nil {
			t.Error(err)
		}
		got := ""
		for len(got) < 5 {
			n, err := l.Read(b)
			if err != nil || n == 0 {
				t.Errorf("%q then %d, %v", got, n, err)
				return
			}
			if got == "" && c.Now() != 8*time.Millisecond {
				t.Errorf("first byte at %v", c.Now())
			}
			got += string(b[:n])
		}
		if got != "re ab" || c.Now() != 12*time.Millisecond {
			t.Errorf("%q at %v", got, c.Now())
		}
		if n, err := l.Read(b); n != 0 || err != nil || c.Now() != 62*time.Millisecond {
			t.Errorf("nothing more: %d, %v at %v", n, err, c.Now())
		}
		l.Do(func(l *Line) { l.Gone = syscall.EIO })
		if _, err := l.Write(b); !errors.Is(err, syscall.EIO) {
			t.Errorf("pulled out: %v", err)
		}
	})
	<-end
}
