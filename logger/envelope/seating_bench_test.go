package envelope

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"tipoff/calib/lag"
	"tipoff/drivers/plant"
	"tipoff/logger/phase"
)

// nextTube is a tube of seed other on the bench of seed, up to half a minute of its
// main bombard, read with the bench's lag known to a tenth. share is the part of the
// rise that the junction sees; 0: as the plant draws it.
func nextTube(seed, other uint64, share float64) *glassLog {
	d, t := plant.Draw(seed), plant.Draw(other)
	d.Config.Tube, d.Glass, d.Habit = t.Config.Tube, t.Glass, t.Habit
	if share > 0 {
		// The plant keeps a seating that wanders above 0.8, so this one does not.
		d.Config.Effects.Remount, d.Config.Effects.Wander, d.Config.Bench.Seating = 0, 0, share
	}
	r := rand.New(rand.NewPCG(other, 0x7469656421))
	est, err := lag.New(time.Duration(float64(d.Config.Bench.Lag)*(1+0.1*(2*r.Float64()-1))), 300*time.Millisecond)
	if err != nil {
		panic(err)
	}
	g := &glassLog{seed: other, env: Compute(cardOf(d), true, Bench{})}
	op := plant.NewScript(d.Habit, other)
	p := plant.New(d.Config, op)
	main := 0
	for at := logEvery; main < 300 && !op.Done() && at < 40*time.Minute; at += logEvery {
		p.Advance(at)
		x := p.State()
		w := est.Step(at, x.Junction+0.2*r.NormFloat64(), 0.04).Wall
		g.obs = append(g.obs, phase.Observation{At: at, Glass: x.Ambient + (w-x.Ambient)/0.95,
			Current: math.Abs(0.002 + x.Current*(1+0.01*r.NormFloat64())), Pressure: x.ManifoldPressure * (1 + 0.005*r.NormFloat64())})
		if x.Phase == "bombard" {
			main++
		}
	}
	return g
}

// taught is the heating that a run shows, as [Heating] has it, W/m.
func (g *glassLog) taught() float64 {
	f := NewForesight(g.env)
	b, c := &f.balance, g.env.Card
	var all []float64
	for _, o := range g.obs {
		f.Step(o, Uncertainties{})
		if b.on && o.Current > ArcCurrent && o.At-b.since > balanceAfter {
			all = append(all, b.num/b.den*math.Pow(0.3, powerRises)*heatCapacity(loadTables(), c)/c.Length/math.Pow(c.Bore/12.8e-3, -0.6))
		}
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// A bench that knows its heating from two tubes finds, within 5 s of the arc, every
// or nearly every thermocouple that sees half of the rise or less, and doubts hardly
// one that is tied as they are. Of 28 that could be judged on 30 benches from seed
// 40000 on, on which the rule was tried, by the share of the rise that they saw: as
// tied 0 told, 0.7 11, 0.6 23, 0.5 28, 0.4 28. Without the bench's heating only the
// least that any arc gives is certain: of 40 that saw 0.3 none was told, 0.2 1, 0.1
// 15. One that hangs in the air is found always.
func TestLooseSeatingByTheBenchsOwnHeating(t *testing.T) {
	n := 20
	if testing.Short() {
		n = 4
	}
	cases := []struct {
		share        float64 // 0: as drawn
		judged, told int
	}{{share: 0}, {share: 0.5}, {share: 0.3}}
	for k := range uint64(n) {
		seed := 330000 + k
		h := Heating{Pressure: fieldRises, Current: powerRises, Bore: -0.6, U: 0.08,
			PerMetre: (nextTube(seed, seed+1000, 0).taught() + nextTube(seed, seed+2000, 0).taught()) / 2}
		for i := range cases {
			c := &cases[i]
			g := nextTube(seed, seed+3000, c.share)
			f := NewForesight(g.env)
			f.expect(h)
			var arc time.Duration
			for _, o := range g.obs {
				f.Step(o, Uncertainties{})
				if arc == 0 && o.Current > ArcCurrent {
					arc = o.At
				}
				if arc != 0 && o.At-arc > 5*time.Second {
					break
				}
			}
			if s := f.State().Seating; s != SeatingUnknown {
				c.judged++
				if s != Seated {
					c.told++
				}
			}
		}
	}
	for _, c := range cases {
		t.Logf("sees %.1f of the rise (0: as drawn): %d benches judged, %d told within 5 s", c.share, c.judged, c.told)
		switch {
		case c.judged < n*8/10:
			t.Errorf("share %v: %d of %d judged", c.share, c.judged, n)
		case c.share > 0 && float64(c.told) < 0.9*float64(c.judged):
			t.Errorf("share %v: %d of %d told", c.share, c.told, c.judged)
		case c.share == 0 && c.told > c.judged/100:
			t.Errorf("%d of %d well tied ones doubted", c.told, c.judged)
		}
	}
}

func TestHeatingNeedsACard(t *testing.T) {
	f := NewForesight(Compute(neon15(), false, Bench{}))
	f.expect(Heating{PerMetre: 100, U: 0.1})
	if f.seat.heating != (Heating{}) {
		t.Error("a heating for a tube that nobody described")
	}
}
