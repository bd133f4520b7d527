package phase

import (
	"math"
	"slices"
)

// refine moves boundaries whose moment shows sharper in the readings, seen
// both ways in time, than in the model's prices. It returns the indexes at which a
// tip-off begins by habit alone.
func refine(way []node, fs []feature, o *Options) (habit []int) {
	for i := len(way) - 1; i > 0; i-- {
		// An arc that went out for good was put out: what follows it began then.
		if to := way[i]; (to == nFinal || to == nPumpOut) && offNode[way[i-1]] {
			way[i-1] = to
		}
	}
	for i := len(way) - 1; i > 0; i-- {
		// What was let in and pumped out again was a flush, however much it was.
		if way[i-1] == nFill && (way[i] == nFlushOut || way[i] == nFlushIn) {
			way[i-1] = nFlushIn
		}
	}
	for a := 0; a < len(way); {
		b := a
		for b < len(way) && nodePhase[way[b]] == nodePhase[way[a]] {
			b++
		}
		switch nodePhase[way[a]] {
		case LeakTest:
			a0 := max(0, a-1)
			if way[a0] == nEvac {
				b = shutStopcock(way, fs, a)
			}
		case Fill, TipOff:
			for b < len(way) && (nodePhase[way[b]] == TipOff || nodePhase[way[b]] == Fill) {
				b++
			}
			if way[a] == nFill {
				if cut, shows := tipOff(way, fs, a, b, o); !shows {
					habit = append(habit, cut)
				}
			}
		case Idle:
			if a > 0 && way[a-1] == nVent {
				ventEnd(way, fs, a, b)
			}
		}
		a = b
	}
	return habit
}

// shutStopcock puts the end of evacuation, now at i, where the pressure leaves
// its base: the best fit of two straight lines to ln p.
// It returns the end of the leak test.
func shutStopcock(way []node, fs []feature, i int) int {
	const reach = 20 // s to look either way
	lo, hi := i, i
	for lo > 0 && way[lo-1] == nEvac && fs[i].at-fs[lo-1].at < reach {
		lo--
	}
	for hi+1 < len(way) && way[hi+1] == nLeak && fs[hi+1].at-fs[i].at < reach {
		hi++
	}
	end := fs[hi].at - 1
	if end < fs[i].at+8 && rises(fs, i, hi, end) < 3 {
		// Too short for a test, and nothing rose before the air came.
		for ; i < len(way) && way[i] == nLeak; i++ {
			way[i] = nEvac
		}
		return i
	}
	for hi > i+1 && fs[hi].at > end {
		hi-- // the smoothed pressure already sees what ends the test
	}
	least := math.Inf(1)
	for j := lo; j <= hi; j++ {
		least = min(least, fs[j].lp)
	}
	a := hi // from here on the pressure is near its lowest
	for a > lo && !(fs[a].lp < least+0.03) {
		a--
	}
	for a > lo && fs[a-1].lp < least+0.1 {
		a--
	}
	k, best := a, math.Inf(1)
	var left, right fit
	for j := a; j <= hi; j++ {
		right.add(fs[j].at-fs[a].at, fs[j].lp, 1)
	}
	for j := a; j <= hi; j++ {
		if e := left.sloped() + right.sloped(); e < best {
			k, best = j, e
		}
		left.add(fs[j].at-fs[a].at, fs[j].lp, 1)
		right.add(fs[j].at-fs[a].at, fs[j].lp, -1)
	}
	for j := lo; j <= hi; j++ {
		way[j] = nLeak
		if j < k {
			way[j] = nEvac
		}
	}
	for hi+1 < len(way) && way[hi+1] == nLeak {
		hi++
	}
	return hi + 1
}

// rises is by how many standard deviations ln p rises over [i, j] before end.
func rises(fs []feature, i, j int, end float64) float64 {
	var f fit
	for k := i; k <= j && fs[k].at < end; k++ {
		f.add(fs[k].at-fs[i].at, fs[k].raw, 1)
	}
	sxx := f.xx - f.x*f.x/max(f.n, 1)
	if f.n < 4 || sxx < 1e-6 {
		return 0
	}
	b := (f.xy - f.x*f.y/f.n) / sxx
	return b / math.Sqrt(max(f.sloped()/(f.n-2), 2.5e-9)/sxx)
}

// middle is the median ln p of fs, NaN if there is none.
func middle(fs []feature) float64 {
	y := make([]float64, 0, len(fs))
	for i := range fs {
		if fs[i].lp == fs[i].lp {
			y = append(y, fs[i].lp)
		}
	}
	if len(y) == 0 {
		return math.NaN()
	}
	slices.Sort(y)
	return y[len(y)/2]
}

// ventEnd puts the end of venting, now at a, where the pressure comes within
// 2 % of where it settles.
func ventEnd(way []node, fs []feature, a, b int) {
	e := a
	for e < b && fs[e].at < fs[a].at+60 {
		e++
	}
	level := middle(fs[(a+e)/2 : e])
	j := a
	for j > 0 && way[j-1] == nVent && fs[j-1].lp > level-0.02 {
		j--
	}
	for ; j < a; j++ {
		way[j] = nIdle
	}
	for j = a; j < e-1 && fs[j].lp < level-0.02; j++ {
		way[j] = nVent
	}
}

// fit gathers sums for least squares; it can be slid.
type fit struct{ n, x, y, xx, xy, yy float64 }

func (s *fit) add(x, y, w float64) {
	if y != y {
		return
	}
	s.n += w
	s.x += w * x
	s.y += w * y
	s.xx += w * x * x
	s.xy += w * x * y
	s.yy += w * y * y
}

// flat is the squared error left by a constant.
func (s *fit) flat() float64 {
	if s.n < 1.5 {
		return 0
	}
	return max(0, s.yy-s.y*s.y/s.n)
}

// sloped is the squared error left by a straight line.
func (s *fit) sloped() float64 {
	v := s.xx - s.x*s.x/max(s.n, 1)
	if s.n < 2.5 || v < 1e-6 {
		return 0
	}
	c := s.xy - s.x*s.y/s.n
	return max(0, s.flat()-c*c/v)
}
