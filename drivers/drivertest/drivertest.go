// Package drivertest holds the tests that every driver has to pass on a model
// of its chip.
package drivertest

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"syscall"
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
)

// Breakable is a model with its fault switches.
type Breakable interface {
	SetAbsent(bool)
	SetNAKEvery(n int)
	SetBusLow(bool)
	SetOtherChip(bool)
	SetDelay(time.Duration)
	SetFlipRate(p float64, seed uint64)
	SetFreeze(bool)
}

// Chip is a model that can also forget its settings.
type Chip interface {
	Breakable
	LoseConfig()
}

// Subject is one driver with what its tests need.
type Subject struct {
	Driver drivers.Driver
	Config drivers.Config
	// Place puts the chip's model on a new board.
	Place func(b *emulated.Board, c clock.Clock) Chip
	// Rig, instead of Place, is for a device that is on no board's bus: it makes
	// the model and the driver that reaches it. Driver is the registry's.
	Rig func(c clock.Clock) (drivers.Driver, Chip)
	// Row names the subject's row in the table of what does not apply, if it is not
	// the driver's name.
	Row string
	// FreeText names the options that take any text, and "input" if that does.
	FreeText []string

	// Stuck is what a data line held low is reported as, Wrong another device in
	// the place, NoBus a board without the bus. Empty are BusStuck, WrongDevice and
	// BusDisabled.
	Stuck, Wrong, NoBus drivers.Condition
	// Errno is the cause of what the model's NAK gives, nil if it has none that
	// can be told.
	Errno error
	// Gaps tells that a transfer that fails now and then leaves a gap and is not
	// told.
	Gaps bool
	// Late is by how much a late device is late, if not 20 ms.
	Late time.Duration
	// Near is how far, in codes, turned bits may bring a reading from the truth;
	// below 0 the driver's own test looks at that.
	Near float64
}

// bench is a subject on a virtual clock.
type bench struct {
	*testing.T
	clock *clock.Virtual
	chip  Chip
	src   drivers.Source
	dst   []drivers.Sample
	told  []error // by serve
}

var ctx = context.Background()

// OnClock calls f on a goroutine of a new virtual clock and waits for it. Tests
// that let time pass need it.
func OnClock(f func(c *clock.Virtual)) {
	c := clock.NewVirtual(time.Unix(1_800_000_000, 0), 0)
	end := make(chan struct{})
	c.Go(func() {
		defer close(end)
		f(c)
	})
	<-end
}

// open makes the model and a source that reads it.
func (s Subject) open(c clock.Clock) (drivers.Source, Chip, error) {
	board, driver := emulated.NewBoard(c), s.Driver
	var chip Chip
	if s.Rig != nil {
		driver, chip = s.Rig(c)
	} else {
		chip = s.Place(board, c)
	}
	src, err := driver.Open(board, c, s.Config)
	return src, chip, err
}

func (s Subject) on(t *testing.T, f func(b *bench)) {
	t.Helper()
	OnClock(func(c *clock.Virtual) {
		src, chip, err := s.open(c)
		if err != nil {
			t.Errorf("Open: %v", err)
			return
		}
		defer src.Close()
		f(&bench{T: t, clock: c, chip: chip, src: src, dst: make([]drivers.Sample, 512)})
	})
}

// until reads until a batch passes good, for at most five seconds. It returns
// all faults and the last error seen on the way.
func (b *bench) until(good func([]drivers.Sample) bool) (seen drivers.Fault, last error, ok bool) {
	end := b.clock.Now() + 5*time.Second
	for b.clock.Now() < end {
		n, next, err := b.src.Read(ctx, b.dst)
		if err != nil {
			last = err
		}
		for _, s := range b.dst[:n] {
			seen |= s.Fault
		}
		if n > 0 && good(b.dst[:n]) {
			return seen, last, true
		}
		if next <= b.clock.Now() {
			next = b.clock.Now() + time.Millisecond
		}
		_ = b.clock.SleepUntil(ctx, next)
	}
	return seen, last, false
}

func sound(batch []drivers.Sample) bool {
	for _, s := range batch {
		if s.Fault&drivers.Invalidating != 0 {
			return false
		}
	}
	return true
}

// Run puts a driver through all tests.
func Run(t *testing.T, s Subject) {
	t.Run("description", s.description)
	t.Run("reads", s.reads)
	t.Run("missing", s.missing)
	t.Run("no bus", s.noBus)
	t.Run("refused transfers", s.refused)
	t.Run("wrong device", s.wrong)
	t.Run("lost settings", s.lost)
	t.Run("broken", s.breaks)
	t.Run("close twice", s.close)
	t.Run("cancelled", s.cancelled)
	t.Run("bad options", s.badOptions)
	t.Run("no allocation", s.allocs)
}

