package learn

import (
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"tipoff/calib"
	"tipoff/logger/archive"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/model"
	"tipoff/logger/observation"
	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// keep records the run into a store as the daemon does, twice a second.
func keep(tb testing.TB, store, id string, r *shopRun, started time.Time, gas string) {
	tb.Helper()
	const every = 500 * time.Millisecond
	layout := frame.NewLayout(every, []frame.Channel{
		{Name: "p", Role: frame.Pressure}, {Name: "glass", Role: frame.Glass}, {Name: "i", Role: frame.Current},
	})
	card := r.record.Card
	card.Gas = gas
	meta := journal.Meta{ID: id, BenchName: "drawn", Tube: card.Name, Card: string(tube.Write(card)), Started: journal.At(0, started, true)}
	dir := filepath.Join(store, "runs", id)
	w, err := journal.Create(dir, meta, layout, journal.Options{Patient: true})
	if err != nil {
		tb.Fatal(err)
	}
	last := -every
	seq := uint64(0)
	for _, o := range r.record.Observations {
		if o.At-last < every {
			continue
		}
		last = o.At
		seq++
		f := frame.Frame{At: o.At, Seq: seq}
		for i, x := range []float64{o.Pressure, o.Glass, o.Current} {
			u := []float64{0.02 * x, 1, 0.01*x + 1e-3}[i]
			f.Readings[i].Value = calib.Value{X: x, U: u}
			f.Readings[i].Indicated = f.Readings[i].Value
			f.Readings[i].Raw, f.Readings[i].Aux, f.Readings[i].Samples = math.NaN(), math.NaN(), 1
		}
		w.Append(&f, phase.Idle)
	}
	if err := w.Seal(func(m *journal.Meta) {
		m.Outcome, m.Ended = journal.Completed, journal.At(last, started.Add(last), true)
	}); err != nil {
		tb.Fatal(err)
	}
}

// openStore opens a store with runs of the shop, tubes 0 to n-1.
func openStore(tb testing.TB, n int) (*Store, string, []*shopRun) {
	tb.Helper()
	dir := tb.TempDir()
	runs := shopOne()[:n]
	a, err := archive.Open(filepath.Join(dir, "runs"))
	if err != nil {
		tb.Fatal(err)
	}
	for i, r := range runs {
		keep(tb, dir, r.record.Run, r, noon.Add(time.Duration(i)*time.Hour), "neon")
	}
	return Open(dir, a), dir, runs
}

// Learning keeps a version only when something has changed, writes none over,
// counts runs from the given one on, puts old versions in force again and holds
// them; and a run's sheet goes by what was known before it.
func TestVersions(t *testing.T) {
	s, dir, runs := openStore(t, 4)
	ctx := context.Background()
	learn := func(o Options) *Report {
		t.Helper()
		o.At = noon.Add(10 * time.Hour)
		r, err := s.Learn(ctx, o)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	one := learn(Options{})
	if !one.Kept || one.Now.Version != 1 || one.Read != 4 || len(one.Now.Runs) != 4 {
		t.Fatalf("first: %+v", one)
	}
	first, err := os.ReadFile(filepath.Join(dir, Dir, "0001.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if r := learn(Options{}); r.Kept || r.Read != 0 {
		t.Errorf("nothing new, but kept %v, read %d", r.Kept, r.Read)
	}
	if r := learn(Options{Again: true}); r.Kept || r.Read != 4 {
		t.Errorf("all read again: kept %v, read %d", r.Kept, r.Read)
	}
	keep(t, dir, "2026-11-25-005", shopOne()[4], noon.Add(5*time.Hour), "neon")
	two := learn(Options{Since: runs[1].record.Run})
	if !two.Kept || two.Now.Version != 2 || two.Read != 1 || len(two.Now.Runs) != 4 || slices.Contains(two.Now.Runs, runs[0].record.Run) {
		t.Errorf("since the second run: %+v", two.Now.Runs)
	}
	if r := learn(Options{}); r.Kept {
		t.Error("the since of the version in force was forgotten")
	}
	three, err := s.Use(1, noon.Add(11*time.Hour))
	if err != nil || three.Version != 3 || three.From != 1 || !three.Held {
		t.Fatalf("version 1 in force again: %+v, %v", three, err)
	}
	if r := learn(Options{}); r.Kept || r.Now.Version != 3 {
		t.Error("a version that was put in force by hand was replaced by itself")
	}
	if r := learn(Options{ByHand: true, All: true}); !r.Kept || r.Now.Version != 4 || r.Now.Held || len(r.Now.Runs) != 5 {
		t.Errorf("by hand: %+v", r.Now)
	}
	again, err := os.ReadFile(filepath.Join(dir, Dir, "0001.toml"))
	if err != nil || string(first) != string(again) {
		t.Errorf("version 1 has changed: %v", err)
	}
	if st, err := os.Stat(filepath.Join(dir, Dir, "0001.toml")); err != nil || st.Mode().Perm()&0o222 != 0 {
		t.Errorf("version 1 can be written to: %v, %v", st.Mode(), err)
	}
	// What was known before the fifth run: version 3, a copy of the first, made
	// from the four before it. Before the fourth: nothing.
	if c, err := Before(filepath.Join(dir, "runs", "2026-11-25-005")); err != nil || c == nil || c.Version != 3 {
		t.Errorf("before the fifth run: %+v, %v", c, err)
	}
	if c, err := Before(filepath.Join(dir, "runs", runs[3].record.Run)); err != nil || c != nil {
		t.Errorf("before the fourth run: version %d, %v", c.Version, err)
	}
}

// A version is read back as it was written.
func TestFileRoundTrip(t *testing.T) {
	c := Combine(taughtBy(shopOne()[:3]), model.Bench{ManifoldVolume: 0.5e-3})
	c.Version, c.Made, c.Since = 7, noon, "2026-11-01-001"
	c.Left = []Left{{"2026-11-01-009", "the sensor fell off"}}
	text, err := c.Encode()
	if err != nil {
		t.Fatal(err)
	}
	got, err := Parse("0007.toml", text)
	if err != nil {
		t.Fatal(err)
	}
	again, err := got.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if a, b := rounded(string(text)), rounded(string(again)); a != b {
		t.Errorf("written\n%s\nread back and written\n%s", a, b)
	}
	if got.Params.Theta != c.Params.Theta || got.Params.Cov != c.Params.Cov || got.Values[model.Lag].Runs != c.Values[model.Lag].Runs {
		t.Error("the constants are others")
	}
}

// rounded cuts numbers to ten digits: an uncertainty is held relative and written
// absolute.
func rounded(s string) string {
	var out []string
	for line := range strings.Lines(s) {
		if i := strings.Index(line, " = "); i > 0 && len(line) > i+14 && line[i+3] >= '0' && line[i+3] <= '9' {
			line = line[:i+13] + "\n"
		}
		out = append(out, line)
	}
	return strings.Join(out, "")
}

// What is wrong in a constants file is refused in one line.
func TestParseRefuses(t *testing.T) {
	c := Combine(taughtBy(shopOne()[:2]), model.Bench{})
	c.Version, c.Made = 1, noon
	good, err := c.Encode()
	if err != nil {
		t.Fatal(err)
	}
	for name, x := range map[string]struct{ old, new, want string }{
		"format":      {"format = 1", "format = 2", "format: found 2"},
		"no runs":     {"runs = ['2026", "rums = ['2026", "runs: found none"},
		"date":        {"made = '2026-11", "made = '2026-13", "made: found"},
		"unknown key": {"version = 1", "version = 1\nspeed = 2", "speed"},
		"constant":    {"id = 'lag'", "id = 'lug'", "id: found"},
		"model":       {`"order":["heating"`, `"order":["heatings"`, "model: found"},
		"number":      {"value = ", "value = -", "value: found"},
		"basis":       {"known_from = 'handbook'", "known_from = 'hearsay'", "known_from: found"},
		"syntax":      {"[[constant]]", "[[constant]", "TOML"},
	} {
		_, err := Parse("0001.toml", []byte(strings.Replace(string(good), x.old, x.new, 1)))
		if err == nil || !strings.Contains(err.Error(), "0001.toml:") || !strings.Contains(err.Error(), x.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// What a run teaches is the same to the last bit, fresh from its record or read back.
func TestTaughtIsReadBack(t *testing.T) {
	for _, r := range shopOne()[:4] {
		fresh := Of(&r.record)
		text, err := fresh.encode()
		if err != nil {
			t.Fatal(err)
		}
		again, err := parseTaught(text)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(fresh, again, cmpopts.EquateNaNs()); d != "" || len(fresh.Tracks) < 8 || fresh.Pump == nil || len(fresh.Jumps) == 0 {
			t.Errorf("run %s, fresh and read back:\n%s", fresh.Run, d)
		}
	}
}

// Files that earlier versions wrote are kept forever and must stay readable. The
// demo's bench wrote these.
func kept(tb testing.TB, name string) []byte {
	tb.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		tb.Fatal(err)
	}
	return text
}

func TestKeptFilesAreRead(t *testing.T) {
	c, err := Parse("0004.toml", kept(t, "0004.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if c.Version != 4 || len(c.Runs) != 6 || !c.Values[model.Heating].Beats || !c.LagCorrected {
		t.Errorf("%+v", c)
	}
	x, err := parseTaught(kept(t, "learned-2.json"))
	if err != nil {
		t.Fatal(err)
	}
	if x.Fit == nil || x.Pump == nil || x.Family.Gas != "neon" || len(x.Tracks) < 10 {
		t.Errorf("%+v", x)
	}
	// What an older version drew from a run is drawn anew.
	if _, err := parseTaught(kept(t, "learned.json")); !errors.Is(err, errOld) {
		t.Errorf("of an older version: %v", err)
	}
}

func FuzzParse(f *testing.F) {
	good := kept(f, "0004.toml")
	f.Add(good)
	f.Add([]byte(strings.Replace(string(good), "u = ", "u = 1e400 # ", 1)))
	f.Add([]byte("format = 1\nversion = 1\n"))
	f.Add([]byte("[[constant]]\nid = 3\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse("f", data)
		if err != nil {
			return
		}
		if err := c.Params.Check(); err != nil {
			t.Fatal(err)
		}
		if _, err := c.Encode(); err != nil {
			t.Fatal(err)
		}
	})
}

func FuzzTaught(f *testing.F) {
	f.Add(kept(f, "learned-2.json"))
	f.Add([]byte(`{"format":1,"method":2,"run":"r","tracks":[{"phase":"dry"}]}`))
	f.Add([]byte(`{"format":1,"method":2,"tube_m3":0.001,"pump":[[-7,0.1,3]]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		x, err := parseTaught(data)
		if err != nil {
			return
		}
		again, err := x.encode()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := parseTaught(again); err != nil {
			t.Fatalf("not read back: %v", err)
		}
	})
}

// Five runs marked as good make a corridor; one with a fault, one of another gas
// and one that is not marked are not in it; a mark taken back counts no more. A
// later run is inside it as often as it says.
func TestCorridor(t *testing.T) {
	_, dir, runs := openStore(t, 9)
	tubes := filepath.Join(dir, "runs")
	// All of one family, as the shop's tubes are of many.
	family := Family{"neon", "soda-lime", 12}
	for i := range runs {
		d := filepath.Join(tubes, runs[i].record.Run)
		x, err := Read(d)
		if err != nil {
			t.Fatal(err)
		}
		if x.Family = family; i == 6 {
			x.Family.Gas = "argon"
		}
		if i < 8 {
			if err := observation.Add(d, observation.Observation{Kind: observation.Good, At: noon}); err != nil {
				t.Fatal(err)
			}
			// Within one tick of the file system's clock what is saved would be older.
			if err := os.Chtimes(filepath.Join(d, observation.FileName), noon, noon); err != nil {
				t.Fatal(err)
			}
		}
		if err := x.Save(d); err != nil {
			t.Fatal(err)
		}
	}
	if err := observation.Add(filepath.Join(tubes, runs[5].record.Run), observation.Observation{Kind: observation.Stain, At: noon}); err != nil {
		t.Fatal(err)
	}
	last := filepath.Join(tubes, runs[8].record.Run)
	good, err := Good(tubes, family, last)
	if err != nil || len(good) != 6 {
		t.Fatalf("%d good runs, %v", len(good), err)
	}
	c := CorridorOf(good)
	if c == nil || len(c.Stages) < 8 || math.Abs(c.Holds-5.0/7) > 1e-12 {
		t.Fatalf("corridor: %+v", c)
	}
	for i := range c.Stages {
		st := &c.Stages[i]
		for k := range parts {
			if lo := st.Glass.Low[k]; lo == lo && !(lo <= st.Glass.Mid[k] && st.Glass.Mid[k] <= st.Glass.High[k]) {
				t.Errorf("%s part %d: glass %g, %g, %g", st.Phase, k, st.Glass.Low[k], st.Glass.Mid[k], st.Glass.High[k])
			}
		}
	}
	// Each good run is inside the corridor of all where that is all of them.
	for _, x := range good {
		for _, strayed := range c.Compare(x) {
			if strayed.Outside > 0 || strayed.Of < 100 {
				t.Errorf("run %s: %+v", x.Run, strayed)
			}
		}
	}
	x, err := Read(last)
	if err != nil {
		t.Fatal(err)
	}
	if text := c.Sentence(x); !strings.Contains(text, "6 good runs") || !strings.Contains(text, "glass") {
		t.Error(text)
	}
	if along := c.Along(runs[8].record.Phases); len(along) < 8*parts/2 {
		t.Errorf("%d moments along the run", len(along))
	}
	for n := range 2 {
		if err := observation.Withdraw(filepath.Join(tubes, runs[n].record.Run), 1, noon); err != nil {
			t.Fatal(err)
		}
	}
	if good, err = Good(tubes, family, last); err != nil || len(good) != 4 || CorridorOf(good) != nil {
		t.Errorf("with two marks taken back: %d good runs, %v", len(good), err)
	}
}

// A run goes by the version that it was judged by, once it was; before by what was
// known when it began; and a trace by what was known at its time.
func TestJudged(t *testing.T) {
	s, dir, runs := openStore(t, 3)
	for range 2 {
		r, err := s.Learn(t.Context(), Options{At: noon, ByHand: true})
		if err != nil {
			t.Fatal(err)
		}
		keep(t, dir, "2026-11-25-00"+string(rune('4'+r.Now.Version)), shopOne()[2+r.Now.Version], noon.Add(time.Duration(3+r.Now.Version)*time.Hour), "neon")
		if _, err := s.Use(r.Now.Version, noon); err != nil {
			t.Fatal(err)
		}
	}
	version := func(c *Constants, err error) int {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		if c == nil {
			return 0
		}
		return c.Version
	}
	run := filepath.Join(dir, "runs", "2026-11-25-005")
	tell := func(verdict string, n int) {
		t.Helper()
		if err := journal.UpdateMeta(run, func(m *journal.Meta) error { m.Verdict, m.Constants = verdict, n; return nil }); err != nil {
			t.Fatal(err)
		}
	}
	before := version(Before(run))
	if before == 0 || version(Judged(run)) != before {
		t.Errorf("not judged yet: version %d, before it %d", version(Judged(run)), before)
	}
	tell("within", 1)
	if v := version(Judged(run)); v != 1 || before == 1 {
		t.Errorf("judged by 1, now by %d; before it %d", v, before)
	}
	// A recomputation is in its run's store.
	told, err := os.ReadFile(filepath.Join(run, "run.toml"))
	sub := filepath.Join(run, "recomputed-1")
	if err == nil {
		err = errors.Join(os.Mkdir(sub, 0o755), os.WriteFile(filepath.Join(sub, "run.toml"), told, 0o644))
	}
	if err != nil {
		t.Fatal(err)
	}
	if v := version(Judged(sub)); v != 1 {
		t.Errorf("a recomputation judged by 1, now by %d", v)
	}
	tell("within", 0)
	if v := version(Judged(run)); v != 0 {
		t.Errorf("judged by none, now by %d", v)
	}
	// A run of an earlier tipoff has it in its sheet alone.
	if err := os.WriteFile(filepath.Join(run, "sheet.json"), []byte(`{"sheet": 1, "constants": 1}`), 0o644); err != nil {
		t.Fatal(err)
	}
	if v := version(Judged(run)); v != 1 {
		t.Errorf("the sheet says 1, found %d", v)
	}
	first := noon // began the shop's first run, as openStore has it
	if v := version(s.At(first)); v != 0 {
		t.Errorf("at the first run's beginning version %d was known", v)
	}
	if v := version(s.At(first.Add(time.Duration(len(runs)) * time.Hour))); v != before {
		t.Errorf("after the runs version %d, want %d", v, before)
	}
}

// Constants say what they are used for, and the sheet's sentence which of them.
func TestUse(t *testing.T) {
	c := Combine(taughtBy(shopOne()[:3]), model.Bench{ManifoldVolume: 0.5e-3})
	c.Version = 7
	hold, vol := &c.Values[model.HoldPressure], &c.Values[model.ManifoldVolume]
	hold.Beats, vol.Beats, c.Values[model.Convection].Beats = true, false, false
	var none *Constants
	if text := c.Sentence(c.LagCorrected); !strings.Contains(text, "Version 7") || !strings.Contains(text, "Limits use its hold-pressure "+hold.Words()+".") || !strings.Contains(text, "Advice starts") {
		t.Error(text)
	}
	hold.Beats = false
	if text := c.Sentence(!c.LagCorrected); !strings.Contains(text, "Limits use none") || !strings.Contains(text, "Advice does not start") {
		t.Error(text)
	}
	if text := none.Sentence(true); !strings.Contains(text, "handbook and bench.toml") {
		t.Error(text)
	}
	for _, corrected := range []bool{true, false} {
		c.LagCorrected = corrected
		in, why := c.Use(model.BoreExponent)
		if (in == InForesight) != corrected || !corrected && !strings.Contains(why, "lag") {
			t.Errorf("corrected %v: %q, %q", corrected, in, why)
		}
		if b := c.For(envelope.Bench{}); (b.Heating != envelope.Heating{}) != corrected || b.Hold.X != 0 {
			t.Errorf("corrected %v: %+v", corrected, b)
		}
	}
}
