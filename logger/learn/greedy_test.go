package learn

import (
	"time"

	"tipoff/drivers/plant"
)

// greedy is a hand that lets air in while the main bombard burns, until the arc goes out
// by itself: then the foot comes off, a fifth of the air is drawn off, and the arc is struck
// again. It does so a number of times; a tube whose arc holds for a minute is let be.
type greedy struct {
	times int
	since time.Duration // of the present state
	state int           // 0: burns, 1: has gone out, 2: drawing off, 3: striking
	cold  float64       // pressure in the dark, Pa
	last  float64       // as last seen with the arc on, Pa
	choke float64
	lost  []float64 // the pressures at which it went out, Pa
}

// Watch does what the careful hand would, in the main bombard; false: it is not at work.
func (g *greedy) watch(at time.Duration, see plant.Sight, c *plant.Controls) bool {
	if c.Phase != "bombard" || g.times == 0 {
		return false
	}
	if g.since == 0 {
		g.since, g.choke = at, c.Choke/0.6
	}
	in := at - g.since
	enter := func(state int) { g.state, g.since = state, at }
	switch g.state {
	case 0:
		c.Choke = min(g.choke, c.Choke+0.006)
		switch {
		case !see.Lit:
			if g.last > 0 {
				g.lost = append(g.lost, g.last)
			}
			c.Air, c.Bombard = 0, false
			enter(1)
		case in > time.Minute:
			c.Air, g.times = 0, 0
		case in > 6*time.Second:
			c.Air, c.Main = 0.6, 0
		}
		g.last = see.Gauge
	case 1:
		if in > 1500*time.Millisecond {
			g.cold, c.Main = see.Gauge, 0.15
			enter(2)
		}
	case 2:
		if see.Gauge < 0.8*g.cold {
			c.Main, c.Bombard, c.Choke = 0, true, 0.6*g.choke
			enter(3)
		}
	case 3:
		if see.Lit {
			g.times--
			enter(0)
		} else if in > 4*time.Second { // still too much
			c.Bombard = false
			enter(1)
		}
	}
	return true
}
