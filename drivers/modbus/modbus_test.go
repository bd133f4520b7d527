package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"syscall"
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
	"tipoff/drivers/serialport/wire"
)

const ms = time.Millisecond

var ctx = context.Background()

// meter is a model of a device: registers, and how it frames.
type meter struct {
	unit  byte
	tcp   bool
	regs  map[uint16]uint16
	wrong func(reply []byte) []byte // spoils replies
	buf   []byte
	asked int
}

func (m *meter) answer(q []byte) []byte {
	var id uint16
	if m.tcp {
		id = binary.BigEndian.Uint16(q)
		q = q[6:]
	} else {
		if crc(q[:len(q)-2]) != binary.LittleEndian.Uint16(q[len(q)-2:]) {
			return nil
		}
		q = q[:len(q)-2]
	}
	if q[0] != m.unit {
		return nil
	}
	m.asked++
	reg, n := binary.BigEndian.Uint16(q[2:]), binary.BigEndian.Uint16(q[4:])
	m.buf = append(m.buf[:0], q[1], byte(2*n))
	for i := range n {
		v, ok := m.regs[reg+i]
		if !ok {
			m.buf = append(m.buf[:0], q[1]|0x80, 2)
			break
		}
		m.buf = binary.BigEndian.AppendUint16(m.buf, v)
	}
	var f []byte
	if m.tcp {
		f = tcp(id, m.unit, m.buf)
	} else {
		f = rtu(m.unit, m.buf)
	}
	if m.wrong != nil {
		f = m.wrong(f)
	}
	return f
}

// channel is one channel's options: "register", "5", …
func channel(name string, kv ...string) drivers.InputConfig {
	ic := drivers.InputConfig{Input: name, Options: map[string]string{"period": "100 ms"}}
	for i := 0; i < len(kv); i += 2 {
		ic.Options[kv[i]] = kv[i+1]
	}
	return ic
}

func config(address string, in ...drivers.InputConfig) drivers.Config {
	return drivers.Config{Bus: "/dev/serial/by-id/usb-adapter", Address: address, Inputs: in}
}

type rig struct {
	*testing.T
	clock *clock.Virtual
	line  *wire.Line
	dev   drivers.Source
	dst   []drivers.Sample
}

// with runs f with a device on a line at 9600 baud.
func with(t *testing.T, m *meter, cfg drivers.Config, f func(r *rig)) {
	t.Helper()
	drivertest.OnClock(func(c *clock.Virtual) {
		line := &wire.Line{Clock: c, ByteTime: defaultMode.ByteTime(), Answer: m.answer, Delay: 5 * ms}
		d := driver(m.tcp, line.Opener)
		if m.tcp {
			cfg.Bus = "192.0.2.7:502"
			line.ByteTime = 0
		}
		src, err := d.Open(nil, c, cfg)
		if err != nil {
			t.Error(err)
			return
		}
		defer src.Close()
		f(&rig{T: t, clock: c, line: line, dev: src, dst: make([]drivers.Sample, 512)})
	})
}

// run reads for a time as the sampler does, and gives what came.
func (r *rig) run(d time.Duration) (all []drivers.Sample, last error) {
	end := r.clock.Now() + d
	for r.clock.Now() < end {
		begin := r.clock.Now()
		n, next, err := r.dev.Read(ctx, r.dst)
		if took := r.clock.Now() - begin; took > 210*ms {
			r.Errorf("a Read took %v", took)
		}
		all = append(all, r.dst[:n]...)
		if err != nil {
			last = err
		}
		_ = r.clock.SleepUntil(ctx, max(next, r.clock.Now()+ms))
	}
	return all, last
}

