package bench_test

import (
	"context"
	"testing"
	"time"

	"tipoff/logger/bench"
	"tipoff/logger/envelope"
	"tipoff/logger/phase"
	"tipoff/logger/status"
)

// What the bench has learned is told right after it is made, and again while it is not
// yet known whether an interrupted run goes on: neither makes it forget what it was fed
// of that run, and the limits that it is fed to are the learned ones.
func TestKnowKeepsWhatWasFed(t *testing.T) {
	if testing.Short() {
		t.Skip("computes half a run")
	}
	s, first, dir := newShop(t, 1), t.TempDir(), t.TempDir()
	s.start(t, first)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var killed time.Duration
	var want *status.Snapshot
	s.run(t, ctx, func(now time.Duration, x *status.Snapshot) bool {
		if killed == 0 && x.Phase == phase.Bombard && now-x.PhaseSince > 30*time.Second {
			if err := s.cut(first, dir, false); err != nil {
				t.Error(err)
			}
			killed, want = now, x
			stop()
		}
		return false
	})
	if want == nil || !(want.Ceiling.Shells.X > 10) {
		t.Fatalf("killed at %v with %+v", killed, want)
	}
	s.start(t, dir)
	learned := bench.PlantOf(s.cfg)
	// Nearer than the rules of the trade, so that it is in the tube's way.
	learned.Hold = envelope.Learned{X: 100, U: 20, Runs: 41}
	s.bench.Know(learned)
	var got *status.Snapshot
	s.run(t, nil, func(now time.Duration, x *status.Snapshot) bool {
		if got == nil {
			got = x
			later := learned
			later.Hold.X = 90
			s.bench.Know(later)
			return false
		}
		if now <= killed+10*time.Second && x.Ceiling.Shells.X < want.Ceiling.Shells.X-12 {
			t.Errorf("%v: shells %.1f %%, before the kill %.1f %%", now, x.Ceiling.Shells.X, want.Ceiling.Shells.X)
			return true
		}
		return now > killed+10*time.Second
	})
	if off := want.Ceiling.Shells.X - got.Ceiling.Shells.X; !(off < 12) {
		t.Errorf("shells %.1f %% in the first frame, before the kill %.1f %%", got.Ceiling.Shells.X, want.Ceiling.Shells.X)
	}
	if l, ok := got.Envelope.Limit(envelope.StrikeWindow); !ok || l.Basis != envelope.FromBench {
		t.Errorf("the run goes on by the limits of %v", l.Basis)
	}
}
