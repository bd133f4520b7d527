package bench_test

import (
	"math"
	"testing"
	"time"

	"tipoff/calib/chain"
	"tipoff/logger/bench"
	"tipoff/logger/frame"
)

// The lag of bench.toml is told where there is no certificate.
func TestOwnLagIsTold(t *testing.T) {
	var glass int
	var own time.Duration
	r := newRig(t, 1, func(o *bench.Options) {
		glass = o.Layout.Index(frame.Glass)
		changed(t, o, glass, func(p *chain.Params) { own = p.Lag })
	})
	r.until(t, time.Second, nil)
	if s := r.bench.Snapshot().Channels[glass]; own <= 0 || s.TimeConstant != own || !math.IsNaN(s.Change) || !math.IsNaN(s.ChangeU) || !s.Due.IsZero() {
		t.Errorf("told %v, want %v; change %v ± %v, due %v", s.TimeConstant, own, s.Change, s.ChangeU, s.Due)
	}
}