func TestReads(t *testing.T) {
	for _, isTCP := range []bool{false, true} {
		m := &meter{unit: 1, tcp: isTCP, regs: map[uint16]uint16{0: 1234, 7: 0x8000, 20: 0, 21: 0xC020, 30: 0x7FC0, 31: 0}}
		with(t, m, config("1",
			channel("pressure", "register", "0", "unit", "Torr", "scale", "0.01"),
			channel("rail", "register", "7", "type", "s16", "function", "input"),
			channel("swapped", "register", "20", "type", "f32", "word_order", "little", "unit", "mV"),
			channel("nan", "register", "30", "type", "f32"),
		), func(r *rig) {
			if err := r.dev.Start(ctx); err != nil {
				t.Error(err)
				return
			}
			want := []drivers.Sample{{Raw: 1234}, {Raw: -32768, Fault: drivers.Clipped}, {Raw: -2.5}, {Fault: drivers.Missing}}
			count := [4]int{}
			last := [4]time.Duration{-1, -1, -1, -1}
			all, err := r.run(5 * time.Second)
			if err != nil {
				t.Error(err)
			}
			for _, s := range all {
				w := want[s.Input]
				if s.Fault != w.Fault || s.Fault != drivers.Missing && s.Raw != w.Raw {
					t.Errorf("input %d: %v, %v; want %v, %v", s.Input, s.Raw, s.Fault, w.Raw, w.Fault)
				}
				if s.At <= last[s.Input] || s.At > r.clock.Now() {
					t.Errorf("stamp %v after %v", s.At, last[s.Input])
				}
				last[s.Input] = s.At
				count[s.Input]++
			}
			// Four exchanges of some 25 ms fit into 100 ms only just.
			for i, n := range count {
				if n < 35 || n > 51 {
					t.Errorf("input %d: %d readings in 5 s, want about 50", i, n)
				}
			}
			in := r.dev.Inputs()
			if in[0].Kind != drivers.Number || in[0].Scale != 0.01 || in[0].Unit != "Torr" || in[2].Kind != drivers.Voltage || in[2].Scale != 1e-3 {
				t.Errorf("inputs: %+v", in)
			}
		})
	}
}

// The line is silent for 3.5 bytes before each request.
func TestGap(t *testing.T) {
	m := &meter{unit: 1, regs: map[uint16]uint16{0: 1}}
	var end time.Duration
	var line *wire.Line
	with(t, m, config("1", channel("", "register", "0", "period", "20 ms")), func(r *rig) {
		line = r.line
		line.Answer = func(q []byte) []byte {
			if gap := r.clock.Now() - end; end > 0 && gap < defaultMode.ByteTime()*7/2 {
				t.Errorf("a request %v after the last byte of a reply", gap)
			}
			a := m.answer(q)
			end = r.clock.Now() + time.Duration(len(q)+len(a))*line.ByteTime + line.Delay
			return a
		}
		if err := r.dev.Start(ctx); err != nil {
			t.Error(err)
		}
		if all, err := r.run(time.Second); err != nil || len(all) < 20 {
			t.Errorf("%d readings, %v", len(all), err)
		}
	})
}

// Each fault of the line: what is told, that no wrong value passes, and that
// readings are back within 2 s of its end.
func TestFaults(t *testing.T) {
	for name, row := range map[string]struct {
		set   func(l *wire.Line)
		wrong func([]byte) []byte
		want  drivers.Condition
		words string
	}{
		"silent":     {set: func(l *wire.Line) { l.DropEvery = 1 }, want: drivers.NotPresent, words: "no answer"},
		"drops":      {set: func(l *wire.Line) { l.DropEvery = 4 }, want: drivers.Transient, words: "no answer"},
		"late":       {set: func(l *wire.Line) { l.Delay = 250 * ms }, want: drivers.NotPresent, words: "no answer"},
		"cut":        {set: func(l *wire.Line) { l.CutEvery = 3 }, want: drivers.Transient, words: "broke off"},
		"bit flips":  {set: func(l *wire.Line) { l.FlipEvery = 7 }, want: drivers.Transient, words: "the reply"},
		"other unit": {wrong: func(f []byte) []byte { return rtu(9, f[1:len(f)-2]) }, want: drivers.WrongDevice, words: "another device"},
		"refusal":    {wrong: func([]byte) []byte { return rtu(1, []byte{0x83, 2}) }, want: drivers.BadConfig, words: "no such register"},
		"busy":       {wrong: func([]byte) []byte { return rtu(1, []byte{0x83, 6}) }, want: drivers.Transient, words: "busy"},
		"gateway":    {wrong: func([]byte) []byte { return rtu(1, []byte{0x83, 11}) }, want: drivers.NotPresent, words: "gateway"},
		"noise":      {wrong: func([]byte) []byte { return []byte{0, 0xFF, 0xA5} }, want: drivers.Transient, words: "broke off"},
		"unplugged":  {set: func(l *wire.Line) { l.Gone = syscall.EIO }, want: drivers.NotPresent, words: "by-id"},
	} {
		t.Run(name, func(t *testing.T) {
			m := &meter{unit: 1, regs: map[uint16]uint16{0: 4321}}
			with(t, m, config("1", channel("", "register", "0")), func(r *rig) {
				if err := r.dev.Start(ctx); err != nil {
					t.Error(err)
					return
				}
				r.line.Do(func(l *wire.Line) {
					if row.set != nil {
						row.set(l)
					}
					m.wrong = row.wrong
				})
				all, err := r.run(3 * time.Second)
				if name == "unplugged" {
					if err := r.dev.Start(ctx); !errors.Is(err, drivers.NotPresent) {
						t.Errorf("Start while unplugged: %v", err)
					}
				} else if !errors.Is(err, row.want) || !strings.Contains(err.Error(), row.words) {
					t.Errorf("%v, want %q with %q", err, row.want, row.words)
				}
				for _, s := range all {
					if s.Raw != 4321 {
						t.Errorf("%v passes for a reading", s.Raw)
					}
				}
				r.line.Do(func(l *wire.Line) {
					l.DropEvery, l.CutEvery, l.FlipEvery, l.Delay, l.Gone, m.wrong = 0, 0, 0, 5*ms, nil, nil
				})
				if name == "unplugged" {
					if err := r.dev.Start(ctx); err != nil {
						t.Errorf("Start after plugging in: %v", err)
					}
				}
				if all, err := r.run(2 * time.Second); len(all) == 0 {
					t.Errorf("no reading within 2 s: %v", err)
				}
			})
		})
	}
}

