package bench_test

import (
	"bytes"
	"context"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"tipoff/logger/bench"
	"tipoff/logger/envelope"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
	"tipoff/logger/sheet"
	"tipoff/logger/status"
)

// A logger that is killed once in each phase of a run, five seconds in, and is back
// three seconds later, leaves a chain of records. The sheet of the last judges the
// whole run: it knows what a logger that was never killed knows, and names every
// break. Every second kill leaves a record of another boot, as a power cut does.
func TestKilledInEachPhase(t *testing.T) {
	if testing.Short() {
		t.Skip("computes two runs")
	}
	const gone = 3 * time.Second
	over := func(x *status.Snapshot, b *bench.Bench, began bool) bool { return began && x.Run.ID == "" }

	ref := newShop(t, 1)
	ref.start(t, t.TempDir())
	began := false
	ref.run(t, nil, func(now time.Duration, x *status.Snapshot) bool {
		began = began || x.Run.ID != ""
		return over(x, ref.bench, began)
	})
	want, err := sheet.Make(runs(t, ref.bench)[0])
	if err != nil {
		t.Fatal(err)
	}

	s := newShop(t, 1)
	dir := t.TempDir()
	killed := map[phase.ID]bool{phase.Idle: true, phase.Vent: true} // what follows is no run any more
	for done := false; !done; {
		s.start(t, dir)
		ctx, stop := context.WithCancel(t.Context())
		next := t.TempDir()
		began := false
		s.run(t, ctx, func(now time.Duration, x *status.Snapshot) bool {
			if ctx.Err() != nil {
				return false
			}
			began = began || x.Run.ID != ""
			if over(x, s.bench, began) {
				done = true
				return true
			}
			if x.Run.ID != "" && !killed[x.Phase] && now-x.PhaseSince > 5*time.Second {
				killed[x.Phase] = true
				if err := s.cut(dir, next, len(killed)%2 == 0); err != nil {
					t.Error(err)
				}
				stop()
			}
			return false
		})
		stop()
		if !done {
			dir = next
			s.pass(gone)
		}
	}
	all := runs(t, s.bench)
	if len(all) != len(killed)-1 || len(all) < 10 {
		t.Fatalf("%d records of %d kills:\n%s", len(all), len(killed)-2, s.said.String())
	}
	for _, dir := range all[1:] {
		m, err := journal.LoadMeta(dir)
		if err != nil || m.Continues == nil {
			t.Fatalf("%s does not go on with the run before: %v", filepath.Base(dir), err)
		}
	}
	got, err := sheet.Make(all[len(all)-1])
	if err != nil {
		t.Fatal(err)
	}
	t.Log(got.Verdict.Text)
	if len(got.Run.Parts) != len(all) || math.Abs(float64(got.Run.DurationS-want.Run.DurationS)) > 1 {
		t.Errorf("%d parts, %v s; want %d, %v s", len(got.Run.Parts), got.Run.DurationS, len(all), want.Run.DurationS)
	}
	for i := range want.Limits {
		a, b := &got.Limits[i], &want.Limits[i]
		off := math.Abs(float64(a.Measured - b.Measured))
		known := b.Verdict == string(envelope.NotKnown) || a.Verdict != string(envelope.NotKnown)
		// Three seconds were not seen: so much may a time be off, and a slope or a mean
		// rest on other readings.
		if !known || off > 2*float64(b.Uncertainty)+4 && b.Unit == "s" || off > 2*float64(b.Uncertainty)+0.1*math.Abs(float64(b.Measured)) && b.Unit != "s" {
			t.Errorf("%s\nnever killed: %s", a.Text, b.Text)
		}
	}
	// A trace of it is of the whole run, too.
	var trace bytes.Buffer
	if err := bench.WriteTrace(all[len(all)-1], &trace); err != nil {
		t.Fatal(err)
	}
	rows := strings.Split(strings.TrimSpace(trace.String()), "\n")
	if first, last := rows[1], rows[len(rows)-1]; len(rows) != got.Summary.Frames+1 || !strings.HasPrefix(first, "0,") && !strings.HasPrefix(first, "0.") ||
		!strings.HasPrefix(last, strconv.FormatFloat(float64(got.Run.DurationS), 'f', -1, 64)+",") {
		t.Errorf("a trace of %d rows from %q to %q; the sheet has %d frames in %v s", len(rows)-1, first, last, got.Summary.Frames, got.Run.DurationS)
	}
	if n := len(got.Gaps); n != len(all)-1 {
		t.Errorf("%d gaps: %v", n, got.Gaps)
	}
}
