package rms

import "math"

// ends is the standard uncertainty of an RMS over n half cycles and t ns by where they
// begin and end. A waveform with harmonics so steep that it goes to and fro about its
// mean crosses it more than once a half cycle; which of these crossings is taken depends
// on where the samples fall, and a window from one to another is no whole cycles. It
// shows in the cycles' lengths, which else change evenly. One that is longer by d
// alters a mean square of t by up to d/t, and the second difference of lengths is then
// d or more.
func (m *Meter) ends(n uint64, rms, t float64) float64 {
	var one, two, most float64 // the lengths of the two cycles after
	for i := uint64(0); i+1 < n; i += 2 {
		now := m.at(i).t + m.at(i+1).t
		if i >= 4 {
			most = math.Max(most, math.Abs(now-2*one+two))
		}
		one, two = now, one
	}
	return rms * most / (4 * t)
}