// A dead device and a live one on the same port: the live one goes on, and both
// use one opening of the port.
func TestSharedPort(t *testing.T) {
	drivertest.OnClock(func(c *clock.Virtual) {
		m := &meter{unit: 2, regs: map[uint16]uint16{0: 5}}
		line := &wire.Line{Clock: c, ByteTime: defaultMode.ByteTime(), Answer: m.answer}
		d := driver(false, line.Opener)
		var src [2]drivers.Source
		for i, a := range []string{"1", "2"} {
			s, err := d.Open(nil, c, config(a, channel("", "register", "0")))
			if err != nil {
				t.Error(err)
				return
			}
			src[i] = s
		}
		if err := src[0].Start(ctx); !errors.Is(err, drivers.NotPresent) || drivers.HintOf(err) == "" {
			t.Errorf("dead device: %v", err)
		}
		if err := src[1].Start(ctx); err != nil {
			t.Errorf("live device: %v", err)
		}
		if line.Opened != 1 {
			t.Errorf("port opened %d times", line.Opened)
		}
		if err := src[0].Close(); err != nil {
			t.Error(err)
		}
		dst := make([]drivers.Sample, 512)
		_ = c.SleepUntil(ctx, c.Now()+100*ms)
		if n, _, err := src[1].Read(ctx, dst); n != 1 || err != nil {
			t.Errorf("after the other was closed: %d, %v", n, err)
		}
		other := channel("", "register", "0", "baud", "19200")
		if _, err := d.Open(nil, c, config("3", other)); !errors.Is(err, drivers.BadConfig) {
			t.Errorf("another speed on the same port: %v", err)
		}
		for range 2 {
			if err := src[1].Close(); err != nil {
				t.Error(err)
			}
		}
		if _, _, err := src[1].Read(ctx, dst); err == nil {
			t.Error("Read after Close gives no error")
		}
	})
}

// A register that is refused does not stop the others of the device.
func TestOneRefused(t *testing.T) {
	m := &meter{unit: 1, regs: map[uint16]uint16{0: 5}}
	with(t, m, config("1", channel("bad", "register", "99"), channel("good", "register", "0")), func(r *rig) {
		if err := r.dev.Start(ctx); err != nil {
			t.Error(err)
		}
		all, err := r.run(2 * time.Second)
		if len(all) < 15 || !errors.Is(err, Exception(2)) {
			t.Errorf("%d readings, %v", len(all), err)
		}
	})
}

func TestMissingPort(t *testing.T) {
	for err, want := range map[error]drivers.Condition{syscall.ENOENT: drivers.NotPresent, syscall.EACCES: drivers.Permission} {
		with(t, &meter{unit: 1}, config("1", channel("", "register", "0")), func(r *rig) {
			r.line.OpenErr = err
			if got := r.dev.Start(ctx); !errors.Is(got, want) || drivers.HintOf(got) == "" {
				t.Errorf("%v: %v, want %q", err, got, want)
			}
			ended, cancel := context.WithCancel(ctx)
			cancel()
			if got := r.dev.Start(ended); !errors.Is(got, context.Canceled) {
				t.Errorf("cancelled: %v", got)
			}
		})
	}
}

