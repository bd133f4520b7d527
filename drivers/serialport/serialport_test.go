package serialport

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"tipoff/drivers"
	"tipoff/drivers/bus"
)

// pty opens a pseudo-terminal, whose far end the kernel treats as a serial port.
func pty(t *testing.T) (near *os.File, name string) {
	t.Helper()
	f, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	t.Cleanup(func() { f.Close() })
	n, err := unix.IoctlGetInt(int(f.Fd()), unix.TIOCGPTN)
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	if err := unix.IoctlSetPointerInt(int(f.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	return f, "/dev/pts/" + strconv.Itoa(n)
}

func TestPort(t *testing.T) {
	near, name := pty(t)
	p, err := Open(name, Mode{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 2})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if err := p.SetTimeout(0); err != nil {
		t.Fatal(err)
	}
	b := make([]byte, 16)
	if n, err := p.Read(b); n != 0 || err != nil {
		t.Errorf("nothing sent: %d, %v", n, err)
	}
	if err := p.SetTimeout(time.Minute); err != nil { // the bytes are on their way: it ends as they come
		t.Fatal(err)
	}
	// Bytes that a terminal would change must come through as they are.
	const raw = "a\r\n\x03\x11\x00"
	if _, err := near.WriteString(raw); err != nil {
		t.Fatal(err)
	}
	got := ""
	for len(got) < len(raw) {
		n, err := p.Read(b)
		if n == 0 || err != nil {
			t.Fatalf("%q, then %d, %v", got, n, err)
		}
		got += string(b[:n])
	}
	if got != raw {
		t.Errorf("%q, want %q", got, raw)
	}
	if _, err := p.Write([]byte(raw)); err != nil {
		t.Fatal(err)
	}
	if n, err := io.ReadFull(near, b[:len(raw)]); err != nil || string(b[:n]) != raw {
		t.Errorf("%q, %v", b[:n], err)
	}
	if _, err := near.WriteString("old"); err != nil {
		t.Fatal(err)
	}
	if err := p.Flush(); err != nil {
		t.Fatal(err)
	}
	near.Close()
	_, err = p.Read(b)
	if e := Failure("gauge", "reading", err); err == nil || !errors.Is(e, drivers.NotPresent) {
		t.Errorf("far end gone: %v", e)
	}
}

func TestOpenErrors(t *testing.T) {
	m := Mode{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1}
	dir := t.TempDir()
	plain := filepath.Join(dir, "file")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]drivers.Condition{
		filepath.Join(dir, "none"): drivers.NotPresent,
		plain:                      drivers.WrongDevice,
	} {
		if _, err := Open(name, m); !errors.Is(err, want) || drivers.HintOf(err) == "" || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v, want %q", name, err, want)
		}
	}
	if err := Failure("x", "opening", syscall.EACCES); !errors.Is(err, drivers.Permission) || !strings.Contains(err.Hint, "dialout") {
		t.Errorf("%v", err)
	}
	if err := Failure("x", "opening", syscall.EBUSY); !errors.Is(err, drivers.Transient) || err.Hint == "" {
		t.Errorf("%v", err)
	}
}

// At 9600 8N1 a byte is ten bits: 1.0417 ms; with parity and two stop bits it is
// twelve.
func TestByteTime(t *testing.T) {
	if got := (Mode{9600, 8, 'N', 1}).ByteTime(); got != 1041666*time.Nanosecond {
		t.Errorf("%v", got)
	}
	if got := (Mode{1200, 8, 'E', 2}).ByteTime(); got != 10*time.Millisecond {
		t.Errorf("%v", got)
	}
}

func FuzzOptions(f *testing.F) {
	for _, s := range []string{"9600", "0x10", "-1", "1e3", "NaN", "250 ms", "1.5s", "", "even"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		desc := drivers.Driver{Name: "d", Options: append(Options(Mode{9600, 8, 'N', 1}),
			drivers.Option{Key: "whole"}, drivers.Option{Key: "duration"}, drivers.Option{Key: "scale"})}
		for _, k := range []string{"baud", "parity"} {
			o, err := bus.NewOptions(desc, drivers.InputConfig{Options: map[string]string{k: text}})
			if err != nil {
				t.Fatal(err)
			}
			if m, err := ReadMode(o); err == nil && (m.Baud < 50 || m.Baud > 4_000_000 || !strings.ContainsRune("NEO", rune(m.Parity))) {
				t.Errorf("%q gives %v", text, m)
			}
		}
		o, err := bus.NewOptions(desc, drivers.InputConfig{Options: map[string]string{"whole": text, "duration": text, "scale": text}})
		if err != nil {
			t.Fatal(err)
		}
		if n, err := Whole(o, "whole", 3, 9); err == nil && (n < 3 || n > 9) {
			t.Errorf("%q gives %d", text, n)
		}
		if d, err := Duration(o, "duration", time.Second, time.Minute); err == nil && (d < time.Second || d > time.Minute) {
			t.Errorf("%q gives %v", text, d)
		}
		if s, err := Scale(o, "scale"); err == nil && (s == 0 || s != s) {
			t.Errorf("%q gives %v", text, s)
		}
	})
}
