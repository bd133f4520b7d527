package line

import (
	"errors"
	"io/fs"
	"sync"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers"
)

const ms = time.Millisecond

// pin is a line that notes what is done to it. (Periph's gpiotest needs a library
// for which there is no other use here.)
type pin struct {
	gpio.PinIO
	level gpio.Level
	duty  gpio.Duty
	tone  physic.Frequency
	sets  int // calls that set the line
	halts int
	fail  error
}

func (p *pin) Out(l gpio.Level) error {
	p.sets++
	if p.fail == nil {
		p.level, p.duty, p.tone = l, 0, 0
	}
	return p.fail
}

func (p *pin) PWM(d gpio.Duty, f physic.Frequency) error {
	p.sets++
	if p.fail == nil {
		p.duty, p.tone = d, f
	}
	return p.fail
}

func (p *pin) Halt() error { p.halts++; return nil }

// board has this one line.
type board struct{ line *pin }

func (b board) Pin(name string) (gpio.PinIO, error) {
	if name != "gpiochip0/5" {
		return nil, fs.ErrNotExist
	}
	return b.line, nil
}
func (board) I2C(string) (i2c.BusCloser, error)  { return nil, fs.ErrNotExist }
func (board) SPI(string) (spi.PortCloser, error) { return nil, fs.ErrNotExist }

func open(t testing.TB, o Options) (*Dev, *pin) {
	t.Helper()
	p := &pin{PinIO: gpio.INVALID}
	o.What, o.Line, o.Hint = "sounder", "gpiochip0/5", "look at the line"
	d, err := Open(board{p}, o)
	if err != nil {
		t.Fatal(err)
	}
	return d, p
}

// two has pulses from 0 to 100 ms and from 200 to 250 ms, each second.
func two() *drivers.Pattern {
	return &drivers.Pattern{Name: "two", Repeat: time.Second,
		Pulses: []drivers.Pulse{{Length: 100 * ms}, {Start: 200 * ms, Length: 50 * ms}}}
}

// within tells the same by hand.
func within(at time.Duration) bool {
	at %= time.Second
	return at < 100*ms || at >= 200*ms && at < 250*ms
}

// The line follows steady patterns, pulses and a square wave of half duty, high
// or low when on, with its time counted from the first Tick.
func TestFollows(t *testing.T) {
	for name, row := range map[string]struct {
		opt     Options
		pattern *drivers.Pattern
		on      func(at time.Duration) bool
	}{
		"steady":        {Options{}, Steady(), func(time.Duration) bool { return true }},
		"steady, low":   {Options{ActiveLow: true}, Steady(), func(time.Duration) bool { return true }},
		"pulses":        {Options{}, two(), within},
		"pulses, low":   {Options{ActiveLow: true}, two(), within},
		"tone":          {Options{Tone: 2400}, two(), within},
		"steady tone":   {Options{Tone: 2400}, Steady(), func(time.Duration) bool { return true }},
		"its own":       {Options{Own: two()}, Steady(), within},
		"its own, tone": {Options{Own: two(), Tone: 880}, Steady(), within},
	} {
		d, p := open(t, row.opt)
		on := func() bool {
			if row.opt.Tone > 0 {
				if p.tone != 0 && (p.duty != gpio.DutyHalf || p.tone != physic.Frequency(row.opt.Tone)*physic.Hertz) {
					t.Errorf("%s: a wave of %v with duty %v", name, p.tone, p.duty)
				}
				return p.tone != 0
			}
			return bool(p.level) != row.opt.ActiveLow
		}
		if on() {
			t.Errorf("%s: on before there is a pattern", name)
		}
		if err := d.Set(row.pattern); err != nil || !on() {
			t.Errorf("%s: not on at once: %v", name, err)
		}
		const begin = 12345 * ms
		changes, was := 0, true
		for at := time.Duration(0); at < 3*time.Second; at += 10 * ms {
			before := p.sets
			if err := d.Tick(begin + at); err != nil || on() != row.on(at) {
				t.Fatalf("%s at %v: on %v, want %v, %v", name, at, on(), row.on(at), err)
			}
			if on() != was {
				changes, was = changes+1, on()
			} else if p.sets != before {
				t.Errorf("%s at %v: set to what it is", name, at)
			}
		}
		if pulsed := !row.on(150 * ms); pulsed && changes != 11 { // 4 a second, the first is on already
			t.Errorf("%s: %d changes in 3 s, want 11", name, changes)
		}
		if err := d.Set(nil); err != nil || on() {
			t.Errorf("%s: still on: %v", name, err)
		}
		if err := d.Tick(begin + time.Hour); err != nil || on() {
			t.Errorf("%s: on by itself: %v", name, err)
		}
		if err := d.Close(); err != nil || on() || p.halts != 1 {
			t.Errorf("%s: closed: on %v, given back %d times, %v", name, on(), p.halts, err)
		}
	}
}

// A steady pattern has no end and no gap that a shift could meet.
func TestSteady(t *testing.T) {
	for at := time.Duration(0); at < 100*24*time.Hour; at += 7*time.Hour + 11*ms {
		if !Steady().On(at) {
			t.Fatalf("off at %v", at)
		}
	}
}

