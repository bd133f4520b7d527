package drivertest

import (
	"cmp"
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"tipoff/drivers"
)

// The battery below breaks the device for three seconds in each of the ways that a
// bench knows, and mends it: meanwhile no wrong code passes for a reading and no
// call takes long, and within two seconds of the end there are readings again.
const (
	brokenFor  = 3 * time.Second
	backWithin = 2 * time.Second
	callWithin = time.Second
	// answerLate is how late a late chip answers: some hundred times too late.
	answerLate = 20 * time.Millisecond
)

// The ways.
const (
	noAnswer      = "does not answer"
	halfFail      = "half of the transfers fail"
	answersLate   = "answers late"
	bitsTurn      = "bits turn over"
	lineLow       = "line held low"
	unplugged     = "unplugged and plugged in"
	anotherDevice = "another device"
	settingsLost  = "settings lost"
	frozen        = "frozen"
)

// breakage is one way to break a chip; fault(false) mends it.
type breakage struct {
	name  string
	fault func(c Chip, on bool)
	// silent: no reading at all may come meanwhile.
	silent bool
	// told: it is told, with a hint if as a condition in particular.
	told bool
	as   drivers.Condition
}

func (s Subject) breakages() []breakage {
	return []breakage{
		{name: noAnswer, silent: true, told: true, fault: func(c Chip, on bool) { c.SetNAKEvery(map[bool]int{true: 1}[on]) }},
		{name: halfFail, fault: func(c Chip, on bool) { c.SetNAKEvery(map[bool]int{true: 2}[on]) }},
		{name: answersLate, fault: func(c Chip, on bool) { c.SetDelay(map[bool]time.Duration{true: cmp.Or(s.Late, answerLate)}[on]) }},
		{name: bitsTurn, fault: func(c Chip, on bool) { c.SetFlipRate(map[bool]float64{true: 1e-3}[on], 1) }},
		{name: lineLow, silent: true, told: true, as: cmp.Or(s.Stuck, drivers.BusStuck), fault: func(c Chip, on bool) { c.SetBusLow(on) }},
		{name: unplugged, silent: true, told: true, as: drivers.NotPresent, fault: func(c Chip, on bool) {
			c.LoseConfig()
			c.SetAbsent(on)
		}},
		{name: anotherDevice, silent: true, told: true, as: cmp.Or(s.Wrong, drivers.WrongDevice), fault: func(c Chip, on bool) {
			c.SetOtherChip(on)
			c.LoseConfig()
		}},
		{name: settingsLost, fault: func(c Chip, on bool) { c.LoseConfig() }},
		{name: frozen, silent: true, fault: func(c Chip, on bool) { c.SetFreeze(on) }},
	}
}

func (s Subject) breaks(t *testing.T) {
	for _, f := range s.breakages() {
		t.Run(f.name, func(t *testing.T) {
			s.applies(t, f.name)
			s.broken(t, f)
		})
	}
}

// serve reads as the sampler does until end: after three errors in a row it
// starts the source afresh. It stops at the first batch that done accepts.
func (b *bench) serve(end time.Duration, done func([]drivers.Sample) bool) bool {
	failed := 0
	for b.clock.Now() < end {
		begun := b.clock.Now()
		n, next, err := b.src.Read(ctx, b.dst)
		if n > 0 && done(b.dst[:n]) {
			return true
		}
		if err != nil {
			b.told = append(b.told, err)
			failed++
			next = max(next, b.clock.Now()+10*time.Millisecond)
		} else {
			failed = 0
		}
		if failed >= 3 {
			if err := b.src.Start(ctx); err != nil { // the next Read tells too
				b.told = append(b.told, err)
			}
			failed = 0
		}
		if took := b.clock.Now() - begun; took > callWithin {
			b.Errorf("a read and a start took %v", took)
		}
		_ = b.clock.SleepUntil(ctx, max(next, b.clock.Now()+100*time.Microsecond))
	}
	return false
}

// Disturbed reads for d while each bit of an answer turns over with probability p,
// and hands each sample that passes for a reading to check, with the time at which
// it was read. There have to be at least so many.
func (s Subject) Disturbed(t *testing.T, p float64, d time.Duration, atLeast int, check func(now time.Duration, x drivers.Sample)) {
	t.Helper()
	s.on(t, func(b *bench) {
		if err := b.src.Start(ctx); err != nil {
			b.Errorf("Start: %v", err)
			return
		}
		b.chip.SetFlipRate(p, 1)
		good := 0
		for end := b.clock.Now() + d; b.clock.Now() < end; {
			n, next, _ := b.src.Read(ctx, b.dst)
			for _, x := range b.dst[:n] {
				if x.Fault&drivers.Invalidating == 0 {
					good++
					check(b.clock.Now(), x)
				}
			}
			_ = b.clock.SleepUntil(ctx, max(next, b.clock.Now()+10*time.Microsecond))
		}
		if good < atLeast {
			b.Errorf("%d readings in %v, want %d", good, d, atLeast)
		}
	})
}

func (s Subject) broken(t *testing.T, f breakage) {
	s.on(t, func(b *bench) {
		if err := b.src.Start(ctx); err != nil {
			b.Errorf("Start: %v", err)
			return
		}
		want := make([]float64, len(b.src.Inputs()))
		b.serve(b.clock.Now()+time.Second, func(batch []drivers.Sample) bool {
			for _, x := range batch {
				want[x.Input] = x.Raw
			}
			return false
		})
		f.fault(b.chip, true)
		b.told = nil
		broken := b.clock.Now()
		// A conversion that ended before may be fetched yet.
		const grace = 150 * time.Millisecond
		check := func(batch []drivers.Sample) bool {
			for _, x := range batch {
				if x.Fault&drivers.Invalidating != 0 {
					continue
				}
				if s.Near >= 0 && math.Abs(x.Raw-want[x.Input]) > s.Near {
					b.Errorf("input %d: code %v passes for a reading, it is %v", x.Input, x.Raw, want[x.Input])
					return true
				}
				if f.silent && x.At > broken+grace {
					b.Errorf("a reading at %v from a chip that gives none since %v", x.At, broken)
					return true
				}
			}
			return false
		}
		if b.serve(broken+brokenFor, check) {
			return
		}
		if f.told && !slices.ContainsFunc(b.told, func(err error) bool {
			return f.as == "" || errors.Is(err, f.as) && drivers.HintOf(err) != ""
		}) {
			b.Errorf("told were %v, want %q with a hint among them", b.told[:min(len(b.told), 3)], f.as)
		}
		f.fault(b.chip, false)
		mended := b.clock.Now()
		if !b.serve(mended+backWithin, func(batch []drivers.Sample) bool {
			for _, x := range batch {
				if x.Fault&drivers.Invalidating == 0 && x.At > mended {
					return true
				}
			}
			return false
		}) {
			b.Errorf("no reading within %v of its end", backWithin)
		}
	})
}
