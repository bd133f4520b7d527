package bench_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/deploy"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/plant"
	"tipoff/drivers/registry"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/envelope"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
	"tipoff/logger/status"
)

// shop is the demo's plant on a clock, whose logger can be killed and started again
// on what it left on the disk.
type shop struct {
	clock *clock.Virtual
	show  *plant.Show
	board *emulated.Board
	cfg   *config.Bench
	bench *bench.Bench
	said  bytes.Buffer
}

func newShop(t *testing.T, seed uint64) *shop {
	t.Helper()
	text, err := fs.ReadFile(deploy.PetrelPier, "petrel-pier/bench.toml")
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte("4000/s"), []byte("1000/s"), 1)
	s := &shop{clock: clock.NewVirtual(time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), 0)}
	if s.cfg, err = config.Parse("bench.toml", text, registry.All()); err != nil {
		t.Fatal(err)
	}
	s.board = emulated.NewBoard(s.clock)
	s.show = plant.NewShow(s.clock, seed)
	s.show.Wire(s.board, plant.DefaultWiring())
	s.show.OnHang = func(card string) {
		text, err := fs.ReadFile(deploy.PetrelPier, "petrel-pier/"+card+".toml")
		if err == nil {
			err = s.bench.QueueCard(card+".toml", text)
		}
		if err != nil {
			t.Error(err)
		}
	}
	return s
}

// start starts a logger on a folder.
func (s *shop) start(t *testing.T, dir string) {
	t.Helper()
	parts, err := bench.FromConfig(s.cfg, registry.All(), s.board, s.clock)
	if err != nil {
		t.Fatal(err)
	}
	s.bench, err = bench.New(bench.Options{Clock: s.clock, Name: s.cfg.Name, Layout: parts.Layout, Devices: parts.Devices,
		Chains: parts.Chains, Directory: dir, Envelope: bench.PlantOf(s.cfg), Version: "test", Speed: 1, Patient: true,
		Log: slog.New(slog.NewTextHandler(&s.said, nil))})
	if err != nil {
		t.Fatal(err)
	}
}

func (s *shop) run(t *testing.T, ctx context.Context, done func(now time.Duration, x *status.Snapshot) bool) {
	t.Helper()
	if ctx == nil {
		ctx = t.Context()
	}
	if err := s.bench.Run(ctx, func(now time.Duration) bool { return done(now, s.bench.Snapshot()) }); err != nil {
		t.Fatal(err)
	}
}

// pass lets the plant go on with no logger.
func (s *shop) pass(d time.Duration) {
	end := s.clock.Now() + d
	over := make(chan error)
	s.clock.Go(func() { over <- s.clock.SleepUntil(context.Background(), end) })
	<-over
}

// limitOf is how a limit is met now, NaN if it does not apply.
func limitOf(x *status.Snapshot, id string) float64 {
	for i := range x.Limits {
		if x.Limits[i].Limit.ID == id {
			return x.Limits[i].Value.X
		}
	}
	return math.NaN()
}

// cut leaves on dir what a kill leaves of first, as of another boot if other.
func (s *shop) cut(first, dir string, other bool) error {
	if err := errors.Join(s.bench.SyncRun(), os.CopyFS(dir, os.DirFS(first))); err != nil || !other {
		return err
	}
	names, err := filepath.Glob(filepath.Join(dir, bench.RunsDir, "*", "run.toml"))
	if err != nil || len(names) == 0 {
		return fmt.Errorf("%v: %w", names, err)
	}
	last := names[len(names)-1]
	text, err := os.ReadFile(last)
	if err != nil {
		return err
	}
	m, err := journal.LoadMeta(filepath.Dir(last))
	if err != nil {
		return err
	}
	text = bytes.ReplaceAll(text, []byte(m.BootID), []byte("00000000-0000-0000-0000-000000000000"))
	return os.WriteFile(last, text, 0o644)
}

