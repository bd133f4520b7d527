package envelope

import (
	"testing"
	"time"

	"tipoff/logger/phase"
)

// Where nothing shows when tip-off began, the time from fill to seal is known as well
// as a rectangular distribution over fill and tip-off is (GUM 4.3.7: width / √12): of a
// tube that stood filled for eleven minutes nobody can say that it was sealed in five.
func TestTipOffByHabit(t *testing.T) {
	for _, c := range []struct {
		fill, tipOff int // s
		habit        bool
		want         Verdict
	}{{60, 600, true, Marginal}, {60, 600, false, Within}, {45, 40, true, Within}, {400, 40, true, Marginal}, {400, 40, false, Outside}} {
		var obs []phase.Observation
		var u []Uncertainties
		for k := range 10 * (c.fill + c.tipOff) {
			obs = append(obs, phase.Observation{At: time.Duration(k) * 100 * time.Millisecond, Pressure: 1200, Glass: 30})
			u = append(u, tight)
		}
		mid, end := time.Duration(c.fill)*time.Second, time.Duration(c.fill+c.tipOff)*time.Second
		segments := []phase.Segment{{Phase: phase.Fill, To: mid}, {Phase: phase.TipOff, From: mid, To: end, Habit: c.habit}}
		found := false
		for _, f := range Check(Compute(neon15(), true, Bench{Ambient: 22}), obs, u, segments).Findings() {
			if f.Limit.ID != TipOffTime {
				continue
			}
			found = true
			if f.Verdict != c.want {
				t.Errorf("%+v: %s: %s", c, f.Verdict, f.Text)
			}
		}
		if !found {
			t.Error("the time to tip-off was not judged")
		}
	}
}
