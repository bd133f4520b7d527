package phase

import "time"

// Agreement is the share of time of truth during which found names the same
// phase, 0 to 1.
func Agreement(truth, found []Segment) float64 {
	var same, all time.Duration
	for _, t := range truth {
		all += t.To - t.From
		for _, f := range found {
			if f.Phase == t.Phase {
				same += max(0, min(t.To, f.To)-max(t.From, f.From))
			}
		}
	}
	if all == 0 {
		return 0
	}
	return float64(same) / float64(all)
}

// Boundary is one change of phase of the truth and how far from it the
// nearest change into the same phase was found.
type Boundary struct {
	From, To ID
	At       time.Duration
	Error    time.Duration // found − true; only with Found
	Found    bool          // a change into To exists within the limit
}

// Boundaries compares the changes of phase of truth with those found, up to
// limit apart.
func Boundaries(truth, found []Segment, limit time.Duration) []Boundary {
	var out []Boundary
	for i := 1; i < len(truth); i++ {
		b := Boundary{From: truth[i-1].Phase, To: truth[i].Phase, At: truth[i].From}
		for _, f := range found {
			d := f.From - b.At
			if f.Phase == b.To && d.Abs() <= limit && (!b.Found || d.Abs() < b.Error.Abs()) {
				b.Error, b.Found = d, true
			}
		}
		out = append(out, b)
	}
	return out
}
