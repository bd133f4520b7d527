package serialgauge

import (
	"context"
	"errors"
	"math"
	"strings"
	"syscall"
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
	"tipoff/drivers/serialport"
	"tipoff/drivers/serialport/wire"
)

const ms = time.Millisecond

var ctx = context.Background()

func config(kv ...string) drivers.Config {
	ic := drivers.InputConfig{Options: map[string]string{}}
	for i := 0; i < len(kv); i += 2 {
		ic.Options[kv[i]] = kv[i+1]
	}
	return drivers.Config{Bus: "/dev/serial/by-id/usb-adapter", Inputs: []drivers.InputConfig{ic}}
}

// asked is a gauge that is asked "PR1\r\n" and answers "0,9.876E+01\r\n".
var asked = config("query", `PR1\r\n`, "pattern", `^0,([-+0-9.E]+)$`, "unit", "Torr", "period", "100 ms", "timeout", "300 ms")

func gauge(q []byte) []byte {
	if string(q) != "PR1\r\n" {
		return []byte("?\r\n")
	}
	return []byte("0,9.876E+01\r\n")
}

type rig struct {
	*testing.T
	clock *clock.Virtual
	line  *wire.Line
	dev   drivers.Source
	dst   []drivers.Sample
}

func with(t *testing.T, cfg drivers.Config, f func(r *rig)) {
	t.Helper()
	drivertest.OnClock(func(c *clock.Virtual) {
		line := &wire.Line{Clock: c, ByteTime: ms, Delay: 5 * ms, Answer: gauge}
		src, err := Over(line.Opener).Open(nil, c, cfg)
		if err != nil {
			t.Error(err)
			return
		}
		defer src.Close()
		f(&rig{T: t, clock: c, line: line, dev: src, dst: make([]drivers.Sample, 512)})
	})
}

// run reads for a time as the sampler does; a device that fails three times in
// a row is started again.
func (r *rig) run(d time.Duration) (all []drivers.Sample, errs []error) {
	end := r.clock.Now() + d
	failures := 3
	for r.clock.Now() < end {
		if failures == 3 {
			if err := r.dev.Start(ctx); err != nil {
				errs = append(errs, err)
				_ = r.clock.SleepUntil(ctx, r.clock.Now()+500*ms)
				continue
			}
			failures = 0
		}
		begin := r.clock.Now()
		n, next, err := r.dev.Read(ctx, r.dst)
		if r.clock.Now() != begin {
			r.Errorf("Read waited %v", r.clock.Now()-begin)
		}
		all = append(all, r.dst[:n]...)
		if err != nil {
			errs = append(errs, err)
			failures++
		} else {
			failures = 0
		}
		_ = r.clock.SleepUntil(ctx, max(next, r.clock.Now()+ms))
	}
	return all, errs
}

func TestAsked(t *testing.T) {
	with(t, asked, func(r *rig) {
		all, errs := r.run(5 * time.Second)
		if len(errs) > 0 {
			t.Error(errs[0])
		}
		if len(all) < 45 || len(all) > 51 {
			t.Errorf("%d readings in 5 s, want 50", len(all))
		}
		last := time.Duration(-1)
		for _, s := range all {
			if s.Raw != 98.76 || s.Fault != 0 || !math.IsNaN(s.Aux) || s.At <= last {
				t.Errorf("%+v", s)
			}
			last = s.At
		}
	})
}

// A gauge that sends by itself; the port is opened in the middle of a line, and
// the rest of that line, "8.5", must not become a reading.
func TestFreeRunning(t *testing.T) {
	with(t, config("pattern", `([0-9.]+) mbar`, "unit", "mbar", "period", "100 ms"), func(r *rig) {
		if err := r.dev.Start(ctx); err != nil {
			t.Error(err)
			return
		}
		r.line.Send([]byte("8.5 mbar\r\nP 12.25 mbar\r\n\r\nP ?? mbar\r\nP 12.50 mb"))
		_ = r.clock.SleepUntil(ctx, r.clock.Now()+200*ms)
		n, _, err := r.dev.Read(ctx, r.dst)
		if n != 1 || err != nil || r.dst[0].Raw != 12.25 {
			t.Errorf("%d, %v, %v", n, r.dst[0], err)
		}
		// The line "P 12.25 mbar\r" ended after 23 bytes of 1 ms; the stamp
		// counts back at 9600 baud, 1.04 ms a byte.
		if at := r.dst[0].At; at > r.clock.Now() || at < r.clock.Now()-200*ms {
			t.Errorf("stamp %v at %v", at, r.clock.Now())
		}
		if n, _, err := r.dev.Read(ctx, r.dst); n != 0 || err != nil {
			t.Errorf("half a line: %d, %v", n, err)
		}
		r.line.Send([]byte("ar\r\nP 13 mbar\r\n"))
		_ = r.clock.SleepUntil(ctx, r.clock.Now()+100*ms)
		n, _, err = r.dev.Read(ctx, r.dst)
		if n != 2 || err != nil || r.dst[0].Raw != 12.5 || r.dst[1].Raw != 13 || r.dst[1].At <= r.dst[0].At {
			t.Errorf("%d, %v, %v", n, r.dst[:2], err)
		}
	})
}

