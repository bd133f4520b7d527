package phase

import (
	"math"

	"tipoff/logger/frame"
)

// tipOff divides [a, b), fill and tip-off together: where a contact says that the
// torch was taken up, or where the pressure leaves the line on which it settled, as
// it does when the torch warms the tubulation, or steps. If nothing shows it, when
// the fill has stood steady for TipOffAfter, which is a habit and not a
// measurement. It tells where, and whether something shows it.
func tipOff(way []node, fs []feature, a, b int, o *Options) (int, bool) {
	level := middle(fs[(a+b)/2 : b])
	steady := a
	for steady < b-1 && !(fs[steady].lp > level-0.002) {
		steady++
	}
	cut, known := takenUp(fs, a, b)
	if cut == b {
		cut = leaves(fs, steady, b)
	}
	shows := known || cut < b
	if !shows {
		at, end := fs[steady].at, fs[b-1].at
		for cut = steady; cut < b && fs[cut].at < at+o.TipOffAfter.Seconds(); {
			cut++
		}
		if cut == b && b < len(way) { // vented sooner: somewhere between
			for cut = steady; cut < b-1 && fs[cut].at < (at+end)/2; {
				cut++
			}
		}
	}
	for j := a; j < b; j++ {
		way[j] = nFill
		if j >= cut {
			way[j] = nTip
		}
	}
	return cut, shows
}

// takenUp is when in the fill [a, b) the torch was taken up that sealed the tube:
// that which was held longest. b if none was; known is false if no contact tells, as
// where the torch burned already when the gas was let in.
func takenUp(fs []feature, a, b int) (cut int, known bool) {
	longest, silent := 0.0, 0.0
	cut = b
	for j := a; j < b; j++ {
		f := &fs[j]
		here := f.torch == frame.SwitchOn && f.taken > fs[a].at
		known = known || here || f.torch == frame.SwitchOff
		if !here && f.torch != frame.SwitchOff {
			silent += f.dt
		}
		if held := f.at - f.taken; here && held > longest {
			for cut = j; cut > a && fs[cut-1].at >= f.taken; {
				cut--
			}
			longest = held
		}
	}
	return cut, known && (cut < b || silent <= stale)
}

const (
	lookBack  = 12.0 // s of the line before
	lookAhead = 5.0  // s of what comes after
	clear     = 5.5  // standard deviations that are no chance over a whole fill
)

// warming is the shape in which the pressure goes on from its line when the
// torch heats the tubulation: at once, and less and less as the gas there has
// thinned and the surface has given off its water. t in s.
func warming(t float64) float64 {
	if t <= 0 {
		return 0
	}
	return 1 - math.Exp(-t/3)
}

// leaves is where in the fill [a, b) the pressure first clearly leaves its
// line; b if nowhere.
func leaves(fs []feature, a, b int) int {
	end := fs[b-1].at
	last := b
	for last > a && fs[last-1].at > end-1 { // the vent's first breath does not count
		last--
	}
	best, at, tried := clear*clear, b, math.Inf(-1)
	lo, hi := a, a
	for lo < last && fs[lo].at < fs[a].at+fillSettles {
		lo++
	}
	for j := lo; j < last; j++ {
		if fs[j].at < tried+0.2 {
			continue
		}
		tried = fs[j].at
		for fs[lo].at < tried-lookBack {
			lo++
		}
		for hi < last && fs[hi].at < tried+lookAhead {
			hi++
		}
		if tried-fs[lo].at < 3 || fs[max(hi-1, j)].at-tried < 2 {
			continue
		}
		if g := gain(fs[lo:hi], tried); g > best {
			best, at = g, j
		} else if at < b && tried > fs[at].at+lookAhead {
			break // the first is the torch; the seal comes after it
		}
	}
	return at
}

// stepped is from how large a fall on, in ln p, it is the gauge that was cut
// off from the tube and not the glass cooling after the seal.
const stepped = 0.006

// gain is how much better, in squared standard deviations, a line that goes
// over into a warming, or steps, at t0 fits than a line alone; 0 for what is
// neither.
func gain(fs []feature, t0 float64) float64 {
	var x, w, s sums
	for k := range fs {
		y := fs[k].raw
		if y != y {
			continue
		}
		t := fs[k].at - t0
		y -= fs[0].lp
		x.add(t, y, t)
		w.add(warming(t), y, t)
		u := 0.0
		if t > 0 {
			u = 1
		}
		s.add(u, y, t)
	}
	if x.n < 8 {
		return 0
	}
	g, c := w.beside(&x)
	if c < 0 {
		g = 0
	}
	if gs, cs := s.beside(&x); math.Abs(cs) > stepped {
		g = max(g, gs)
	}
	return g
}

// sums gathers what a regression on one more shape needs: x the shape, y the
// reading, t the time.
type sums struct{ n, x, y, t, xx, xy, yy, xt float64 }

func (s *sums) add(x, y, t float64) {
	s.n++
	s.x += x
	s.y += y
	s.t += t
	s.xx += x * x
	s.xy += x * y
	s.yy += y * y
	s.xt += x * t
}

// beside is what the shape adds to a straight line: how many squared standard
// deviations of the rest it explains, and its size. line has the time itself
// as its shape.
func (s *sums) beside(line *sums) (gain, size float64) {
	sxx := line.xx - line.x*line.x/line.n
	sxy := line.xy - line.x*line.y/line.n
	syy := line.yy - line.y*line.y/line.n
	sxw := s.xt - s.x*s.t/s.n
	left := s.xx - s.x*s.x/s.n - sxw*sxw/sxx // of the shape, what the line does not take
	if !(sxx > 0 && left > 1e-9) {
		return 0, 0
	}
	size = (s.xy - s.x*s.y/s.n - sxw*sxy/sxx) / left
	rest := syy - sxy*sxy/sxx - size*size*left
	return size * size * left / max(rest/(s.n-3), 2.5e-9), size
}
