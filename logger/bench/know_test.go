package bench_test

import (
	"testing"
	"time"

	"tipoff/logger/bench"
	"tipoff/logger/envelope"
)

// What the bench has learned is in its limits at once while no run is recorded; the
// limits of a run that is being recorded do not change under the operator's hands.
func TestKnow(t *testing.T) {
	var before envelope.Bench
	r := newRig(t, 1, func(o *bench.Options) { before = o.Envelope })
	strike := func() envelope.Limit {
		t.Helper()
		l, ok := r.bench.Snapshot().Envelope.Limit(envelope.StrikeWindow)
		if !ok {
			t.Fatal("there is no limit for striking")
		}
		return l
	}
	learned := before
	learned.Hold = envelope.Learned{U: 20, Runs: 41}
	// The demo hangs tubes of 1.8 m and less; a limit that is in none of their ways
	// before has to be in all of them.
	learned.Hold.X = 100
	step := 0
	var since time.Duration
	r.until(t, 20*time.Minute, func() bool {
		sn := r.bench.Snapshot()
		switch {
		case step == 0 && sn.Envelope.Known:
			if l := strike(); l.Basis == envelope.FromBench {
				t.Errorf("before: %+v", l)
			}
			r.bench.Know(learned)
			step, since = 1, sn.Now
		case step == 1 && sn.Now > since+time.Second:
			if l := strike(); l.Basis != envelope.FromBench {
				t.Errorf("after: %+v", l)
			}
			step = 2
		case step == 2 && sn.Run.Active:
			r.bench.Know(before)
			step, since = 3, sn.Now
		case step == 3 && sn.Now > since+10*time.Second:
			if l := strike(); l.Basis != envelope.FromBench || !sn.Run.Active {
				t.Error("the limits of a run in progress have changed")
			}
			step = 4
		}
		return step == 4
	})
	if step != 4 {
		t.Errorf("came to step %d only", step)
	}
}
