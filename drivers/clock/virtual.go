package clock

import (
	"context"
	"sync"
	"time"
)

// Virtual is a clock whose time is computed: it jumps to the next moment that
// somebody waits for as soon as nobody runs. Goroutines that take part run one
// at a time in the order of their deadlines, so results do not depend on the
// machine. With a speed it waits so that bench time passes at most that many
// times faster than real time; with speed 0 it runs as fast as it can.
type Virtual struct {
	mu       sync.Mutex
	now      time.Duration
	epoch    time.Time
	running  int
	seq      uint64
	sleepers sleepHeap
	spare    []*sleeper  // to be used again, so that sleeping allocates nothing
	pace     *time.Timer // waits for real time; counts as running
	speed    float64
	realZero time.Time
	virtZero time.Duration
}

var _ Clock = (*Virtual)(nil)

// NewVirtual returns a clock that shows 0 now and wall time epoch. speed is
// bench seconds per real second; 0 means unpaced.
func NewVirtual(epoch time.Time, speed float64) *Virtual {
	return &Virtual{epoch: epoch, speed: speed, realZero: time.Now()}
}

// Now implements [Clock].
func (v *Virtual) Now() time.Duration {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.now
}

// Wall implements [Clock].
func (v *Virtual) Wall() (time.Time, bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.epoch.Add(v.now), true
}

// Go implements [Clock].
func (v *Virtual) Go(f func()) {
	v.mu.Lock()
	w := v.due() // the new goroutine waits for its turn like any sleeper
	v.mu.Unlock()
	go func() {
		<-w.wake
		defer v.leave()
		f()
	}()
}

func (v *Virtual) leave() {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.running--
	v.advance()
}

// Block implements [Clock].
func (v *Virtual) Block(f func()) {
	v.leave()
	defer func() {
		v.mu.Lock()
		w := v.due()
		v.mu.Unlock()
		<-w.wake
		v.done(w)
	}()
	f()
}

// due queues the caller to run now, after whoever runs. mu is held.
func (v *Virtual) due() *sleeper {
	w := v.push(v.now)
	if v.pace != nil && v.pace.Stop() {
		v.pace = nil // the wait is for something later
		v.running--
	}
	v.advance()
	return w
}

// SleepUntil implements [Clock].
func (v *Virtual) SleepUntil(ctx context.Context, t time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	v.mu.Lock()
	if t <= v.now {
		v.mu.Unlock()
		return nil
	}
	// Alone and first: no hand-over needed.
	if v.running == 1 && (len(v.sleepers) == 0 || t < v.sleepers[0].at) {
		if d := v.lead(t); d <= 0 {
			v.now = t
			v.mu.Unlock()
			return nil
		}
	}
	w := v.push(t)
	v.running--
	v.advance()
	v.mu.Unlock()
	select {
	case <-w.wake:
		v.done(w)
		return nil
	case <-ctx.Done():
		v.mu.Lock()
		if !v.sleepers.remove(w) { // already chosen: take the turn
			v.mu.Unlock()
			<-w.wake
			v.done(w)
			return ctx.Err()
		}
		// Many may be woken by one ctx: they too run one at a time.
		turn := v.due()
		v.spare = append(v.spare, w)
		v.mu.Unlock()
		<-turn.wake
		v.done(turn)
		return ctx.Err()
	}
}

// lead is how long real time has to pass before the clock may show t.
func (v *Virtual) lead(t time.Duration) time.Duration {
	if v.speed <= 0 {
		return 0
	}
	due := v.realZero.Add(time.Duration(float64(t-v.virtZero) / v.speed))
	d := time.Until(due)
	if d < -time.Second {
		// The machine could not keep up: do not run faster later to make up.
		v.realZero, v.virtZero = time.Now(), v.now
	}
	if d < 2*time.Millisecond {
		return 0 // shorter waits cost more than they are worth
	}
	return d
}

func (v *Virtual) push(t time.Duration) *sleeper {
	v.seq++
	var w *sleeper
	if n := len(v.spare); n > 0 {
		w, v.spare = v.spare[n-1], v.spare[:n-1]
		w.at, w.seq = t, v.seq
	} else {
		w = &sleeper{at: t, seq: v.seq, wake: make(chan struct{}, 1)}
	}
	v.sleepers.push(w)
	return w
}

// done keeps a sleeper that has woken for the next one.
func (v *Virtual) done(w *sleeper) {
	v.mu.Lock()
	v.spare = append(v.spare, w)
	v.mu.Unlock()
}

// advance wakes the first sleeper if nobody runs. It is called with mu held.
func (v *Virtual) advance() {
	if v.running > 0 || len(v.sleepers) == 0 {
		return
	}
	first := v.sleepers[0]
	if d := v.lead(first.at); d > 0 {
		v.running++ // hold time while waiting
		v.pace = time.AfterFunc(d, func() {
			v.mu.Lock()
			defer v.mu.Unlock()
			v.pace = nil
			v.running--
			v.advance()
		})
		return
	}
	v.sleepers.pop()
	if first.at > v.now {
		v.now = first.at
	}
	v.running++
	first.wake <- struct{}{}
}

type sleeper struct {
	at   time.Duration
	seq  uint64
	pos  int
	wake chan struct{}
}

func (s *sleeper) before(o *sleeper) bool {
	return s.at < o.at || (s.at == o.at && s.seq < o.seq)
}

// sleepHeap is a binary heap by deadline. container/heap would box each entry.
type sleepHeap []*sleeper

func (h *sleepHeap) push(s *sleeper) {
	s.pos = len(*h)
	*h = append(*h, s)
	h.up(s.pos)
}

func (h *sleepHeap) pop() *sleeper {
	s := (*h)[0]
	h.remove(s)
	return s
}

func (h *sleepHeap) remove(s *sleeper) bool {
	i := s.pos
	if i >= len(*h) || (*h)[i] != s {
		return false
	}
	last := len(*h) - 1
	h.swap(i, last)
	(*h)[last] = nil
	*h = (*h)[:last]
	if i < last {
		h.down(i)
		h.up(i)
	}
	return true
}

func (h sleepHeap) swap(i, j int) {
	h[i], h[j] = h[j], h[i]
	h[i].pos, h[j].pos = i, j
}

func (h sleepHeap) up(i int) {
	for i > 0 {
		p := (i - 1) / 2
		if !h[i].before(h[p]) {
			return
		}
		h.swap(i, p)
		i = p
	}
}

func (h sleepHeap) down(i int) {
	for {
		c := 2*i + 1
		if c >= len(h) {
			return
		}
		if c+1 < len(h) && h[c+1].before(h[c]) {
			c++
		}
		if !h[c].before(h[i]) {
			return
		}
		h.swap(i, c)
		i = c
	}
}
