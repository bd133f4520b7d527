package drivertest

import (
	"math"
	"testing"
	"time"

	"tipoff/drivers"
)

// The battery below breaks the chip for three seconds in each of the ways that a
// bench knows, and mends it: meanwhile no wrong code passes for a reading and no
// call takes long, and within two seconds of the end there are readings again.
const (
	brokenFor  = 3 * time.Second
	backWithin = 2 * time.Second
	callWithin = time.Second
	// answerLate is how late a late chip answers: some hundred times too late.
	answerLate = 20 * time.Millisecond
)

// breakage is one way to break a chip; fault(false) mends it.
type breakage struct {
	name  string
	fault func(c Chip, on bool)
	// silent: no reading at all may come meanwhile.
	silent bool
}

func breakages() []breakage {
	return []breakage{
		{name: "does not answer", silent: true, fault: func(c Chip, on bool) { c.SetNAKEvery(map[bool]int{true: 1}[on]) }},
		{name: "half of the transfers fail", fault: func(c Chip, on bool) { c.SetNAKEvery(map[bool]int{true: 2}[on]) }},
		{name: "answers late", fault: func(c Chip, on bool) { c.SetDelay(map[bool]time.Duration{true: answerLate}[on]) }},
		{name: "bits turn over", fault: func(c Chip, on bool) { c.SetFlipRate(map[bool]float64{true: 1e-3}[on], 1) }},
		{name: "bus held low", silent: true, fault: func(c Chip, on bool) { c.SetBusLow(on) }},
		{name: "unplugged and plugged in", silent: true, fault: func(c Chip, on bool) {
			c.LoseConfig()
			c.SetAbsent(on)
		}},
		{name: "another chip", silent: true, fault: func(c Chip, on bool) {
			c.SetOtherChip(on)
			c.LoseConfig()
		}},
		{name: "settings lost", fault: func(c Chip, on bool) { c.LoseConfig() }},
		{name: "frozen", fault: func(c Chip, on bool) { c.SetFreeze(on) }},
	}
}

func (s Subject) breaks(t *testing.T) {
	for _, f := range breakages() {
		t.Run(f.name, func(t *testing.T) {
			if f.name == "bus held low" && s.Stuck == "" {
				t.Skip("a line held low looks like a reading on this chip")
			}
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
			failed++
			next = max(next, b.clock.Now()+10*time.Millisecond)
		} else {
			failed = 0
		}
		if failed >= 3 {
			_ = b.src.Start(ctx) // the next Read tells
			failed = 0
		}
		if took := b.clock.Now() - begun; took > callWithin {
			b.Errorf("a read and a start took %v", took)
		}
		_ = b.clock.SleepUntil(ctx, max(next, b.clock.Now()+100*time.Microsecond))
	}
	return false
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
