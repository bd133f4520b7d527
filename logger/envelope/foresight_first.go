package envelope

import (
	"math"

	"tipoff/logger/phase"
)

// First is what will be done first if nothing changes: the glass, that is, at its
// target, or the shells.
type First uint8

// The answers.
const (
	FirstUnknown First = iota
	FirstGlass
	FirstShells
	FirstEither // the uncertainty of the shells does not let it be told
)

// String is a word for the page.
func (f First) String() string { return [...]string{"not known", "glass", "shells", "either"}[f] }

// longestWait is from when on something is taken never to be done, s.
const longestWait = 600.0

// foreseeFirst tells when glass and shells will be done as things are, and which
// first. It wants a burning arc, a target and a card with an electrode.
func (f *Foresight) foreseeFirst(o phase.Observation) {
	s := &f.state
	s.GlassIn, s.ShellsIn, s.First = math.NaN(), math.NaN(), FirstUnknown
	if !(o.Current > ArcCurrent) || !(o.Pressure > 0) || f.shells.area == 0 || !s.Known || f.target != f.target {
		return
	}
	s.GlassIn = ahead(f.target-o.Glass, s.Rate, f.cooling)
	power := f.shells.power(o.Current, max(0.05, o.Pressure/torr))
	slow, mid, quick := f.shells.left(0, power), f.shells.left(1, power), f.shells.left(2, power)
	s.ShellsIn = mid
	glass := min(s.GlassIn, longestWait)
	switch {
	case o.Glass != o.Glass || glass >= longestWait && quick >= longestWait:
		// Neither comes about.
	case glass < min(quick, longestWait):
		s.First = FirstGlass
	case glass > min(slow, longestWait):
		s.First = FirstShells
	default:
		s.First = FirstEither
	}
}

// left is how long shell i of the three has still to be heated with a power (W),
// until it has been bright as long as is wanted, s; +Inf if it never gets bright.
func (s *shellTrack) left(i int, power float64) float64 {
	rest := max(0, s.wanted-s.time[i])
	if s.celsius[i] >= s.bright {
		return rest
	}
	const n = 40
	step := (s.bright - s.celsius[i]) / n
	t := s.celsius[i] + step/2
	power *= 1 + float64(i-1)*s.doubt
	for range n {
		net := power - s.radiated(t, s.glass)
		if net <= 0 {
			return math.Inf(1)
		}
		rest += s.mass * s.heat * step / net
		t += step
	}
	return rest
}
