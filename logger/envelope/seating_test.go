package envelope

import (
	"testing"
	"time"

	"tipoff/drivers/plant"
)

// Tubes of each kind on drawn benches: tied well, hanging in the air from the
// start, fallen off in the main bombard. The plant's Fault and Seating make them.
func TestSeatingFoundFromTheHeatBalance(t *testing.T) {
	n := 10
	if testing.Short() {
		n = 4
	}
	const never = time.Hour
	// first is the time from the arc (or the fall) until want shows; never if not.
	// others counts the frames of an arc in which a worse seating was told.
	look := func(g *glassLog, from time.Duration, want Seating) (took time.Duration, wrong bool) {
		f := NewForesight(g.env)
		took = never
		var arc time.Duration
		for i, o := range g.obs {
			f.Step(o, Uncertainties{Glass: g.u[i]})
			s := f.State().Seating
			if o.At < from {
				continue
			}
			if arc == 0 && o.Current > ArcCurrent {
				arc = o.At
			}
			if arc != 0 && (s == want || want == Loose && s == Off) && took == never {
				took = o.At - arc
			}
			wrong = wrong || s == Loose || s == Off
		}
		return took, wrong
	}
	for _, c := range []struct {
		name   string
		want   Seating
		change func(*plant.Drawn)
		fall   bool
		hung   bool
	}{
		{name: "tied", want: Seated},
		{name: "hanging in the air", want: Off, hung: true},
		{name: "hardly touching", want: Loose, change: func(d *plant.Drawn) {
			// The plant keeps a seating that wanders above 0.8, so this one does not.
			d.Config.Effects.Remount, d.Config.Effects.Wander, d.Config.Bench.Seating = 0, 0, 0.05
		}},
		{name: "fell off", want: Off, fall: true},
	} {
		in, wrongs := 0, 0
		for k := range n {
			var fell time.Duration
			g := logged(7000+uint64(k), c.change, func(at time.Duration, p *plant.Plant) {
				x := p.State()
				if c.hung && at == logEvery || c.fall && fell == 0 && x.Lit && x.Junction > 120 {
					fell = at
					p.SetFault(plant.Fault{ThermocoupleOff: true})
				}
			}, time.Hour)
			took, wrong := look(g, fell, c.want)
			if took <= 5*time.Second {
				in++
			}
			if wrong {
				wrongs++
			}
		}
		t.Logf("%s: %d of %d told within 5 s, trouble told in %d", c.name, in, n, wrongs)
		if in < n*9/10 {
			t.Errorf("%s: %d of %d told within 5 s", c.name, in, n)
		}
		if c.want == Seated && wrongs > 0 {
			t.Errorf("%d well tied ones doubted", wrongs)
		}
	}
}
