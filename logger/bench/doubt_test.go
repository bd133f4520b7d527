package bench_test

import (
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/logger/bench"
	"tipoff/logger/frame"
)

// What finds frozen and impossible readings leaves a sound bench in peace: a
// night with no tube on it, and whole runs with arc, pump and stopcocks.
func TestNothingDoubtedOnASoundBench(t *testing.T) {
	if testing.Short() {
		t.Skip("whole runs take minutes under the race detector")
	}
	seeds := []uint64{1, 2}
	const wrong = calib.Frozen | calib.Contradicted
	for _, seed := range seeds {
		frames, doubted, lit := 0, 0, 0
		var r *rig
		r = newRig(t, seed, func(o *bench.Options) {
			o.OnFrame = func(at time.Duration) {
				frames++
				s := r.bench.Snapshot()
				for _, x := range s.Troubles {
					if code := x.Kind.Code; code == "channels-contradict" && x.Subject != "glass" || code == "reading-marked" {
						doubted++
						t.Logf("seed %d, %v in %v: %s %s", seed, at, s.Phase, x.Subject, x.Cause)
					}
				}
				for i := range s.Layout.Channels {
					v := s.Frame.Readings[i].Value
					if s.Layout.Channels[i].Role == frame.Current && v.X > 0.1 {
						lit++
					}
					if v.Q&wrong != 0 || s.Layout.Channels[i].Role == frame.Pressure && v.Q&calib.TooFast != 0 {
						doubted++
						if doubted < 5 {
							t.Logf("seed %d, %v in %v: %s is %v (%v)", seed, at, s.Phase, s.Layout.Channels[i].Name, v.X, v.Q)
						}
					}
				}
			}
		})
		r.until(t, time.Hour, nil)
		t.Logf("seed %d: %d frames, %d of them in an arc, %d readings doubted", seed, frames, lit, doubted)
		if doubted > 0 || lit < 1000 {
			t.Errorf("seed %d: %d readings doubted, %d frames in an arc", seed, doubted, lit)
		}
	}
}
