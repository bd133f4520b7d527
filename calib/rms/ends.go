package rms

import "math"

// A waveform with harmonics so steep that it goes to and fro about its mean crosses it
// more than once a half cycle; which of these crossings is taken depends on where the
// samples fall, and a window from one to another is no whole cycles. It shows in the
// cycles' lengths, which else change evenly.

// unlike is the largest second difference of the lengths of the cycles in the last n half
// cycles, ns. A cycle that is longer by d than the others makes one of d or more.
func (m *Meter) unlike(n uint64) (most float64) {
	var one, two float64 // the lengths of the two cycles after
	for i := uint64(0); i+1 < n; i += 2 {
		now := m.at(i).t + m.at(i+1).t
		if i >= 4 {
			most = math.Max(most, math.Abs(now-2*one+two))
		}
		one, two = now, one
	}
	return most
}

const (
	// odd is the share of a window from which on cycles that are unlike each other are
	// mended: it alters an RMS by a quarter of it.
	odd = 1e-4
	// forPeriod is over how many half cycles the period is fitted, about a second.
	forPeriod = 100
	// leftOver is what is left of the ends' error when that is done.
	leftOver = 0.25
)

// period is half a period of the mains, ns, by the straight line through the ends of the
// last half cycles, in which it does not matter much which crossings they are; 0 if
// there are not twice as many as the n of a window.
func (m *Meter) period(n uint64) float64 {
	last := m.at(0).end
	var k, sum, moment float64
	for i := uint64(0); i < min(m.count, forPeriod) && m.at(i).whole; i++ {
		back := last - m.at(i).end
		k, sum, moment = k+1, sum+back, moment+float64(i)*back
	}
	if k < 2*float64(n) {
		return 0
	}
	return (moment - 0.5*(k-1)*sum) * 12 / (k * (k*k - 1))
}

// sudden tells whether half or more of the last n half cycles began with an edge.
func (m *Meter) sudden(n uint64) bool {
	var k uint64
	for i := range n {
		if m.at(i).jump.sudden {
			k++
		}
	}
	return k*2 >= n
}

// ends brings a reading over the last n half cycles and t ns to whole cycles where theirs
// are unlike each other and edges are not the reason, and gives the standard uncertainty
// of the RMS by where the window begins and ends. A mean square is off by up to d/t. What
// the window has too much, or too little, is as large as the samples next to its ends.
func (m *Meter) ends(r *Reading, n uint64, t float64) float64 {
	d := m.unlike(n)
	u := r.RMS * d / (4 * t)
	p := 0.0
	if d > odd*t && !m.sudden(n) {
		p = float64(n) * m.period(n)
	}
	if !(math.Abs(p-t) < 2*d) {
		return u
	}
	var y2 float64
	for _, j := range [...]*jump{&m.at(n - 1).jump, &m.open.jump} {
		a, b := j.x0-r.Mean, j.x1-r.Mean
		y2 += 0.25 * (a*a + b*b)
	}
	if ms := (r.RMS*r.RMS*t - y2*(t-p)) / p; ms > 0 {
		r.RMS, r.Frequency = math.Sqrt(ms), float64(n)/2/(p*1e-9)
		u *= leftOver
	}
	return u
}
