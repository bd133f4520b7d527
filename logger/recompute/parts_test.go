package recompute_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"tipoff/logger/journal"
	"tipoff/logger/recompute"
	"tipoff/logger/sheet"
)

// copyPart records the frames of src from one time to another again, as a run that
// goes on with before if that is not "".
func copyPart(t *testing.T, src, dir, before string, keep func(at time.Duration) bool) {
	t.Helper()
	r, err := journal.Open(src)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	m := *r.Meta()
	m.ID = filepath.Base(dir)
	if before != "" {
		m.Continues = &journal.Continues{Run: before}
	}
	var w *journal.Writer
	var rec journal.Record
	for {
		if err := r.Next(&rec); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		if !rec.IsFrame || !keep(rec.Frame.At) {
			continue
		}
		if w == nil {
			m.Started = journal.At(rec.Frame.At, m.Started.Wall, true)
			m.Phases, m.Ended = nil, journal.Anchor{}
			if w, err = journal.Create(dir, m, r.Layout(), journal.Options{Patient: true}); err != nil {
				t.Fatal(err)
			}
		}
		w.Append(&rec.Frame, rec.Phase)
	}
	if err := w.Seal(func(m *journal.Meta) {
		m.Outcome = journal.Interrupted
		if before != "" {
			m.Outcome = journal.Completed
		}
	}); err != nil {
		t.Fatal(err)
	}
}

// The rest of a run that was broken off is recomputed and judged together with the
// part before, with the same calibration for both: all comes out as of one record
// that lacks the same frames.
func TestRecomputeJudgesAllParts(t *testing.T) {
	runs, apart := filepath.Join(t.TempDir(), "runs"), filepath.Join(t.TempDir(), "runs")
	src := filepath.Join(t.TempDir(), "2026-11-25-001")
	newRig(t, src, benchOf("3:1")).evening()
	const broke, on = 180 * time.Second, 188 * time.Second // in the middle of the bombard
	first, rest, whole := filepath.Join(runs, "2026-11-25-001"), filepath.Join(runs, "2026-11-25-002"), filepath.Join(apart, "2026-11-25-002")
	copyPart(t, src, first, "", func(at time.Duration) bool { return at < broke })
	copyPart(t, src, rest, "2026-11-25-001", func(at time.Duration) bool { return at >= on })
	copyPart(t, src, whole, "", func(at time.Duration) bool { return at < broke || at >= on })

	got, err := recompute.Run(t.Context(), rest, options("part.toml", partFile))
	if err != nil {
		t.Fatal(err)
	}
	want, err := recompute.Run(t.Context(), whole, options("part.toml", partFile))
	if err != nil {
		t.Fatal(err)
	}
	if len(want.PhasesAfter) < 4 || len(want.Limits) == 0 {
		t.Fatalf("the recomputation changes nothing: %+v", want)
	}
	if !reflect.DeepEqual(got.PhasesBefore, want.PhasesBefore) || !reflect.DeepEqual(got.PhasesAfter, want.PhasesAfter) {
		t.Errorf("phases %v\nwant %v", got.PhasesAfter, want.PhasesAfter)
	}
	same := len(got.Limits) == len(want.Limits)
	for i := range min(len(got.Limits), len(want.Limits)) { // the record keeps values to a hundredth of their uncertainty
		a, b := &got.Limits[i], &want.Limits[i]
		same = same && a.ID == b.ID && a.Before == b.Before && a.After == b.After && !(math.Abs(a.Now/b.Now-1) > 1e-3)
	}
	if got.SummaryBefore != want.SummaryBefore || got.SummaryAfter != want.SummaryAfter || !same {
		t.Errorf("%q, %q, %+v\nwant %q, %q, %+v", got.SummaryBefore, got.SummaryAfter, got.Limits, want.SummaryBefore, want.SummaryAfter, want.Limits)
	}
	if !reflect.DeepEqual(got.JudgedWith, []string{"2026-11-25-001/recomputed-1"}) {
		t.Errorf("judged with %v", got.JudgedWith)
	}
	// The sheet of the recomputed readings joins the recomputed parts.
	a, err := sheet.Make(filepath.Join(rest, "recomputed-1"))
	if err != nil {
		t.Fatal(err)
	}
	b, err := sheet.Make(filepath.Join(whole, "recomputed-1"))
	if err != nil {
		t.Fatal(err)
	}
	if fmt.Sprint(a.Summary) != fmt.Sprint(b.Summary) || a.Verdict.Overall != b.Verdict.Overall || len(a.Run.Parts) != 2 {
		t.Errorf("the sheet: %+v, want %+v", a.Summary, b.Summary)
	}
	// Once more, the first part is not recomputed anew.
	if _, err := recompute.Run(t.Context(), rest, options("part.toml", partFile)); err != nil {
		t.Fatal(err)
	}
	if all, err := recompute.List(first); err != nil || len(all) != 1 {
		t.Errorf("%d recomputations of the first part, %v", len(all), err)
	}
}