// Silence is reported with a hint, stays reported, and ends with the first
// reading within 2 s.
func TestFaults(t *testing.T) {
	for name, row := range map[string]struct {
		cfg   drivers.Config
		set   func(l *wire.Line)
		want  drivers.Condition
		words string
	}{
		"silent": {asked, func(l *wire.Line) { l.DropEvery = 1 }, drivers.NotPresent, "no answer"},
		"cut":    {asked, func(l *wire.Line) { l.CutEvery = 1 }, drivers.NotPresent, "no answer"},
		// A late answer cannot be told from one to the next question, which is
		// the same; it is taken, stamped when it came.
		"late":      {asked, func(l *wire.Line) { l.Delay = 400 * ms }, drivers.Transient, "answered before"},
		"noise":     {asked, func(l *wire.Line) { l.Answer = func([]byte) []byte { return []byte("\xF1\x80\r\n") } }, drivers.Transient, "pattern"},
		"words":     {asked, func(l *wire.Line) { l.Answer = func([]byte) []byte { return []byte("0,-.E\r\n") } }, drivers.Transient, "not a number"},
		"unplugged": {asked, func(l *wire.Line) { l.Gone, l.OpenErr = syscall.EIO, syscall.ENOENT }, drivers.NotPresent, "by-id"},
		"drops":     {asked, func(l *wire.Line) { l.DropEvery = 5 }, drivers.Transient, "answered before"},
	} {
		t.Run(name, func(t *testing.T) {
			with(t, row.cfg, func(r *rig) {
				if all, errs := r.run(time.Second); len(all) == 0 || len(errs) > 0 {
					t.Errorf("before: %d readings, %v", len(all), errs)
				}
				r.line.Do(row.set)
				_, errs := r.run(6 * time.Second)
				found := false
				for _, err := range errs {
					found = found || errors.Is(err, row.want) && strings.Contains(err.Error(), row.words) && drivers.HintOf(err) != ""
				}
				if !found {
					t.Errorf("%v, want %q with %q", errs, row.want, row.words)
				}
				r.line.Do(func(l *wire.Line) {
					l.DropEvery, l.CutEvery, l.Delay, l.Gone, l.OpenErr, l.Answer = 0, 0, 5*ms, nil, nil, gauge
				})
				if all, errs := r.run(2 * time.Second); len(all) == 0 {
					t.Errorf("no reading within 2 s: %v", errs)
				}
			})
		})
	}
}

// With bytes spoiled on the way, no number of another form is taken, and the
// readings between go on.
func TestBitFlips(t *testing.T) {
	with(t, asked, func(r *rig) {
		r.line.FlipEvery = 37
		all, _ := r.run(20 * time.Second)
		if len(all) < 60 {
			t.Errorf("%d readings", len(all))
		}
	})
}

func TestSilentFreeRunning(t *testing.T) {
	with(t, config("timeout", "1 s"), func(r *rig) {
		_, errs := r.run(10 * time.Second)
		if len(errs) < 5 || !errors.Is(errs[0], drivers.NotPresent) {
			t.Errorf("%v", errs)
		}
		for range 20 {
			r.line.Send([]byte("7.5\n"))
		}
		if all, errs := r.run(2 * time.Second); len(all) == 0 {
			t.Errorf("no reading: %v", errs)
		}
	})
}