// Setting the pattern that is set begins nothing anew; another does.
func TestSetAgain(t *testing.T) {
	d, p := open(t, Options{})
	first, second := two(), two()
	step := func(set *drivers.Pattern, now time.Duration, want bool) {
		t.Helper()
		if err := errors.Join(d.Set(set), d.Tick(now)); err != nil || bool(p.level) != want {
			t.Errorf("at %v: on %v, want %v, %v", now, p.level, want, err)
		}
	}
	step(first, 10*ms, true)
	step(first, 130*ms, false)
	step(second, 140*ms, true) // begins here
	step(second, 230*ms, true)
	step(second, 250*ms, false)
	step(nil, 260*ms, false)
	step(second, 400*ms, true)
}

// A line that can not be switched is told each time, as what it is, and switched
// at the next Tick that can.
func TestFailure(t *testing.T) {
	for _, tone := range []float64{0, 2400} {
		d, p := open(t, Options{Tone: tone})
		p.fail = syscall.EBUSY
		for _, err := range []error{d.Set(two()), d.Tick(0), d.Tick(20 * ms)} {
			if !errors.Is(err, drivers.Transient) || !errors.Is(err, syscall.EBUSY) || drivers.HintOf(err) != "look at the line" {
				t.Errorf("tone %v: %v", tone, err)
			}
		}
		p.fail = nil
		if err := d.Tick(40 * ms); err != nil || p.level == gpio.Low && p.tone == 0 {
			t.Errorf("tone %v, repaired: %v, %v, %v", tone, p.level, p.tone, err)
		}
		p.fail = syscall.EIO
		if err := d.Close(); !errors.Is(err, syscall.EIO) || p.halts != 1 {
			t.Errorf("tone %v: Close: %v, given back %d times", tone, err, p.halts)
		}
	}
	if _, err := Open(board{}, Options{What: "lamp", Line: "GPIO99"}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no such line: %v", err)
	}
	p := &pin{PinIO: gpio.INVALID, fail: syscall.EPERM}
	if _, err := Open(board{p}, Options{What: "lamp", Line: "gpiochip0/5"}); !errors.Is(err, syscall.EPERM) {
		t.Errorf("a line that can not be silenced: %v", err)
	}
}

func TestClosed(t *testing.T) {
	d, p := open(t, Options{})
	for range 2 {
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	}
	sets := p.sets
	if err := d.Set(two()); err == nil {
		t.Error("Set after Close gives no error")
	}
	if err := d.Tick(0); err != nil || p.sets != sets || p.halts != 1 {
		t.Errorf("after Close: %v, %d sets, given back %d times", err, p.sets-sets, p.halts)
	}
}

// Whoever sets and whoever ticks need not agree. The race detector sees whether
// the line is one's at a time.
func TestTogether(t *testing.T) {
	d, p := open(t, Options{})
	patterns := []*drivers.Pattern{two(), Steady(), nil}
	var all sync.WaitGroup
	for k := range 3 {
		all.Go(func() {
			for i := range 300 {
				if err := errors.Join(d.Set(patterns[(i+k)%3]), d.Tick(time.Duration(i)*ms)); err != nil {
					t.Error(err)
				}
			}
		})
	}
	all.Wait()
	if err := d.Close(); err != nil || p.level != gpio.Low {
		t.Errorf("%v, %v", p.level, err)
	}
}

// FuzzPattern: whatever the pattern, the line is on exactly while a pulse is, as
// counted by going through the repetitions one by one.
func FuzzPattern(f *testing.F) {
	f.Add(int64(1e9), int64(0), int64(1e8), int64(2e8), int64(5e7), int64(123e6))
	f.Add(int64(0), int64(0), int64(1<<62), int64(0), int64(0), int64(7e9))
	f.Add(int64(-5), int64(3), int64(-1), int64(1), int64(2), int64(4))
	f.Fuzz(func(t *testing.T, repeat, s1, l1, s2, l2, at int64) {
		if at < 0 || s1 < 0 || s2 < 0 || l1 > 1<<61 || l2 > 1<<61 || s1 > 1<<61 || s2 > 1<<61 || repeat > 0 && at/repeat > 1000 {
			return
		}
		pattern := &drivers.Pattern{Repeat: time.Duration(repeat), Pulses: []drivers.Pulse{
			{Start: time.Duration(s1), Length: time.Duration(l1)}, {Start: time.Duration(s2), Length: time.Duration(l2)},
		}}
		in := at
		for repeat > 0 && in >= repeat {
			in -= repeat
		}
		want := in >= s1 && in < s1+l1 || in >= s2 && in < s2+l2
		d, p := open(t, Options{})
		if err := errors.Join(d.Set(pattern), d.Tick(99), d.Tick(99+time.Duration(at))); err != nil || bool(p.level) != want {
			t.Errorf("%+v at %d: on %v, want %v, %v", pattern, at, p.level, want, err)
		}
	})
}

func BenchmarkTick(b *testing.B) {
	d, _ := open(b, Options{Tone: 2400})
	if err := d.Set(two()); err != nil {
		b.Fatal(err)
	}
	now := time.Duration(0)
	tick := func() {
		now += 20 * ms
		if err := d.Tick(now); err != nil {
			b.Fatal(err)
		}
	}
	if n := testing.AllocsPerRun(100, tick); n != 0 {
		b.Fatalf("%v allocations", n)
	}
	b.ReportAllocs()
	for b.Loop() {
		tick()
	}
}

// The benchmark's allocation check also runs as a test.
func TestNoAllocation(t *testing.T) {
	d, _ := open(t, Options{})
	if err := d.Set(two()); err != nil {
		t.Fatal(err)
	}
	now := time.Duration(0)
	if n := testing.AllocsPerRun(100, func() { now += 20 * ms; _ = d.Tick(now) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