func (s Subject) description(t *testing.T) {
	if s.Driver.Name == "" || s.Driver.Summary == "" || s.Driver.Bus == "" || s.Driver.Open == nil {
		t.Errorf("incomplete description: %+v", s.Driver)
	}
	for _, o := range s.Driver.Options {
		if o.Key == "" || o.Allowed == "" || o.Doc == "" {
			t.Errorf("incomplete option: %+v", o)
		}
	}
	s.on(t, func(b *bench) {
		for _, in := range b.src.Inputs() {
			if in.Kind == 0 || in.Scale == 0 || in.Interval <= 0 || in.Accuracy.Source == "" {
				b.Errorf("incomplete input: %+v", in)
			}
			if (in.Kind == drivers.Thermocouple) != (in.AuxScale != 0) || (in.Sensitivity != 0) != (in.Linearised != "") {
				b.Errorf("contradictory input: %+v", in)
			}
		}
	})
}

// reads: stamps rise, lie in the past, and follow the interval that is promised.
func (s Subject) reads(t *testing.T) {
	s.on(t, func(b *bench) {
		if err := b.src.Start(ctx); err != nil {
			b.Errorf("Start: %v", err)
			return
		}
		inputs := b.src.Inputs()
		count := make([]int, len(inputs))
		last := make([]time.Duration, len(inputs))
		begin := b.clock.Now()
		b.until(func(batch []drivers.Sample) bool {
			for _, x := range batch {
				if x.Fault&drivers.Invalidating != 0 {
					b.Errorf("fault %v from a sound chip", x.Fault)
				}
				// On a model, calls of less than 1 ms take no time.
				if x.At > b.clock.Now()+time.Millisecond || (count[x.Input] > 0 && x.At <= last[x.Input]) {
					b.Errorf("input %d: stamp %v after %v at %v", x.Input, x.At, last[x.Input], b.clock.Now())
				}
				last[x.Input] = x.At
				count[x.Input]++
			}
			return b.Failed()
		})
		for i, in := range inputs {
			want := float64(b.clock.Now()-begin) / float64(in.Interval)
			if got := float64(count[i]); got < 0.85*want || got > 1.15*want {
				b.Errorf("input %q: %v samples, its interval promises %.0f", in.Name, got, want)
			}
		}
	})
}

func (s Subject) missing(t *testing.T) {
	s.on(t, func(b *bench) {
		b.chip.SetAbsent(true)
		err := b.src.Start(ctx)
		if !errors.Is(err, drivers.NotPresent) {
			b.Errorf("Start: %v, want %v", err, drivers.NotPresent)
		}
		if drivers.HintOf(err) == "" {
			b.Errorf("no hint with %v", err)
		}
		b.chip.SetAbsent(false)
		if err := b.src.Start(ctx); err != nil {
			b.Errorf("Start after plugging in: %v", err)
		}
		if _, err, ok := b.until(sound); !ok {
			b.Errorf("no reading after plugging in: %v", err)
		}
	})
}

