package bench

import (
	"testing"
	"time"

	"tipoff/logger/journal"
)

// How long the break was: by the monotonic clock within a boot, by the wall clock
// where both ends are trusted, else as long as the board has been up, at least.
func TestBrokenFor(t *testing.T) {
	wall := time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC)
	meta := func(boot string, trusted bool) *journal.Meta {
		return &journal.Meta{BootID: boot, Ended: journal.At(900*time.Second, wall, trusted)}
	}
	for name, c := range map[string]struct {
		m       *journal.Meta
		now     time.Duration
		wall    time.Time
		trusted bool
		broke   time.Duration
		guess   bool
	}{
		"killed":                        {meta("a", false), 907 * time.Second, wall.Add(time.Hour), true, 7 * time.Second, false},
		"a demo from the start":         {meta("a", true), 0, wall, true, -900 * time.Second, false},
		"power cut, clock kept":         {meta("b", true), 20 * time.Second, wall.Add(3 * time.Minute), true, 3 * time.Minute, false},
		"power cut, clock not yet told": {meta("b", true), 20 * time.Second, wall.Add(-time.Hour), false, 25 * time.Second, true},
		"never told":                    {meta("b", false), 20 * time.Second, wall.Add(time.Minute), true, 25 * time.Second, true},
	} {
		broke, guess := brokenFor(c.m, "a", c.now, c.wall, c.trusted)
		if broke != c.broke || guess != c.guess {
			t.Errorf("%s: %v, guess %v; want %v, %v", name, broke, guess, c.broke, c.guess)
		}
	}
}
