package phase

import (
	"testing"
	"time"
)

func TestCursor(t *testing.T) {
	s := time.Second
	c := NewCursor([]Segment{{Phase: Evacuate, From: s, To: 3 * s}, {Phase: LeakTest, From: 3 * s, To: 3 * s}, {Phase: Dry, From: 3 * s, To: 9 * s}, {Phase: Vent, From: 9 * s, To: 10 * s}})
	for _, w := range []struct {
		at   time.Duration
		want ID
	}{{s, Evacuate}, {3*s - 1, Evacuate}, {3 * s, Dry}, {9*s - 1, Dry}, {9 * s, Vent}, {10 * s, Vent}, {11 * s, Vent}} {
		if got := c.At(w.at); got != w.want {
			t.Errorf("at %v: %v, want %v", w.at, got, w.want)
		}
	}
	// An observation may come after more than one segment's end.
	if got := NewCursor(c.segments).At(9 * s); got != Vent {
		t.Errorf("from the beginning to 9 s: %v, want vent", got)
	}
	if got := NewCursor(nil).At(s); got != Idle {
		t.Errorf("without segments: %v, want idle", got)
	}
}