func TestBadConfig(t *testing.T) {
	for name, d := range map[string]drivers.Driver{"rtu": RTU(), "tcp": TCP()} {
		cfg := config("1", channel("", "register", "0"))
		if name == "tcp" {
			cfg.Bus = "192.0.2.7:502"
		}
		if s, err := d.Open(nil, nil, cfg); err != nil {
			t.Errorf("%s: %v", name, err)
		} else if err := s.Close(); err != nil {
			t.Error(err)
		}
		bad := []drivers.Config{{Bus: cfg.Bus}, {Inputs: cfg.Inputs}, {Bus: cfg.Bus, Address: "300", Inputs: cfg.Inputs}, config("1", channel(""))}
		for _, o := range d.Options {
			if o.Key != "unit" { // which calib judges
				bad = append(bad, drivers.Config{Bus: cfg.Bus, Inputs: []drivers.InputConfig{channel("", "register", "0", o.Key, "-1 furlong")}})
			}
			if o.Doc == "" || o.Allowed == "" {
				t.Errorf("%s: option %s is not described", name, o.Key)
			}
		}
		bad = append(bad, drivers.Config{Bus: cfg.Bus, Inputs: []drivers.InputConfig{channel("", "register", "0", "nonsense", "1")}})
		for _, c := range bad {
			if _, err := d.Open(nil, nil, c); !errors.Is(err, drivers.BadConfig) || !strings.Contains(err.Error(), "allowed") && len(c.Inputs) > 0 {
				t.Errorf("%s %+v: %v", name, c, err)
			}
		}
	}
}

// again tries f until it is content: on a real connection a driver waits for a while
// by the machine's clock, and a process that is held up for longer than that has done
// nothing wrong. What can never pass fails in the end.
func again(t *testing.T, f func() error) {
	t.Helper()
	var err error
	for range 100 {
		if err = f(); err == nil {
			return
		}
	}
	t.Fatalf("a hundred times, at last: %v", err)
}

// A real connection: replies, and what happens when the other side hangs up.
func TestTCP(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Skip(err)
	}
	defer ln.Close()
	done := make(chan struct{})
	go func() {
		defer close(done)
		m := &meter{unit: 1, tcp: true, regs: map[uint16]uint16{0: 77}}
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			q := make([]byte, 12)
			for range 2 {
				if _, err := io.ReadFull(c, q); err != nil {
					break
				}
				_, _ = c.Write(tcp(0, 1, unhex(t, "03 02 FFFF"))) // a stale one first
				if _, err := c.Write(m.answer(q)); err != nil {
					break
				}
			}
			c.Close()
		}
	}()
	cfg := config("1", channel("", "register", "0", "period", "20 ms"))
	cfg.Bus = ln.Addr().String()
	src, err := TCP().Open(nil, clock.System{}, cfg)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	dst := make([]drivers.Sample, 512)
	for range 2 {
		again(t, func() error {
			if err := src.Start(ctx); err != nil {
				return err
			}
			n, _, err := src.Read(ctx, dst)
			if err != nil {
				return err
			}
			if n != 1 || dst[0].Raw != 77 {
				t.Fatalf("%d, %v", n, dst[0].Raw)
			}
			src.(*Dev).in[0].due = 0
			if _, _, err := src.Read(ctx, dst); !errors.Is(err, drivers.NotPresent) {
				return fmt.Errorf("hung up: %w", err)
			}
			return nil
		})
	}
	ln.Close()
	<-done
	if err := src.Start(ctx); !errors.Is(err, drivers.NotPresent) || drivers.HintOf(err) == "" {
		t.Errorf("nobody there: %v", err)
	}
}

// subject is a meter on a line, for the battery. It is late by more than the
// driver waits.
func subject(isTCP bool) drivertest.Subject {
	cfg := config("1", channel("", "register", "0"))
	s := drivertest.Subject{
		Driver: RTU(), Config: cfg, FreeText: []string{"input", "unit"}, Late: 250 * ms,
		Stuck: drivers.Transient, Wrong: drivers.BadConfig,
		Rig: func(c clock.Clock) (drivers.Driver, drivertest.Chip) {
			m := emulated.NewMeter(c, isTCP)
			m.Value = func(time.Duration) float64 { return 2250 }
			l := &wire.Line{Clock: c, ByteTime: defaultMode.ByteTime(), Answer: m.Answer}
			if isTCP {
				l.ByteTime = 0
				return TCPOver(l.Opener), drivertest.NewOnLine(m, l, syscall.ECONNRESET, syscall.ECONNREFUSED)
			}
			return RTUOver(l.Opener), drivertest.NewOnLine(m, l, syscall.EIO, syscall.ENOENT)
		},
	}
	if isTCP {
		s.Driver, s.Config.Bus = TCP(), "192.0.2.7:502"
	}
	return s
}

func TestConformance(t *testing.T) {
	for name, isTCP := range map[string]bool{"RTU": false, "TCP": true} {
		t.Run(name, func(t *testing.T) { drivertest.Run(t, subject(isTCP)) })
	}
}

func BenchmarkRTU(b *testing.B) { subject(false).Bench(b) }
func BenchmarkTCP(b *testing.B) { subject(true).Bench(b) }
