package observation

import (
	"path/filepath"
	"testing"
	"time"

	"tipoff/logger/frame"
	"tipoff/logger/journal"
)

// brokenOff makes a run of which the first part began at 100 s, was broken off and went
// on 300 s later. The parts' IDs are "a" and "b".
func brokenOff(t *testing.T) (a, b string) {
	t.Helper()
	l := frame.NewLayout(100*time.Millisecond, []frame.Channel{{Name: "manifold", Role: frame.Pressure}})
	runs := t.TempDir()
	for id, meta := range map[string]journal.Meta{
		"a": {Started: journal.At(100*time.Second, time.Unix(1e9, 0), true)},
		"b": {Started: journal.At(400*time.Second, time.Unix(1e9+300, 0), true), Continues: &journal.Continues{Run: "a"}},
	} {
		meta.ID, meta.BootID = id, "boot"
		w, err := journal.Create(filepath.Join(runs, id), meta, l, journal.Options{Patient: true})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Seal(func(m *journal.Meta) {
			m.Outcome, m.Ended = journal.Interrupted, journal.At(500*time.Second, time.Unix(1e9+400, 0), true)
		}); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(runs, "a"), filepath.Join(runs, "b")
}

func goOn(t *testing.T, a string) {
	t.Helper()
	if err := journal.UpdateMeta(a, func(m *journal.Meta) error { m.GoesOn = "b"; return nil }); err != nil {
		t.Fatal(err)
	}
}

// What is written of either part is of the run: both list it, either takes it back, and
// for the patterns there is one run, also to a tube that was aged under the first's name.
func TestSeenOfAllParts(t *testing.T) {
	a, b := brokenOff(t)
	at := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	for i, o := range []struct {
		dir string
		Observation
	}{
		{a, Observation{Kind: Good}},
		{b, Observation{Kind: Glow, Into: 320}}, // 20 s into b
		{b, Observation{Kind: Glow, Into: 120}}, // of a
	} {
		if i == 1 {
			goOn(t, a) // the first was written before the rest was judged
		}
		o.At = at.Add(time.Duration(i) * time.Hour)
		if err := Add(o.dir, o.Observation); err != nil {
			t.Fatal(err)
		}
	}
	if list, err := Load(b); err != nil || len(list) != 1 || list[0].Into != 20 {
		t.Errorf("beside the second part: %+v, %v", list, err)
	}
	if list, err := Load(a); err != nil || len(list) != 2 || list[1].Into != 120 {
		t.Errorf("beside the first part: %+v, %v", list, err)
	}
	for _, dir := range []string{a, b} {
		list, err := Of(dir)
		if err != nil || len(list) != 3 || list[0].Kind != Good || list[1].Into != 320 || list[2].Into != 120 {
			t.Fatalf("%s: %+v, %v", filepath.Base(dir), list, err)
		}
	}
	runs, looked, trouble := OfRuns([]string{b, a})
	if len(runs) != 1 || runs[0].ID != "b" || looked != 1 || len(runs[0].Seen) != 1 || len(trouble) != 0 {
		t.Errorf("%+v, %d looked at, %v", runs, looked, trouble)
	}
	if err := Withdraw(b, 1, at); err != nil {
		t.Fatal(err)
	}
	if list, err := Of(a); err != nil || list[0].Stands() || !list[1].Stands() {
		t.Errorf("%+v, %v", list, err)
	}
	if err := Withdraw(b, 4, at); err == nil {
		t.Error("a fourth was taken back")
	}
	if Begun(a) != 0 || Begun(b) != 300 {
		t.Errorf("begun %v, %v s before", Begun(a), Begun(b))
	}
}

// Where the run that it goes on in was taken away the part is on its own again.
func TestSeenWithoutTheRest(t *testing.T) {
	a, b := brokenOff(t)
	if err := journal.UpdateMeta(a, func(m *journal.Meta) error { m.GoesOn = "gone"; return nil }); err != nil {
		t.Fatal(err)
	}
	if Whole(a) != a || Whole(b) != b {
		t.Errorf("%s, %s", Whole(a), Whole(b))
	}
}
