package drift

import (
	"fmt"
	"math"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/calib/unit"
	"tipoff/drivers/plant"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// Sound benches of the plant, drawn at random, run tubes and stand idle; nobody is
// told of drift. The gauges are within their data sheets' limits there and read the
// same, up to the diaphragm's zero, which may be 0.4 Pa off of the 0.67 Pa allowed.
func TestSoundBenchesAreNotTold(t *testing.T) {
	benches := uint64(6)
	if testing.Short() {
		benches = 1
	}
	checked, vented := map[Against]int{}, 0
	for seed := uint64(1); seed <= benches; seed++ {
		d := plant.Draw(seed)
		scripts := uint64(0)
		var script *plant.Script
		p := plant.New(d.Config, plant.Hands(func(at time.Duration, see plant.Sight, hands *plant.Controls) {
			// Three tubes with half an hour between them.
			if scripts < 3 && at > time.Duration(scripts)*50*time.Minute+12*time.Minute {
				script = plant.NewScript(d.Habit, seed+scripts)
				hands.Hang = &d.Config.Tube
				scripts++
			}
			if script != nil && !script.Done() {
				script.Watch(at, see, hands)
			}
		}))
		w := &watched{Watch: New(layout(wide, fine, glass, amps), []Input{{}, {}, {AuxScale: 1, Tolerance: 2.5}, {}}, plant.Atmosphere)}
		var pumped time.Duration // when the first tube was
		noise := func(at time.Duration) float64 { return math.Sin(7.7 * at.Seconds()) }
		w.feed(160*time.Minute, func(at time.Duration) moment {
			p.Advance(at)
			s := p.State()
			id, ok := phase.Named(s.Phase)
			if !ok {
				t.Fatalf("no phase %q", s.Phase)
			}
			if pumped == 0 && id != phase.Idle {
				pumped = at
			}
			pa := s.ManifoldPressure * (1 + d.Config.Effects.GaugeScale)
			x := pa * (1 + 0.005*noise(at))
			zeroed := pa + d.Config.Bench.ZeroShift
			f := value(zeroed, math.Hypot(0.005*zeroed, 5*unit.Micron)/math.Sqrt(3))
			if zeroed > 20.4*unit.Torr {
				f.Value = calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.OverRange}
			}
			g := tied(s.Junction)
			g.Aux = s.Ambient + 2.5
			return moment{Now{Phase: id, InRun: id != phase.Idle}, []frame.Reading{value(x, 0.15*x/math.Sqrt(3)), f, g, value(s.Current, 0.004)}}
		})
		if c := &w.ch[wide].is[Atmosphere]; !c.known {
			t.Errorf("bench %d: the atmosphere was never checked", seed)
		} else if c.when > pumped {
			vented++
		}
		for i := range w.ch {
			for _, a := range All() {
				f := w.Finding(i, a)
				if f.Known {
					checked[a]++
				}
				if f.Drifts || w.ch[i].is[a].strikes != 0 {
					t.Errorf("bench %d, channel %d, %v: %+v, strikes %d", seed, i, a, f, w.ch[i].is[a].strikes)
				}
			}
		}
	}
	t.Log(fmt.Sprint(checked))
	if vented == 0 {
		t.Error("the atmosphere was never checked after a vent")
	}
	for _, a := range []Against{Room, Atmosphere, ArcOff, OtherGauge} {
		if checked[a] == 0 {
			t.Errorf("%v was never checked", a)
		}
	}
}