// A logger that is killed in the middle of bombarding, or stopped, and started again
// seconds later, is where one is that was never killed: in the step and since when,
// how far the shells are, what the limits have seen. The rest of the run is recorded
// under the same card, and the card that waits stays in the queue. One without a
// record to go by knows nothing of all that, which proves that it is the record.
func TestGoesOnAfterAKill(t *testing.T) {
	if testing.Short() {
		t.Skip("computes half a run five times")
	}
	const gone, seen = 8 * time.Second, 5 * time.Second
	var killed time.Duration
	var want *status.Snapshot
	ref := newShop(t, 1)
	ref.start(t, t.TempDir())
	ref.run(t, nil, func(now time.Duration, x *status.Snapshot) bool {
		if killed == 0 && x.Phase == phase.Bombard && now-x.PhaseSince > 30*time.Second {
			killed = now
		}
		want = x
		return killed > 0 && now >= killed+gone+seen
	})
	if want.Phase != phase.Bombard || killed-want.PhaseSince < 29*time.Second || !(want.Ceiling.Shells.X > 10) {
		t.Fatalf("%v since %v, shells %v", want.Phase, want.PhaseSince, want.Ceiling.Shells)
	}
	const waiting = "999-next.toml"
	next, err := fs.ReadFile(deploy.PetrelPier, "petrel-pier/PP-02.toml")
	if err != nil {
		t.Fatal(err)
	}
	for _, how := range []string{"killed", "stopped", "power cut", "without a record"} {
		s, first, dir := newShop(t, 1), t.TempDir(), t.TempDir()
		s.start(t, first)
		ctx, stop := context.WithCancel(t.Context())
		s.run(t, ctx, func(now time.Duration, x *status.Snapshot) bool {
			if now < killed {
				return false
			}
			if ctx.Err() != nil {
				return false
			}
			err := s.bench.QueueCard(waiting, next)
			if how == "killed" || how == "power cut" {
				err = errors.Join(err, s.cut(first, dir, how == "power cut"))
			}
			if err != nil {
				t.Error(err)
			}
			stop()
			return false
		})
		stop()
		if how == "stopped" {
			dir = first
		}
		s.pass(killed + gone - s.clock.Now())
		s.start(t, dir)
		var got *status.Snapshot
		tube := ""
		s.run(t, nil, func(now time.Duration, x *status.Snapshot) bool {
			if now >= killed+gone+seen && got == nil {
				got, tube = x, x.Run.Tube
			}
			return now >= killed+gone+seen+20*time.Second
		})
		known := how != "without a record"
		// The mean rate over the heating band is known of what was recorded alone.
		band := limitOf(got, envelope.HeatingBand)
		t.Logf("%s: %v since %v, shells %v of %v, heating band %.2f of %.2f", how, got.Phase, got.PhaseSince, got.Ceiling.Shells, want.Ceiling.Shells, band, limitOf(want, envelope.HeatingBand))
		if ref := limitOf(want, envelope.HeatingBand); (math.Abs(band-ref) < 0.25*ref) != known {
			t.Errorf("%s: mean rate over the heating band %.2f °C/s, never killed %.2f °C/s", how, band, ref)
		}
		if got.Phase != phase.Bombard || (math.Abs((got.PhaseSince-want.PhaseSince).Seconds()) < 1) != known {
			t.Errorf("%s: %v since %v, want %v since %v", how, got.Phase, got.PhaseSince, want.Phase, want.PhaseSince)
		}
		// Eight seconds of the arc were not seen; after a power cut it is taken to have
		// been out.
		off := want.Ceiling.Shells.X - got.Ceiling.Shells.X
		if (off >= 0 && off < 12) != known {
			t.Errorf("%s: shells %.1f %%, never killed %.1f %%", how, got.Ceiling.Shells.X, want.Ceiling.Shells.X)
		}
		if (tube == want.Run.Tube && tube != "") != known {
			t.Errorf("%s: recorded as tube %q, want %q", how, tube, want.Run.Tube)
		}
		if !known {
			continue
		}
		if _, err := os.Stat(filepath.Join(dir, "queue", waiting)); err != nil {
			t.Errorf("%s: the card that waits: %v", how, err)
		}
		all := runs(t, s.bench)
		if len(all) != 2 {
			t.Fatalf("%s: runs %v", how, all)
		}
		before, err := journal.LoadMeta(all[0])
		if err != nil {
			t.Fatal(err)
		}
		notes := 0
		var begins time.Duration
		read(t, all[1], func(rec *journal.Record) {
			if !rec.IsFrame && rec.Event.ID == bench.EventGoesOn && strings.Contains(rec.Event.Text, before.ID+", which was broken off 8 s") {
				notes++
			}
			if rec.IsFrame && begins == 0 {
				begins = rec.Frame.At
			}
		})
		if before.Outcome != journal.Interrupted || notes != 1 || begins > killed+gone+time.Second {
			t.Errorf("%s: the first part %s; %d notes; the rest begins at %v, killed at %v", how, before.Outcome, notes, begins, killed)
		}
	}
}
