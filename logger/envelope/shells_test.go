package envelope

import (
	"math"
	"testing"
)

// The plant has a shell of its own, with another law of the fall and a lead that
// carries heat away; the card gives half of the tubes' areas.
func TestShellProgressAgainstThePlant(t *testing.T) {
	n := 16
	if testing.Short() {
		n = 4
	}
	var moments, covered int
	var sum, bias float64
	each(n, 8000, nil, func(g *glassLog) {
		f := NewForesight(g.env)
		bright := 0.0
		for i, o := range g.obs {
			f.Step(o, Uncertainties{})
			if g.shell[i] >= 900 {
				bright += logEvery.Seconds()
			}
			if i%10 != 0 || o.Current < 0.1 {
				continue
			}
			truth := 40 * min(1, max(0, (g.shell[i]-22)/(900-22)))
			if bright > 0 {
				truth = 40 + 60*min(1, bright/40)
			}
			s := f.State()
			moments++
			bias += s.Shells - truth
			sum += math.Abs(s.Shells - truth)
			if math.Abs(s.Shells-truth) <= 2*s.ShellsU {
				covered++
			}
		}
	})
	t.Logf("%d moments: off by %.1f %% in the mean (%+.1f with sign), covered %.0f %%", moments, sum/float64(moments), bias/float64(moments), 100*float64(covered)/float64(moments))
	if float64(covered) < 0.8*float64(moments) || sum/float64(moments) > 15 {
		t.Error("shells far from the plant's")
	}
}

func TestShellsNotKnownWithoutElectrode(t *testing.T) {
	c := neon15()
	c.Electrode.Rating, c.Electrode.ShellArea = 0, 0
	if s, u := NewForesight(Compute(c, true, Bench{})).shells.done(); s == s || u == u {
		t.Errorf("shells %v ± %v of an electrode that nobody described", s, u)
	}
}
