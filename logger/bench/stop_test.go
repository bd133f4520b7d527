package bench_test

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/lamp"
	"tipoff/logger/bench"
	"tipoff/logger/journal"
)

// gone is an output that hangs for good from a time on, in Set, Tick and Close.
type gone struct {
	drivers.Sounder
	clock *clock.Virtual
	from  time.Duration
	never chan struct{}
}

func (g *gone) hang() {
	if g.clock.Now() >= g.from {
		g.clock.Block(func() { <-g.never })
	}
}

func (g *gone) Set(p *drivers.Pattern) error { g.hang(); return g.Sounder.Set(p) }
func (g *gone) Tick(now time.Duration) error { g.hang(); return g.Sounder.Tick(now) }
func (g *gone) Close() error                 { g.hang(); return g.Sounder.Close() }

// An output that hangs for good holds up neither the frames nor the other output nor
// the end, which comes within about a second; the log names it.
func TestHangingOutputDoesNotHoldTheEnd(t *testing.T) {
	for name, from := range map[string]time.Duration{"in an alarm": 20 * time.Second, "in closing": 30 * time.Second} {
		r := newRigged(t)
		var said bytes.Buffer
		board := emulated.NewBoard(r.clock)
		pins := []*emulated.Pin{board.AddPin("GPIO22"), board.AddPin("GPIO24")}
		never := make(chan struct{})
		t.Cleanup(func() { close(never) })
		open := func(line string) (drivers.Sounder, error) { return lamp.Open(board, lamp.Options{Line: line}) }
		r.outputs = []bench.Output{
			{Name: "lamp on GPIO24", Open: func() (drivers.Sounder, error) {
				d, err := open("GPIO24")
				return &gone{Sounder: d, clock: r.clock, from: from, never: never}, err
			}},
			{Name: "lamp on GPIO22", Open: func() (drivers.Sounder, error) { return open("GPIO22") }},
		}
		r.log = slog.New(slog.NewTextHandler(&said, nil))
		r.remake(t)
		frames, lit := 0, 0
		r.each = func(at time.Duration) {
			frames++
			if at == 20*time.Second {
				r.world.hot[0] = 400 // far over any glass's ceiling
			}
			if at > 21*time.Second && pins[0].Read() {
				lit++
			}
		}
		ctx, stop := context.WithCancel(t.Context())
		err := r.bench.Run(ctx, func(now time.Duration) bool {
			if now >= 30*time.Second {
				stop()
			}
			return false
		})
		stop()
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if took := r.clock.Now() - 30*time.Second; took > 1200*time.Millisecond {
			t.Errorf("%s: the end took %v; a second is allowed for the output", name, took)
		}
		if frames < 300 || lit == 0 {
			t.Errorf("%s: %d frames, the other lamp was lit in %d", name, frames, lit)
		}
		if log := said.String(); strings.Count(log, "left behind") != 1 || !strings.Contains(log, `output="lamp on GPIO24"`) {
			t.Errorf("%s: the log says %s", name, log)
		}
		if pins[0].Read() {
			t.Errorf("%s: the other lamp stays lit after the end", name)
		}
	}
}

// A bench that is stopped in the middle of a run seals it: it is whole, as
// interrupted, and nothing is drawn by the bench itself.
func TestStopSealsTheRun(t *testing.T) {
	r := newRig(t, 1, nil)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	err := r.bench.Run(ctx, func(now time.Duration) bool {
		if s := r.bench.Snapshot(); s != nil && s.Run.Active && now > s.Run.Started+2*time.Minute {
			stop()
		}
		return now > time.Hour
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.closed) != 1 {
		t.Fatalf("closed: %v", r.closed)
	}
	m, err := journal.LoadMeta(r.closed[0])
	if err != nil || m.Outcome != journal.Interrupted {
		t.Errorf("outcome %q, %v", m.Outcome, err)
	}
	if err := journal.Verify(r.closed[0]); err != nil {
		t.Error(err)
	}
}
