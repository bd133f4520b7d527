package sheet

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/logger/journal"
	"tipoff/logger/learn"
	"tipoff/logger/phase"
)

// copyLines records the lines of the run in src that keep says yes to again, as run id
// in the folder runs, with times later by shift.
func copyLines(t testing.TB, src, runs, id string, shift time.Duration, change func(m *journal.Meta), keep func(at time.Duration) bool) string {
	t.Helper()
	r, err := journal.Open(src)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	m := *r.Meta()
	from := time.Duration(-1)
	end := time.Duration(0)
	dir := filepath.Join(runs, id)
	var w *journal.Writer
	var rec journal.Record
	for {
		if err := r.Next(&rec); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		at := rec.Event.At
		if rec.IsFrame {
			at = rec.Frame.At
		}
		if !keep(at) || !rec.IsFrame && w == nil {
			continue
		}
		if w == nil {
			from = at
			meta := journal.Meta{ID: id, BenchName: m.BenchName, Tube: m.Tube, Software: "test", BootID: m.BootID, Card: m.Card, Bench: m.Bench,
				Started: journal.At(from+shift, m.Started.Wall.Add(from-m.Started.Mono()), true)}
			change(&meta)
			if w, err = journal.Create(dir, meta, r.Layout(), journal.Options{Patient: true}); err != nil {
				t.Fatal(err)
			}
		}
		switch {
		case rec.IsFrame:
			f := rec.Frame
			f.At += shift
			w.Append(&f, rec.Phase)
			end = f.At
		case rec.Event.Kind != journal.PhaseChanged && rec.Event.Kind != journal.ClockAnchor:
			e := rec.Event
			e.At += shift
			w.Event(e)
		}
	}
	meta := func(n *journal.Meta) {
		n.Outcome, n.Ended = journal.Completed, journal.At(end, m.Started.Wall.Add(end-shift-m.Started.Mono()), true)
		change(n)
	}
	if err := w.Seal(meta); err != nil {
		t.Fatal(err)
	}
	return dir
}

// gone is for how long nobody recorded.
const gone = 8 * time.Second

// brokenAt is the run in src, broken off at a time; of another boot afterwards if
// shift is not 0. whole is the same frames in one record.
func brokenAt(t testing.TB, src string, at, shift time.Duration) (first, rest, whole string) {
	t.Helper()
	runs := filepath.Join(t.TempDir(), "runs")
	one := t.TempDir()
	none := func(*journal.Meta) {}
	first = copyLines(t, src, runs, "2026-11-25-001", 0, func(m *journal.Meta) { m.Outcome = journal.Interrupted }, func(s time.Duration) bool { return s < at })
	rest = copyLines(t, src, runs, "2026-11-25-002", shift, func(m *journal.Meta) {
		m.Continues = &journal.Continues{Run: "2026-11-25-001", ShiftNS: int64(-shift)}
		if shift != 0 {
			m.BootID = "00000000-0000-0000-0000-000000000000"
		}
	}, func(s time.Duration) bool { return s >= at+gone })
	whole = copyLines(t, src, filepath.Join(one, "runs"), "2026-11-25-002", 0, none, func(s time.Duration) bool { return s < at || s >= at+gone })
	return first, rest, whole
}

// A run that was broken off in the middle of any phase, by a kill or by a power cut
// after which the board's clock counts anew, is judged from all that was recorded of
// it, just as if it stood in one record: every finding, every phase, what was seen of
// the plant, what it teaches. The break is named in the verdict and among the gaps.
func TestBrokenOffInEachPhase(t *testing.T) {
	src := recordRun(t, evening(280), cardText, benchText)
	m, err := journal.LoadMeta(src)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range m.Phases {
		if testing.Short() && p.Phase != phase.Shells.String() {
			continue
		}
		at := began + time.Duration((p.FromS+p.ToS)/2*float64(time.Second)) - gone/2
		shift := time.Duration(0)
		if i%2 == 1 {
			shift = -at - gone + 21*time.Second // the board has been up for 21 s
		}
		first, rest, whole := brokenAt(t, src, at, shift)
		got, err := Make(rest)
		if err != nil {
			t.Fatal(err)
		}
		want, err := Make(whole)
		if err != nil {
			t.Fatal(err)
		}
		in := fmt.Sprintf("broken off in %s", p.Phase)
		if seconds(t, got.Limits) != seconds(t, want.Limits) || got.Verdict.Overall != want.Verdict.Overall {
			t.Errorf("%s: limits\n%s\nwant\n%s", in, seconds(t, got.Limits), seconds(t, want.Limits))
		}
		if a, b := seconds(t, got.Phases), seconds(t, want.Phases); a != b {
			t.Errorf("%s: phases\n%s\nwant\n%s", in, a, b)
		}
		if a, b := seconds(t, got.Vacuum), seconds(t, want.Vacuum); a != b {
			t.Errorf("%s: vacuum\n%s\nwant\n%s", in, a, b)
		}
		if a, b := seconds(t, got.Alarms), seconds(t, want.Alarms); a != b {
			t.Errorf("%s: alarms\n%s\nwant\n%s", in, a, b)
		}
		if a, b := seconds(t, got.Advice), seconds(t, want.Advice); a != b {
			t.Errorf("%s: advice\n%s\nwant\n%s", in, a, b)
		}
		if got.Run.Started != want.Run.Started || got.Run.DurationS != want.Run.DurationS || len(got.Run.Parts) != 2 {
			t.Errorf("%s: %+v, want %+v", in, got.Run, want.Run)
		}
		named := fmt.Sprintf("Not recorded: %s to %s (", clock(Number((at-began).Seconds()-0.2)), clock(Number((at + gone - began).Seconds())))
		if !strings.Contains(got.Verdict.Text, named) || len(got.Gaps) != len(want.Gaps) || !strings.Contains(fmt.Sprint(got.Gaps), "run 2026-11-25-001 was broken off") {
			t.Errorf("%s: %q does not name %q, or gaps %v", in, got.Verdict.Text, named, got.Gaps)
		}
		if p.Phase != phase.Shells.String() {
			continue
		}
		// Half a second apart frames fall otherwise after the break than without it.
		a, err := learn.Read(rest)
		if err != nil {
			t.Fatal(err)
		}
		b, err := learn.Read(whole)
		if err != nil {
			t.Fatal(err)
		}
		if len(a.Tracks) != len(b.Tracks) || a.Why != b.Why {
			t.Errorf("%s: teaches %d tracks, %q; want %d, %q", in, len(a.Tracks), a.Why, len(b.Tracks), b.Why)
		}

		// The first part points to the whole, and is not counted beside it.
		if err := got.Save(rest); err != nil {
			t.Fatal(err)
		}
		left, err := journal.LoadMeta(first)
		if err != nil {
			t.Fatal(err)
		}
		text, err := Artifact(first, "sheet.txt")
		if err != nil || left.GoesOn != "2026-11-25-002" || left.Verdict != "not known" || len(left.Findings) > 0 ||
			!strings.Contains(strings.Join(strings.Fields(string(text)), " "), "it goes on as run 2026-11-25-002") || bytes.Contains(text, []byte("\nLimits\n")) {
			t.Errorf("%s: the first part, %v:\n%s", in, err, text)
		}
		if err := errors.Join(journal.Verify(first), journal.Verify(rest)); err != nil {
			t.Error(err)
		}
	}
}

// seconds is x as the sheet's JSON writes it.
func seconds(t testing.TB, x any) string {
	t.Helper()
	text, err := json.MarshalIndent(x, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
