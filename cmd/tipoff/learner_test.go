package main

import (
	"context"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/deploy"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/plant"
	"tipoff/drivers/registry"
	"tipoff/logger/archive"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/drift"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/learn"
	"tipoff/logger/phase"
	"tipoff/logger/sheet"
)

// asked is a clock that tells when it is asked for the time.
type asked struct {
	clock.Clock
	now func()
}

func (c asked) Now() time.Duration {
	c.now()
	return c.Clock.Now()
}

// told is a writer that hands on each line of a log.
type told func(line string)

func (w told) Write(line []byte) (int, error) {
	w(string(line))
	return len(line), nil
}

// A run that the last daemon left open is judged while the bench is still being made,
// and wakes the learner, which does not know the bench yet.
func TestInterruptedRunIsJudgedBeforeTheBenchIsMade(t *testing.T) {
	text, err := deploy.PetrelPier.ReadFile(petrelPier + "/bench.toml")
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Parse("bench.toml", text, registry.All())
	if err != nil {
		t.Fatal(err)
	}
	cfg.Store.Directory, cfg.Page.Listen = t.TempDir(), ""
	dir := filepath.Join(cfg.Store.Directory, bench.RunsDir, "2026-11-24-001")
	interrupted(t, dir)

	v := clock.NewVirtual(time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), 0)
	board := emulated.NewBoard(v)
	plant.NewShow(v, 1).Wire(board, plant.DefaultWiring())
	judged := make(chan string, 1)
	d := &station{cfg: cfg, text: text, ports: board, speed: 1, closed: func(dir string, _ *sheet.Sheet) { judged <- dir }}
	found, got := false, ""
	d.log = slog.New(slog.NewTextHandler(told(func(line string) {
		if strings.Contains(line, "a run was interrupted") { // said before it is given to the drawer
			found = true
			d.drawer.make = func(string) (*sheet.Sheet, error) { return &sheet.Sheet{}, nil } // drawing is slow
		}
	}), &slog.HandlerOptions{Level: slog.LevelWarn}))
	d.clock = asked{v, func() { // bench.New asks for the time after that
		if !found || got != "" {
			return
		}
		select {
		case got = <-judged:
		case <-time.After(patience):
			got = "nothing"
		}
		if d.bench != nil {
			t.Error("the bench was made before the run was judged: this test tests nothing")
		}
	}}
	if err := d.open(); err != nil {
		t.Fatal(err)
	}
	if got != dir {
		t.Errorf("judged %q, want %s", got, dir)
	}
	if len(d.learner.due) != 1 {
		t.Error("the learner was not woken")
	}
}

// interrupted writes a run whose daemon was killed.
func interrupted(t *testing.T, dir string) {
	t.Helper()
	l := frame.NewLayout(100*time.Millisecond, []frame.Channel{{Name: "glass", Role: frame.Glass}})
	w, err := journal.Create(dir, journal.Meta{ID: filepath.Base(dir), BenchName: "bench-1", BootID: "b",
		Started: journal.At(0, time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC), true)}, l, journal.Options{Patient: true})
	if err != nil {
		t.Fatal(err)
	}
	var f frame.Frame
	for range 100 {
		f.Seq++
		f.At += 100 * time.Millisecond
		x := calib.Value{X: 22, U: 0.2}
		f.Readings[0] = frame.Reading{Value: x, Indicated: x, Raw: 1, Aux: math.NaN(), Samples: 1}
		w.Append(&f, phase.Idle)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

// What is in force stays so for the bench and its metrics when the runs that it was learned from
// are not there any more: limits and sheets go by it on.
func TestLearnerKeepsWhatIsInForce(t *testing.T) {
	text, err := os.ReadFile("../../logger/learn/testdata/0004.toml")
	if err != nil {
		t.Fatal(err)
	}
	c, err := learn.Parse("0004.toml", text)
	if err != nil {
		t.Fatal(err)
	}
	store := t.TempDir()
	if err := learn.Carry(c, store); err != nil {
		t.Fatal(err)
	}
	a, err := archive.Open(filepath.Join(store, archive.RunsDir))
	if err != nil {
		t.Fatal(err)
	}
	var known envelope.Bench
	l := newLearner()
	l.store, l.log, l.now = learn.Open(store, a), slog.New(slog.DiscardHandler), func() time.Time { return time.Unix(1e9, 0) }
	l.use, l.gain, l.dir = func(b envelope.Bench) { known = b }, func([]drift.Heated) {}, a.RunDir
	l.learn(context.Background())
	if in := l.inForce.Load(); in == nil || in.Version != 4 || !reflect.DeepEqual(known, c.For(envelope.Bench{})) {
		t.Errorf("in force %+v, the bench knows %+v", in, known)
	}
}
