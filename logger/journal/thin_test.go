package journal

import (
	"errors"
	"io"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// A thinned reader gives every fifth frame as the full one does, and all events,
// of a run that is recorded and of one that is sealed.
func TestThinned(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "run")
	w, err := Create(dir, testMeta(), testLayout(), Options{Patient: true})
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; i <= 1003; i++ {
		f := testFrame(i)
		if i%100 == 0 {
			w.Event(Event{At: f.At, Kind: CardAssigned, ID: "PP-02"})
		}
		w.Append(f, 0)
	}
	if err := w.Seal(func(m *Meta) { m.Outcome = Completed }); err != nil {
		t.Fatal(err)
	}
	read := func(r *Reader, err error) (frames, events []Record) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		for {
			var rec Record
			if err := r.Next(&rec); errors.Is(err, io.EOF) {
				return frames, events
			} else if err != nil {
				t.Fatal(err)
			}
			if rec.IsFrame {
				frames = append(frames, rec)
			} else {
				events = append(events, rec)
			}
		}
	}
	all, events := read(Open(dir))
	few, fewEvents := read(OpenThinned(dir, 500*time.Millisecond))
	if len(all) != 1003 || len(few) != 200 || len(events) < 10 || len(fewEvents) != len(events) {
		t.Fatalf("%d frames and %d events; thinned %d and %d", len(all), len(events), len(few), len(fewEvents))
	}
	for i := range few {
		if d := cmp.Diff(all[5*i+4], few[i], cmpopts.EquateNaNs()); d != "" {
			t.Fatalf("thinned frame %d: %s", i, d)
		}
	}
}
