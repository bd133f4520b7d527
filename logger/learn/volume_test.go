package learn

import (
	"math"
	"runtime"
	"slices"
	"sync"
	"testing"

	"tipoff/logger/model"
)

// Pump speed and manifold volume of benches drawn at random, by three tubes of each: the
// truth lies within the expanded uncertainty (k=2, 95 %) of what was learned for at least 92 of
// 100 benches, and the median of what it is off by is at most 3 %. What is known of hands and
// gas beforehand was set on the benches of seeds 101 to 130; these were looked at once.
func TestPumpAndManifoldOfUnseenBenches(t *testing.T) {
	first, n := uint64(9301), 60
	if testing.Short() {
		n = 6
	}
	off := map[model.Constant][]float64{}
	inside := map[model.Constant]int{}
	beats := 0
	var mu sync.Mutex
	var wait sync.WaitGroup
	work := make(chan uint64)
	for range runtime.GOMAXPROCS(0) {
		wait.Go(func() {
			for seed := range work {
				s := openShop(seed)
				s.until = "shells"
				var taught []*Taught
				for k := range 3 {
					taught = append(taught, Of(&s.process(k, broken{}).record))
				}
				c, truth := Combine(taught, model.Bench{}), s.truth()
				mu.Lock()
				for _, id := range []model.Constant{model.PumpSpeed, model.ManifoldVolume} {
					v := &c.Values[id]
					x := math.Log(v.X / truth[id])
					off[id] = append(off[id], x)
					if math.Abs(x) <= 2*v.U {
						inside[id]++
					} else {
						t.Logf("seed %d: %s %s, the plant's %.4g", seed, id.Info().ID, v.Words(), truth[id])
					}
					if v.Beats {
						beats++
					}
				}
				mu.Unlock()
			}
		})
	}
	for i := range n {
		work <- first + uint64(i)
	}
	close(work)
	wait.Wait()
	for id, x := range off {
		slices.Sort(x)
		bias := median(x)
		t.Logf("%s of %d benches: median off %+.1f %%, middle half %+.0f to %+.0f %%; %d within the expanded uncertainty", id.Info().ID, n, 100*bias, 100*x[n/4], 100*x[3*n/4], inside[id])
		if !testing.Short() && (float64(inside[id]) < 0.92*float64(n) || math.Abs(bias) > 0.03) || inside[id] < n/2 {
			t.Errorf("%s: %d of %d inside, median off %+.3f", id.Info().ID, inside[id], n, bias)
		}
	}
	if beats < 2*n*9/10 {
		t.Errorf("of %d constants only %d are better known than by the handbook", 2*n, beats)
	}
}

// One jump of the pressure that is no arc's, in gas that was hardly warm, does not undo what is
// known: of it only that it tells of something else counts.
func TestOddJump(t *testing.T) {
	book := model.Handbook(model.Bench{})
	const s, v = model.PumpSpeed, model.ManifoldVolume
	of := func(jumps ...model.Jump) *plantOf {
		return plantFrom([]*Taught{{Run: "a", Volume: 0.25e-3, Jumps: jumps}}, book.Theta[v], book.Spread(v), book.Theta[s], book.Spread(s))
	}
	right := model.Jump{Wall: 100, Hot: 300}
	right.Ratio = right.Expect(0.25e-3, 0.5e-3, math.Exp(hotter))
	want := of(right)
	for _, odd := range []model.Jump{{Ratio: 90, Wall: 25, Hot: 0}, {Ratio: 1e-6, Wall: 25, Hot: 0}} {
		got := of(right, odd)
		if !(math.Abs(got.logV-want.logV) < 0.2*math.Sqrt(want.varV)) || !(got.varV > 0) || !(got.varS > 0) {
			t.Errorf("with %+v: %+v; without %+v", odd, got, want)
		}
	}
}
