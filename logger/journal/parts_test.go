package journal

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// A run that was broken off twice: in the same boot, and by a power cut after which
// nobody knew the time until later. All lines come in order on the first part's clock;
// the second break, first only known to be at least so long, is known by the clock that
// the board was told afterwards.
func TestJoined(t *testing.T) {
	runs := filepath.Join(t.TempDir(), "runs")
	if err := os.MkdirAll(runs, 0o755); err != nil {
		t.Fatal(err)
	}
	wall := time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC)
	l := frame.NewLayout(time.Second, []frame.Channel{{Name: "g", Role: frame.Glass}})
	record := func(id string, from time.Duration, n int, started, ended Anchor, c *Continues) {
		w, err := Create(filepath.Join(runs, id), Meta{ID: id, BootID: id, Started: started, Continues: c}, l, Options{Patient: true})
		if err != nil {
			t.Fatal(err)
		}
		for i := range n {
			f := frame.Frame{Seq: uint64(i + 1), At: from + time.Duration(i)*time.Second}
			w.Append(&f, phase.Cool)
		}
		w.Event(Event{At: from, Kind: Note, ID: "x", Text: id})
		if err := w.Seal(func(m *Meta) { m.Outcome, m.Ended = Interrupted, ended }); err != nil {
			t.Fatal(err)
		}
	}
	s := time.Second
	record("a", 100*s, 10, At(100*s, wall, true), At(110*s, wall.Add(10*s), true), nil)
	record("b", 115*s, 10, At(115*s, wall.Add(15*s), true), At(125*s, wall.Add(25*s), true), &Continues{Run: "a"})
	// The board came up 30 s after the end of b, which it did not know: 20 s of boot and
	// the 5 s that a power-up takes at least. At its end it knows the time.
	least := 125*s + 25*s - 20*s
	record("c", 20*s, 10, At(20*s, time.Unix(0, 0), false), At(30*s, wall.Add(65*s), true), &Continues{Run: "b", ShiftNS: int64(least), AtLeast: true})

	j, err := OpenJoined(filepath.Join(runs, "c"), 0)
	if err != nil {
		t.Fatal(err)
	}
	var at []float64
	notes := 0
	var rec Record
	for {
		if err := j.Next(&rec); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		if rec.IsFrame {
			at = append(at, (rec.Frame.At - 100*s).Seconds())
		} else if rec.Event.Kind == Note {
			notes++
		}
	}
	// By the trusted clocks c began 65 - 10 = 55 s after a.
	if len(at) != 30 || notes != 3 || at[0] != 0 || at[9] != 9 || at[10] != 15 || at[20] != 55 || at[29] != 64 || j.Offset(2) != 55 || j.Lacking() != "" {
		t.Errorf("%d frames, %d notes: %v; c at %v s", len(at), notes, at, j.Offset(2))
	}
	if p := j.Parts(); p[1].AtLeast || p[2].AtLeast || j.Meta().ID != "c" {
		t.Errorf("%+v", p)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}

	// A part that is gone is named; the rest is read from its own start on.
	if err := os.RemoveAll(filepath.Join(runs, "a")); err != nil {
		t.Fatal(err)
	}
	parts, lacking, err := Parts(filepath.Join(runs, "c"))
	if err != nil || lacking != "a" || len(parts) != 2 || parts[0].Shift != 0 || parts[1].Meta.ID != "c" {
		t.Errorf("%+v, lacking %q, %v", parts, lacking, err)
	}
}

// A run.toml that names itself, or a folder elsewhere, leads nowhere.
func TestPartsOfNowhere(t *testing.T) {
	for _, to := range []string{"x", "../x", "/etc", "a/b/c", ""} {
		runs := filepath.Join(t.TempDir(), "runs")
		if err := os.MkdirAll(runs, 0o755); err != nil {
			t.Fatal(err)
		}
		w, err := Create(filepath.Join(runs, "x"), Meta{ID: "x", Started: At(time.Second, time.Unix(1, 0), false), Continues: &Continues{Run: to}},
			frame.NewLayout(time.Second, []frame.Channel{{Name: "g", Role: frame.Glass}}), Options{Patient: true})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		parts, lacking, err := Parts(filepath.Join(runs, "x"))
		if err != nil || len(parts) != 1 || lacking != to {
			t.Errorf("to %q: %d parts, lacking %q, %v", to, len(parts), lacking, err)
		}
	}
}

// A part that goes while the run is read is an error that names it, also for a
// caller who closes after an error, as all do.
func TestJoinedLosesAPart(t *testing.T) {
	runs := t.TempDir()
	l := frame.NewLayout(time.Second, []frame.Channel{{Name: "g", Role: frame.Glass}})
	for id, c := range map[string]*Continues{"a": nil, "b": {Run: "a"}} {
		started := At(time.Duration(id[0])*time.Second, time.Unix(int64(id[0]), 0), true)
		w, err := Create(filepath.Join(runs, id), Meta{ID: id, BootID: "x", Started: started, Continues: c}, l, Options{Patient: true})
		if err != nil {
			t.Fatal(err)
		}
		w.Append(&frame.Frame{Seq: 1, At: started.Mono()}, phase.Idle)
		if err := w.Seal(func(m *Meta) { m.Outcome, m.Ended = Interrupted, At(started.Mono()+time.Second, started.Wall, true) }); err != nil {
			t.Fatal(err)
		}
	}
	j, err := OpenJoined(filepath.Join(runs, "b"), 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(runs, "b", metaName)); err != nil {
		t.Fatal(err)
	}
	var rec Record
	n := 0
	for err == nil {
		if err = j.Next(&rec); err == nil && rec.IsFrame {
			n++
		}
	}
	if errors.Is(err, io.EOF) || !strings.Contains(err.Error(), "part 2 of the run, b") || n != 1 {
		t.Errorf("%d frames, %v", n, err)
	}
	if err := j.Close(); err != nil {
		t.Error(err)
	}
}
