package phase

import (
	"math"

	"tipoff/logger/frame"
)

// hand is what contacts tell of the operator's hands on stopcock and torch, as far
// as they are to be believed.
type hand struct {
	torch frame.Switch // as the contact last said
	read  float64      // s, when it did
	fresh bool         // it has been seen to be taken up
	taken float64      // s, when

	cock   frame.Switch // as the contact last said
	moved  bool         // it has been seen to move
	right  float64      // s for which the pressure has borne it out
	proved bool         // it has for long enough, and has not contradicted it since
	wrong  float64      // s for which the pressure has contradicted it
	doubts int          // how often for too long in this run; from doubtMost on it is not believed any more
}

const (
	// torchHeld is how long the torch must be in use for it to be taken up, s.
	torchHeld = 0.5
	// provedAfter is for how long the pressure must fall fast with the stopcock open
	// for its switch to be believed, s: it may be wired the wrong way round.
	provedAfter = 1
	// doubtAfter is for how long the pressure must contradict it for it to be wrong, s.
	doubtAfter = 2
	doubtMost  = 3
)

// step takes what the contacts say into f, whose pressure and arc are known.
func (h *hand) step(o Observation, f *feature) {
	if o.Torch != frame.SwitchUnknown || f.at-h.read > stale { // what is not read for a moment is as it was
		if o.Torch == frame.SwitchOn && h.torch != frame.SwitchOn {
			h.fresh, h.taken = h.torch == frame.SwitchOff, f.at
		}
		h.torch, h.read = o.Torch, f.at
	}
	f.torch, f.taken = o.Torch, h.taken
	switch {
	case o.Torch != frame.SwitchOn:
	case !h.fresh:
		f.torch = frame.SwitchUnknown // it burns all the time, or its wires touch
	case f.at-h.taken < torchHeld:
		f.torch = frame.SwitchOff
	}

	if o.Stopcock != h.cock {
		h.moved = h.moved || o.Stopcock != frame.SwitchUnknown && h.cock != frame.SwitchUnknown
		h.cock, h.right, h.wrong = o.Stopcock, 0, 0
	}
	if h.right += f.dt; !f.falls() || h.cock != frame.SwitchOff {
		h.right = 0
	}
	if h.wrong += f.dt; !h.contradicted(f) {
		h.wrong = 0
	}
	switch {
	case h.proved && h.wrong > doubtAfter:
		h.proved = false
		h.doubts++
	case h.right > provedAfter && h.doubts < doubtMost:
		h.proved = true
	}
	if h.moved && h.proved {
		f.cock = h.cock
	}
}

// run is called when a run begins: what was doubted before may have been mended, or
// no more than a pump that was switched off.
func (h *hand) run() { h.doubts = 0 }

// falls tells whether the pressure falls as it does when it is pumped.
func (f *feature) falls() bool { return f.arcOn >= arcPrice && f.slope < -0.1 }

// contradicted tells whether the pressure does what it cannot with the main
// stopcock as its switch says: fall fast while it is shut (for longer than the gas of
// an arc cools, by doubtAfter), stand in the rough while it is open, or rise there.
func (h *hand) contradicted(f *feature) bool {
	switch h.cock {
	case frame.SwitchOn:
		return f.falls()
	case frame.SwitchOff:
		return f.arcOn >= arcPrice && f.lp > lnRough && f.lp < lnRoom && f.slope > -0.01
	}
	return false
}

// held tells whether the torch has been taken up in the fill of q.
func (f *feature) held(q *path) bool { return f.torch == frame.SwitchOn && f.taken > q.node }

// told tells whether the contact on the torch says of the fill of q if it is being
// tipped off. A torch that was lit before the gas was let in burns for nobody knows
// what, and who then puts it back may have sealed the tube with it.
func (f *feature) told(q *path) bool { return f.torch != frame.SwitchUnknown && !q.burnt }

// stepped tells whether a settled fill has gone to another level, as it does when
// gauge and tube are cut apart. What goes on falling is pumped out.
func (q *path) stepped(f *feature) bool {
	return f.at-q.steady > 6 && q.left > 0 && f.at-q.left > 1 && math.Abs(f.slope) < 0.04
}

// torchShows tells whether something says, in time, that a fill is being tipped off.
func (d *decoder) torchShows(f *feature) bool {
	if q := &d.path[nFill]; f.held(q) || f.told(q) {
		return f.held(q) || f.warm > warmBeyond
	}
	return f.warm > warmSure && f.ago <= warmLate
}
