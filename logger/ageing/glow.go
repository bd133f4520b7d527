package ageing

import (
	"math"
	"time"

	"tipoff/logger/frame"
)

// A light that collapses while the current flows tells of a tube that has cracked,
// or glows elsewhere, or of a photodiode that has fallen off. Our own choice: the
// light of a tube that ages changes by some parts in a hundred an hour, and a tube
// that snakes comes back to its light many times in goneFor.
const (
	goneShare = 0.3              // of the usual light, below which it has collapsed
	backShare = 0.5              // above which it is back
	goneFor   = 5 * time.Second  // for which it has to be gone, or back
	usualTau  = time.Minute      // over which the usual light is taken
	usualFrom = 30 * time.Second // of burning, until it is known
	leastGlow = 0.01             // of full scale; below it nobody can tell
)

// glow follows the light.
type glow struct {
	channel int     // -1: none
	usual   float64 // mean light of the last minutes
	seen    time.Duration
	last    time.Duration
	since   time.Duration // when the light was last on the side that it is said to be on
	begun   bool
	gone    bool
}

// follow takes a frame; burns tells whether the tube is known to burn.
func (g *glow) follow(in *frame.Frame, burns bool) Change {
	if g.channel < 0 {
		return NoChange
	}
	v := in.Readings[g.channel].Value
	dt := min(in.At-g.last, time.Second)
	g.last = in.At
	if !g.begun || !burns || !v.Good() {
		g.begun, g.since = true, in.At // what was true last stays true
		return NoChange
	}
	share := goneShare
	if g.gone {
		share = backShare
	}
	low := v.X < share*g.usual
	if g.seen < usualFrom || !low && !g.gone {
		if g.seen == 0 {
			g.usual = v.X
		}
		g.seen += dt
		g.usual += (v.X - g.usual) * -math.Expm1(-dt.Seconds()/min(usualTau, g.seen).Seconds())
	}
	if low == g.gone || g.seen < usualFrom || g.usual < leastGlow {
		g.since = in.At
		return NoChange
	}
	if in.At-g.since < goneFor {
		return NoChange
	}
	g.gone, g.since = !g.gone, in.At
	if g.gone {
		return LightGone
	}
	return LightBack
}
