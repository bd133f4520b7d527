package phase

import "time"

// Cursor goes along the segments of a run with its observations.
type Cursor struct {
	segments []Segment
	at       int
}

// NewCursor is a cursor at the beginning of segments, which are in order and
// without holes, as [Smooth] makes them.
func NewCursor(segments []Segment) *Cursor { return &Cursor{segments: segments} }

// At is the phase at t, a monotonic time that never goes back from call to call.
// From the last segment's end on it is still that segment's, as the last
// observation lies there; Idle if there are no segments.
func (c *Cursor) At(t time.Duration) ID {
	if len(c.segments) == 0 {
		return Idle
	}
	for c.at+1 < len(c.segments) && t >= c.segments[c.at].To {
		c.at++
	}
	return c.segments[c.at].Phase
}
