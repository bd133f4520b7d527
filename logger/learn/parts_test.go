package learn

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"tipoff/logger/journal"
	"tipoff/logger/observation"
)

// A run that was broken off is one run, whichever part of it something is written down of: what it
// taught is drawn anew, it is once among the good ones, and a fault seen of one part takes it
// out of them.
func TestMarksOfABrokenOffRun(t *testing.T) {
	_, store, shop := openStore(t, 1)
	runs := filepath.Join(store, "runs")
	first := filepath.Join(runs, shop[0].record.Run)
	const rest = "2026-11-25-901"
	last := filepath.Join(runs, rest)
	keep(t, store, rest, shop[0], noon.Add(time.Hour), "neon")
	if err := journal.UpdateMeta(first, func(m *journal.Meta) error { m.GoesOn = rest; return nil }); err != nil {
		t.Fatal(err)
	}
	// The recorder writes it as it begins, and nobody afterwards.
	f, err := os.OpenFile(filepath.Join(last, "run.toml"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	_, err = fmt.Fprintf(f, "\n[continues]\nrun = %q\nshift_ns = %d\n", filepath.Base(first), time.Hour)
	if err := errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	write := func(dir string, o observation.Observation) {
		t.Helper()
		o.At = noon
		if err := observation.Add(dir, o); err != nil {
			t.Fatal(err)
		}
	}
	card := shop[0].record.Card
	card.Gas = "neon"
	goods := func() []string {
		t.Helper()
		good, err := Good(runs, FamilyOf(card), "")
		if err != nil {
			t.Fatal(err)
		}
		var ids []string
		for _, g := range good {
			ids = append(ids, g.Run)
		}
		families, trouble := Families([]string{first, last}, 9)
		if len(trouble) > 0 || len(families) != 1 || !slices.Equal(families[0].Good, ids) {
			t.Errorf("the families have %+v, the corridor %v; %v", families, ids, trouble)
		}
		return ids
	}
	if x, fresh, err := OfRun(last, false); err != nil || !fresh || x.Glows != 0 || !slices.Equal(x.Before, []string{filepath.Base(first)}) {
		t.Fatalf("fresh %v, %+v, %v", fresh, x, err)
	}
	if _, fresh, err := OfRun(last, false); err != nil || fresh {
		t.Fatalf("nothing new, but read again: %v, %v", fresh, err)
	}
	write(first, observation.Observation{Kind: observation.Glow, Into: 320})
	if x, fresh, err := OfRun(last, false); err != nil || !fresh || x.Glows != 1 {
		t.Errorf("after a mark of its first part: fresh %v, %+v, %v", fresh, x, err)
	}
	if ids := goods(); len(ids) != 0 {
		t.Errorf("good before anybody said so: %v", ids)
	}
	write(first, observation.Observation{Kind: observation.Good})
	if ids := goods(); !slices.Equal(ids, []string{rest}) {
		t.Errorf("good: %v", ids)
	}
	write(last, observation.Observation{Kind: observation.Good})
	if ids := goods(); !slices.Equal(ids, []string{rest}) {
		t.Errorf("good, both parts marked: %v", ids)
	}
	write(first, observation.Observation{Kind: observation.Snaking})
	if ids := goods(); len(ids) != 0 {
		t.Errorf("good with a fault: %v", ids)
	}
}