func (s Subject) noBus(t *testing.T) {
	if s.Rig != nil {
		t.Skip("it is on no board's bus; see missing")
	}
	OnClock(func(c *clock.Virtual) {
		src, err := s.Driver.Open(emulated.NewBoard(c), c, s.Config)
		if err != nil {
			t.Errorf("Open without a bus: %v; a missing bus must not stop the start", err)
			return
		}
		err = src.Start(ctx)
		if !errors.Is(err, cmp.Or(s.NoBus, drivers.BusDisabled)) || !errors.Is(err, syscall.ENOENT) {
			t.Errorf("Start without a bus: %v", err)
		}
		if err := src.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
}

// refused: each failure is reported with its cause, and readings go on between.
func (s Subject) refused(t *testing.T) {
	s.on(t, func(b *bench) {
		if err := b.src.Start(ctx); err != nil {
			b.Errorf("Start: %v", err)
			return
		}
		b.chip.SetNAKEvery(7)
		good := 0
		_, err, _ := b.until(func([]drivers.Sample) bool { good++; return false })
		if s.Gaps {
			if err != nil {
				b.Errorf("error %v for a gap", err)
			}
		} else if !errors.Is(err, drivers.Transient) || s.Errno != nil && !errors.Is(err, s.Errno) {
			b.Errorf("error %v, want %q with %v", err, drivers.Transient, s.Errno)
		}
		if good == 0 {
			b.Errorf("no reading between the failures")
		}
		b.chip.SetNAKEvery(0)
		if _, err, ok := b.until(sound); !ok {
			b.Errorf("no reading afterwards: %v", err)
		}
	})
}

func (s Subject) wrong(t *testing.T) {
	s.applies(t, anotherDevice)
	s.on(t, func(b *bench) {
		b.chip.SetOtherChip(true)
		if err := b.src.Start(ctx); !errors.Is(err, cmp.Or(s.Wrong, drivers.WrongDevice)) {
			// Some find out only when they read.
			if _, later, ok := b.until(sound); ok || !errors.Is(later, cmp.Or(s.Wrong, drivers.WrongDevice)) {
				b.Errorf("Start: %v, then %v, want %v", err, later, cmp.Or(s.Wrong, drivers.WrongDevice))
			}
		}
		b.chip.SetOtherChip(false)
		if err := b.src.Start(ctx); err != nil {
			b.Errorf("Start with the right one: %v", err)
		}
		if _, err, ok := b.until(sound); !ok {
			b.Errorf("no reading from the right one: %v", err)
		}
	})
}

// lost: settings come back by themselves, nothing measured without them passes
// for a reading, and the first reading after is marked.
func (s Subject) lost(t *testing.T) {
	s.applies(t, settingsLost)
	s.on(t, func(b *bench) {
		if err := b.src.Start(ctx); err != nil {
			b.Errorf("Start: %v", err)
			return
		}
		if _, err, ok := b.until(sound); !ok {
			b.Errorf("no reading: %v", err)
		}
		want := b.dst[0].Raw
		b.chip.LoseConfig()
		marked := false
		b.until(func(batch []drivers.Sample) bool {
			for _, x := range batch {
				if x.Fault&drivers.Invalidating == 0 && x.Input == 0 && x.Raw != want {
					b.Errorf("code %v passes for a reading, the input gives %v", x.Raw, want)
				}
				marked = marked || x.Fault&drivers.Restored != 0 && x.Fault&drivers.Invalidating == 0
			}
			return b.Failed()
		})
		if !marked {
			b.Errorf("no reading is marked %v", drivers.Restored)
		}
		if l, ok := b.src.(interface{ SettingsLost() int }); !ok || l.SettingsLost() != 1 {
			b.Errorf("the loss was not counted")
		}
	})
}

func (s Subject) close(t *testing.T) {
	s.on(t, func(b *bench) {
		if err := b.src.Start(ctx); err != nil {
			b.Errorf("Start: %v", err)
		}
		for range 2 {
			if err := b.src.Close(); err != nil {
				b.Errorf("Close: %v", err)
			}
		}
		if _, _, err := b.src.Read(ctx, b.dst); err == nil {
			b.Errorf("Read after Close gives no error")
		}
	})
}

func (s Subject) cancelled(t *testing.T) {
	s.on(t, func(b *bench) {
		ended, cancel := context.WithCancel(ctx)
		cancel()
		if err := b.src.Start(ended); !errors.Is(err, context.Canceled) {
			b.Errorf("Start: %v, want %v", err, context.Canceled)
		}
		if err := b.src.Start(ctx); err != nil {
			b.Errorf("Start: %v", err)
		}
		if _, _, err := b.src.Read(ended, b.dst); !errors.Is(err, context.Canceled) {
			b.Errorf("Read: %v, want %v", err, context.Canceled)
		}
	})
}

func (s Subject) badOptions(t *testing.T) {
	try := func(what string, in ...drivers.InputConfig) {
		cfg := s.Config
		cfg.Inputs = in
		if _, err := s.Driver.Open(nil, nil, cfg); !errors.Is(err, drivers.BadConfig) {
			t.Errorf("%s: %v, want %v", what, err, drivers.BadConfig)
		}
	}
	first := s.Config.Inputs[0]
	with := func(key, value string) drivers.InputConfig {
		all := map[string]string{key: value}
		for k, v := range first.Options {
			if k != key {
				all[k] = v
			}
		}
		return drivers.InputConfig{Input: first.Input, Options: all}
	}
	try("no input")
	try("unknown option", with("no such option", "1"))
	if !slices.Contains(s.FreeText, "input") {
		try("unknown input", drivers.InputConfig{Input: "no such input", Options: first.Options})
	}
	for _, o := range s.Driver.Options {
		if !slices.Contains(s.FreeText, o.Key) {
			try("wrong "+o.Key, with(o.Key, "-1 furlong"))
		}
	}
}

func (s Subject) allocs(t *testing.T) {
	s.on(t, func(b *bench) {
		if err := b.src.Start(ctx); err != nil {
			b.Errorf("Start: %v", err)
			return
		}
		if _, err, ok := b.until(sound); !ok {
			b.Errorf("no reading: %v", err)
		}
		b.src = bare(b.src)
		got := 0
		n := testing.AllocsPerRun(100, func() {
			k, next, err := b.src.Read(ctx, b.dst)
			if err != nil {
				b.Errorf("Read: %v", err)
			}
			got += k
			_ = b.clock.SleepUntil(ctx, next)
		})
		if n != 0 {
			b.Errorf("%v allocations for each Read", n)
		}
		if got == 0 {
			b.Errorf("nothing was read")
		}
	})
}

// bare is a driver's source without the model that stands before it, whose cost
// is not the driver's.
func bare(s drivers.Source) drivers.Source {
	if m, ok := s.(interface{ Unwrap() drivers.Source }); ok {
		return m.Unwrap()
	}
	return s
}