func TestMissingPort(t *testing.T) {
	for err, want := range map[error]drivers.Condition{syscall.ENOENT: drivers.NotPresent, syscall.EACCES: drivers.Permission} {
		with(t, asked, func(r *rig) {
			r.line.OpenErr = err
			if got := r.dev.Start(ctx); !errors.Is(got, want) || drivers.HintOf(got) == "" {
				t.Errorf("%v: %v", err, got)
			}
			if _, _, err := r.dev.Read(ctx, r.dst); err == nil {
				t.Error("Read without Start gives no error")
			}
			ended, cancel := context.WithCancel(ctx)
			cancel()
			if got := r.dev.Start(ended); !errors.Is(got, context.Canceled) {
				t.Errorf("cancelled: %v", got)
			}
			for range 2 {
				if err := r.dev.Close(); err != nil {
					t.Error(err)
				}
			}
		})
	}
}

func TestBadConfig(t *testing.T) {
	for _, kv := range [][2]string{
		{"query", `\q`}, {"query", `\x1`}, {"query", strings.Repeat("a", 65)}, {"query", `a\`},
		{"pattern", "("}, {"pattern", "[0-9]+"}, {"pattern", "(a)(b)"}, {"pattern", "(?P<value>a)(b)"}, {"pattern", "(?P<exponent>a)"}, {"terminator", `\`}, {"terminator", "123456789"},
		{"scale", "0"}, {"scale", "NaN"}, {"period", "1"}, {"period", "1 h"}, {"timeout", "-1 s"},
		{"baud", "fast"}, {"data_bits", "9"}, {"parity", "mark"}, {"stop_bits", "1.5"}, {"nonsense", "1"},
	} {
		_, err := Driver().Open(nil, nil, config(kv[0], kv[1]))
		if !errors.Is(err, drivers.BadConfig) || !strings.Contains(err.Error(), "allowed") || !strings.Contains(err.Error(), kv[0]) {
			t.Errorf("%v: %v", kv, err)
		}
	}
	if _, err := Driver().Open(nil, nil, drivers.Config{}); !errors.Is(err, drivers.BadConfig) {
		t.Errorf("no input: %v", err)
	}
	for _, o := range Driver().Options {
		if o.Doc == "" || o.Allowed == "" {
			t.Errorf("option %s is not described", o.Key)
		}
	}
}

// What a line says, by hand; the last rows are of instruments that write 1.23·10⁻³
// without the letter E (common practice among older gauges), and of a byte that
// the kernel has made 0 because its parity was wrong.
func TestParse(t *testing.T) {
	const split = `^(?P<value>[0-9.]+)(?P<exponent>[-+][0-9]+)$`
	for _, row := range []struct {
		pattern, line string
		want          float64
		err           error
	}{
		{`^0,([-+0-9.E]+)$`, "0,8.3400E-03", 8.34e-3, nil},
		{`^0,([-+0-9.E]+)$`, "2,8.3400E-03", 0, errPattern},
		{`^P=([^ ]*) Torr$`, "P= Torr", 0, errPattern},
		{`^P=([^ ]*) Torr$`, "P=1,5 Torr", 0, errNumber},
		{`^P=([^ ]*) Torr$`, "P=NaN Torr", 0, errNumber},
		{`^P=(?P<value>[^ ]*) Torr$`, "P=-1.5 Torr", -1.5, nil},
		{split, "1.23-3", 1.23e-3, nil},
		{split, "760+0", 760, nil},
		{split, "1.23", 0, errPattern},
		{`^(?P<exponent>[-+][0-9]+) (?P<value>[0-9.]+)$`, "-03 9.99", 9.99e-3, nil},
		{`^(?P<value>[0-9.]+)(?P<exponent>[-+][0-9]+)?$`, "1.23", 0, errNumber},
		{`([0-9.]+)`, "1.2\x005", 0, errSpoilt},
	} {
		src, err := openDev(nil, nil, config("pattern", row.pattern))
		if err != nil {
			t.Errorf("%s: %v", row.pattern, err)
			continue
		}
		got, err := src.(*Dev).parse([]byte(row.line))
		if got != row.want || !errors.Is(err, row.err) {
			t.Errorf("%s in %q: %v, %v; want %v, %v", row.pattern, row.line, got, err, row.want, row.err)
		}
	}
	d, err := openDev(nil, nil, config("pattern", split))
	if err != nil {
		t.Fatal(err)
	}
	line := []byte("1.23-3")
	if n := testing.AllocsPerRun(100, func() { _, _ = d.(*Dev).parse(line) }); n != 0 {
		t.Errorf("%v allocations for a value and its exponent", n)
	}
}

func TestUnescape(t *testing.T) {
	for in, want := range map[string]string{`PR1\r\n`: "PR1\r\n", `\x1bA\x0D`: "\x1bA\r", `\\x`: `\x`, `\t\"`: "\t\"", "": ""} {
		if got, err := unescape(in); err != nil || string(got) != want {
			t.Errorf("%q: %q, %v, want %q", in, got, err, want)
		}
	}
}

// However the bytes are cut into pieces, the same lines come out, and none is
// longer than allowed or holds its end.
func FuzzLines(f *testing.F) {
	f.Add([]byte("P 1.5\r\nP 2\r\n"), "", 3)
	f.Add([]byte("\x03\x02abc\x03"), "\x03", 1)
	f.Add([]byte(strings.Repeat("9", 300)+"\n1\n"), "\n", 7)
	f.Add([]byte("aabab\r\r\n"), "\r\n", 2)
	d, err := openDev(nil, clock.System{}, config())
	if err != nil {
		f.Fatal(err)
	}
	dev := d.(*Dev)
	f.Fuzz(func(t *testing.T, data []byte, end string, _ int) {
		if len(end) > 8 {
			return
		}
		var l lineBuffer
		for _, c := range data {
			line, ok := l.add(c, []byte(end))
			if !ok {
				continue
			}
			if len(line) == 0 || len(line) > maxLine || end != "" && strings.Contains(string(line), end) {
				t.Errorf("line %q", line)
			}
			if !strings.Contains(string(data), string(line)) {
				t.Errorf("line %q was not sent", line)
			}
			if v, err := dev.parse(line); err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
				t.Errorf("%q gives %v", line, v)
			}
		}
	})
}

