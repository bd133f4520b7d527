package archive

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

var wall = time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC)

// record makes a run and leaves it unsealed; seal ends it.
func record(t testing.TB, a *Archive, id string, at time.Time, trusted bool) *journal.Writer {
	t.Helper()
	l := frame.NewLayout(100*time.Millisecond, []frame.Channel{{Name: "glass", Role: frame.Glass}})
	w, err := journal.Create(a.RunDir(id), journal.Meta{
		ID: id, BenchName: "bench-1", Tube: "PP-01", Started: journal.At(5*time.Second, at, trusted),
	}, l, journal.Options{Every: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 20 {
		f := frame.Frame{Seq: uint64(i), At: 5*time.Second + time.Duration(i)*100*time.Millisecond}
		f.Readings[0] = frame.Reading{Value: calib.Value{X: 20, U: 1}, Raw: 1, Aux: math.NaN(), Samples: 1}
		w.Append(&f, phase.Evacuate)
	}
	return w
}

func seal(t testing.TB, w *journal.Writer) {
	t.Helper()
	if err := w.Seal(func(m *journal.Meta) { m.Outcome = journal.Completed }); err != nil {
		t.Fatal(err)
	}
}

func open(t testing.TB, dir string) *Archive {
	t.Helper()
	a, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func ids(t testing.TB, a *Archive) string {
	t.Helper()
	list, err := a.List()
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, e := range list {
		all = append(all, e.ID)
	}
	return strings.Join(all, " ")
}

func TestArchive(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "runs")
	a := open(t, dir)
	if _, err := a.Find("last"); !errors.Is(err, ErrNotFound) {
		t.Errorf("last of none: %v", err)
	}
	id1, err := a.NewID(wall, true, "boot")
	if err != nil || id1 != "2026-11-25-001" {
		t.Fatalf("first ID %q, %v", id1, err)
	}
	seal(t, record(t, a, id1, wall, true))
	id2, _ := a.NewID(wall, true, "boot")
	if id2 != "2026-11-25-002" {
		t.Errorf("second ID %q", id2)
	}
	if err := record(t, a, id2, wall.Add(time.Hour), true).Close(); err != nil { // the power went
		t.Fatal(err)
	}
	id3, _ := a.NewID(wall, false, "3F2A91C0-7e1d-4000-8000-000000000000")
	if id3 != "boot-3f2a91c0-001" {
		t.Errorf("ID without a clock %q", id3)
	}
	seal(t, record(t, a, id3, time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC), false))
	if err := os.MkdirAll(filepath.Join(dir, "2026-11-24-001"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "2026-11-24-001", "run.toml"), []byte("format = 1\nid = \x00"), 0o644); err != nil {
		t.Fatal(err)
	}

	// Dated runs by date, then the others.
	const want = "2026-11-25-002 2026-11-25-001 boot-3f2a91c0-001 2026-11-24-001"
	if got := ids(t, a); got != want {
		t.Errorf("list %s, want %s", got, want)
	}
	bad, err := a.Find("2026-11-24")
	if err != nil || !strings.Contains(bad.Trouble, "line 2") {
		t.Errorf("the damaged run: %+v, %v", bad, err)
	}
	e, err := a.Find("last")
	if err != nil || e.ID != id2 || e.Outcome != journal.Recording || e.Tube != "PP-01" || e.Bench != "bench-1" {
		t.Errorf("last: %+v, %v", e, err)
	}
	if _, err := a.Find("2026-11-25"); !errors.Is(err, ErrNotFound) || !strings.Contains(err.Error(), "2 runs begin") {
		t.Errorf("ambiguous: %v", err)
	}
	if _, err := a.Find(""); !errors.Is(err, ErrNotFound) {
		t.Errorf("empty: %v", err)
	}

	// Recovery goes on after the damaged run.
	changed, err := a.Recover("")
	if err == nil || len(changed) != 1 || changed[0].ID != id2 {
		t.Errorf("recovered %v, %v", changed, err)
	}
	e, _ = a.Find(id2)
	if e.Outcome != journal.Interrupted || e.Took != 1900*time.Millisecond {
		t.Errorf("recovered run: %+v", e)
	}
	if err := a.Verify(id2); err != nil {
		t.Error(err)
	}
	if changed, _ := a.Recover(""); len(changed) != 0 {
		t.Errorf("recovered again: %v", changed)
	}

	// The catalogue is only a cache.
	for why, text := range map[string]string{"deleted": "", "damaged": "{\"name\":\"2026-11-25-001\",\"for\nxx\n"} {
		if err := os.Remove(filepath.Join(dir, catalogueName)); err != nil {
			t.Fatal(err)
		}
		if text != "" {
			if err := os.WriteFile(filepath.Join(dir, catalogueName), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if got := ids(t, open(t, dir)); got != want {
			t.Errorf("catalogue %s: list %s", why, got)
		}
		if _, err := os.Stat(filepath.Join(dir, catalogueName)); err != nil {
			t.Errorf("catalogue %s and not made again: %v", why, err)
		}
	}

	// A damaged file is found.
	name := filepath.Join(dir, id1, "frames.lp.zst")
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	data[len(data)/2] ^= 1
	if err := os.WriteFile(name, data, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := a.Verify(id1); err == nil || !strings.Contains(err.Error(), "frames.lp.zst") {
		t.Errorf("verifying the damaged run: %v", err)
	}
}

// A changed run.toml shows in an archive that has listed it before.
func TestCatalogueFollows(t *testing.T) {
	a := open(t, filepath.Join(t.TempDir(), "runs"))
	seal(t, record(t, a, "2026-11-25-001", wall, true))
	ids(t, a)
	for _, verdict := range []string{"within", "outsid", "margin"} { // same length: the same size of file
		if err := journal.UpdateMeta(a.RunDir("2026-11-25-001"), func(m *journal.Meta) error { m.Verdict = verdict; return nil }); err != nil {
			t.Fatal(err)
		}
		if e, err := a.Find("last"); err != nil || e.Verdict != verdict {
			t.Errorf("verdict %q, %v, want %q", e.Verdict, err, verdict)
		}
	}
}

func FuzzCatalogue(f *testing.F) {
	f.Add([]byte(`{"name":"2026-11-25-001","size":5,"mod_ns":7,"format":2,"entry":{"id":"2026-11-25-001"}}` + "\n"))
	f.Add([]byte("{}\nnull\n[]\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		for name, c := range readCatalogue(text) {
			if name == "" || name != c.Name {
				t.Fatalf("%q: %+v", name, c)
			}
		}
	})
}

func BenchmarkList(b *testing.B) {
	a := open(b, filepath.Join(b.TempDir(), "runs"))
	w := record(b, a, "2026-11-25-001", wall, true)
	seal(b, w)
	text, err := os.ReadFile(filepath.Join(a.RunDir("2026-11-25-001"), "run.toml"))
	if err != nil {
		b.Fatal(err)
	}
	const runs = 3000
	for i := 2; i <= runs; i++ {
		id := fmt.Sprintf("2026-11-25-%03d", i)
		if err := os.Mkdir(a.RunDir(id), 0o755); err != nil {
			b.Fatal(err)
		}
		one := strings.ReplaceAll(string(text), "2026-11-25-001", id)
		if err := os.WriteFile(filepath.Join(a.RunDir(id), "run.toml"), []byte(one), 0o644); err != nil {
			b.Fatal(err)
		}
	}
	begun := time.Now()
	if list, err := a.List(); err != nil || len(list) != runs {
		b.Fatal(len(list), err)
	}
	first := time.Since(begun)
	for b.Loop() {
		if _, err := a.List(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(first.Seconds()*1e3, "ms-to-build")
	b.ReportMetric(b.Elapsed().Seconds()*1e3/float64(b.N), "ms/list")
}
