package emulated

import (
	"context"
	"math"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"tipoff/drivers/clock"
)

// Faults are the switches that break a chip. Each may be thrown at any time
// from any goroutine. The zero value is a sound chip.
type Faults struct {
	on       atomic.Uint32 // the switches below; one word, so that a sound chip costs one look
	nakEvery atomic.Int64
	count    atomic.Int64
	flip     atomic.Uint64 // Float64bits of the probability per bit
	fail     atomic.Uint64 // Float64bits of the probability per transaction
	delay    atomic.Int64  // ns by which each answer is late
	mu       sync.Mutex
	rng      *rand.Rand
	failRng  *rand.Rand
}

// The switches.
const (
	absent = 1 << iota
	busLow
	frozen
	otherChip
	opened
	shortGround
	shortSupply
)

func (f *Faults) set(s uint32, on bool) {
	if on {
		f.on.Or(s)
	} else {
		f.on.And(^s)
	}
}

func (f *Faults) is(s uint32) bool { return f.on.Load()&s != 0 }

// SetAbsent unplugs the chip: no acknowledge on I²C, all ones on SPI.
func (f *Faults) SetAbsent(on bool) { f.set(absent, on) }

// SetNAKEvery makes every n-th transaction fail: no acknowledge on I²C, an I/O
// error of the whole call on SPI (which knows no acknowledge). 1 fails all, 0 none.
func (f *Faults) SetNAKEvery(n int) { f.nakEvery.Store(int64(n)); f.count.Store(0) }

// SetFailRate makes each transaction fail with probability p, as SetNAKEvery
// does every n-th. The same seed fails the same ones.
func (f *Faults) SetFailRate(p float64, seed uint64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.failRng = rand.New(rand.NewPCG(seed, 1))
	f.fail.Store(math.Float64bits(p))
}

// SetDelay makes each transaction take d on the clock before the chip answers:
// a clock line held low, or a kernel that is busy. Then only goroutines of the
// clock may use the chip.
func (f *Faults) SetDelay(d time.Duration) { f.delay.Store(int64(d)) }

func (f *Faults) late() time.Duration { return time.Duration(f.delay.Load()) }

// wait lets a late chip take its time.
func wait(c clock.Clock, chip any) {
	if l, ok := chip.(interface{ late() time.Duration }); ok {
		if d := l.late(); d > 0 {
			_ = c.SleepUntil(context.Background(), c.Now()+d)
		}
	}
}

// SetFlipRate turns over each bit of a reply with probability p. The same seed
// turns over the same bits.
func (f *Faults) SetFlipRate(p float64, seed uint64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.rng = rand.New(rand.NewPCG(seed, 0))
	f.flip.Store(math.Float64bits(p))
}

// SetBusLow holds the data line low: I²C transactions of the whole bus time
// out, SPI replies are all zero.
func (f *Faults) SetBusLow(on bool) { f.set(busLow, on) }

// SetFreeze stops conversions: the registers keep answering the last result.
func (f *Faults) SetFreeze(on bool) { f.set(frozen, on) }

// SetOtherChip puts another chip in this one's place. It acknowledges and
// answers 5Ah to everything.
func (f *Faults) SetOtherChip(on bool) { f.set(otherChip, on) }

// SetOpen opens the thermocouple circuit. Only the thermocouple chips care.
func (f *Faults) SetOpen(on bool) { f.set(opened, on) }

// SetShortGND shorts the thermocouple to ground.
func (f *Faults) SetShortGND(on bool) { f.set(shortGround, on) }

// SetShortVCC shorts the thermocouple to the supply.
func (f *Faults) SetShortVCC(on bool) { f.set(shortSupply, on) }

func (f *Faults) holdsBus() bool { return f.is(busLow) && !f.is(absent) }

// refuses tells whether this transaction is to fail.
func (f *Faults) refuses() bool {
	if p := math.Float64frombits(f.fail.Load()); p > 0 {
		f.mu.Lock()
		hit := f.failRng.Float64() < p
		f.mu.Unlock()
		if hit {
			return true
		}
	}
	n := f.nakEvery.Load()
	return n > 0 && f.count.Add(1)%n == 0
}

// i2c is what is wrong before a transaction reaches the chip's logic.
func (f *Faults) i2c(r []byte) (handled bool, err error) {
	switch {
	case f.is(absent):
		return true, syscall.EREMOTEIO
	case f.is(busLow):
		return true, syscall.ETIMEDOUT
	case f.refuses():
		return true, syscall.EREMOTEIO
	case f.is(otherChip):
		fill(r, 0x5A)
		return true, nil
	}
	return false, nil
}

// spi is i2c's twin for one stretch of chip select. SPI knows no errors here.
func (f *Faults) spi(r []byte) (handled bool) {
	if !f.is(absent | busLow | otherChip) {
		return false
	}
	switch {
	case f.is(absent):
		fill(r, 0xFF)
	case f.is(busLow):
		fill(r, 0)
	default:
		fill(r, 0x5A)
	}
	return true
}

// noise turns over bits of a reply.
func (f *Faults) noise(r []byte) {
	p := math.Float64frombits(f.flip.Load())
	if p <= 0 {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	// The gap to the next turned bit is geometric; to draw it is quicker than to
	// throw dice for each bit.
	gap := func() int { return int(min(math.Log(1-f.rng.Float64())/math.Log1p(-p), 1e9)) }
	if p >= 1 {
		gap = func() int { return 0 }
	}
	for k := gap(); k < 8*len(r); k += 1 + gap() {
		r[k/8] ^= 0x80 >> (k % 8)
	}
}

func fill(r []byte, v byte) {
	for i := range r {
		r[i] = v
	}
}