func FuzzUnescape(f *testing.F) {
	for _, s := range []string{`PR1\r\n`, `\x1b`, `\`, `\x`, `\xg0`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		out, err := unescape(s)
		if err == nil && len(out) > len(s) {
			t.Errorf("%q grew to %q", s, out)
		}
	})
}

// byItself is a line whose instrument sends by itself: what is due is sent when
// somebody looks, which comes to the same.
type byItself struct {
	*wire.Line
	gauge *emulated.TextGauge
	every time.Duration
	due   time.Duration
	limit time.Duration
}

func (b *byItself) opener(name string, m serialport.Mode) (serialport.Port, error) {
	if _, err := b.Line.Opener(name, m); err != nil {
		return nil, err
	}
	return b, nil
}

// SetTimeout implements serialport.Port.
func (b *byItself) SetTimeout(d time.Duration) error { b.limit = d; return b.Line.SetTimeout(d) }

// Read implements serialport.Port.
func (b *byItself) Read(p []byte) (int, error) {
	now := b.Clock.Now()
	for ; b.due <= now; b.due += b.every {
		if a := b.gauge.Answer(nil); now-b.due < b.every && len(a) > 0 {
			b.Send(a)
		}
	}
	if err := b.Line.SetTimeout(min(b.limit, b.due-now)); err != nil {
		return 0, err
	}
	return b.Line.Read(p)
}

// subject is a gauge whose line has parity bits, asked or free-running. It is
// late by more than the driver waits.
func subject(free bool) drivertest.Subject {
	const query = "PR1\r"
	kv := []string{"pattern", `^P=([-+0-9.E]+)$`, "unit", "Torr", "period", "100 ms", "timeout", "150 ms", "parity", "even", "data_bits", "7"}
	if !free {
		kv = append(kv, "query", `PR1\r`)
	}
	return drivertest.Subject{
		Driver: Driver(), Config: config(kv...), FreeText: []string{"query", "unit"}, Late: 400 * ms,
		Stuck: drivers.NotPresent, Wrong: drivers.Transient, Near: 0,
		Rig: func(c clock.Clock) (drivers.Driver, drivertest.Chip) {
			g := emulated.NewTextGauge(c, query)
			g.Parity = true
			g.Value = func(time.Duration) float64 { return 98.76 }
			l := &wire.Line{Clock: c, ByteTime: ms, Answer: g.Answer}
			open := l.Opener
			if free {
				l.Answer, g.Query = nil, ""
				open = (&byItself{Line: l, gauge: g, every: 100 * ms}).opener
			}
			return Over(open), drivertest.NewOnLine(g, l, syscall.EIO, syscall.ENOENT)
		},
	}
}

func TestConformance(t *testing.T) {
	for name, free := range map[string]bool{"asked": false, "free-running": true} {
		t.Run(name, func(t *testing.T) { drivertest.Run(t, subject(free)) })
	}
}

func BenchmarkAsked(b *testing.B)       { subject(false).Bench(b) }
func BenchmarkFreeRunning(b *testing.B) { subject(true).Bench(b) }
