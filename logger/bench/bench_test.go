package bench_test

import (
	"context"
	"io/fs"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/deploy"
	"tipoff/drivers"
	"tipoff/drivers/buzzer"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/plant"
	"tipoff/drivers/registry"
	"tipoff/logger/alarm"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/journal"
	"tipoff/logger/status"
)

// rig is the demo's bench on a clock that runs as fast as it can.
type rig struct {
	clock *clock.Virtual
	board *emulated.Board
	show  *plant.Show
	wired *plant.Wired
	bench *bench.Bench
	dir   string

	mu     sync.Mutex
	closed []string
	edges  []edge
}

type edge struct {
	at time.Duration
	on bool
}

// opened is an output that is open already.
func opened(s drivers.Sounder) bench.Output {
	return bench.Output{Name: s.String(), Open: func() (drivers.Sounder, error) { return s, nil }}
}

func newRig(t testing.TB, seed uint64, opt func(*bench.Options)) *rig {
	t.Helper()
	text, err := fs.ReadFile(deploy.PetrelPier, "petrel-pier/bench.toml")
	if err != nil {
		t.Fatal(err)
	}
	return newRigOf(t, text, seed, opt)
}

// newRigOf is newRig with another bench.toml.
func newRigOf(t testing.TB, text []byte, seed uint64, opt func(*bench.Options)) *rig {
	t.Helper()
	cfg, err := config.Parse("bench.toml", text, registry.All())
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{clock: clock.NewVirtual(time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), 0), dir: t.TempDir()}
	r.board = emulated.NewBoard(r.clock)
	r.show = plant.NewShow(r.clock, seed)
	r.wired = r.show.Wire(r.board, plant.DefaultWiring())
	pin := r.board.AddPin(cfg.Sounders[0].Line)
	pin.OnEdge = func(at time.Duration, l gpio.Level) {
		r.mu.Lock()
		r.edges = append(r.edges, edge{at, bool(l)})
		r.mu.Unlock()
	}
	cfg.Store.Directory = r.dir
	parts, err := bench.FromConfig(cfg, registry.All(), r.board, r.clock)
	if err != nil {
		t.Fatal(err)
	}
	sounder, err := buzzer.Open(r.board, buzzer.Options{Line: cfg.Sounders[0].Line})
	if err != nil {
		t.Fatal(err)
	}
	o := bench.Options{
		Clock: r.clock, Name: cfg.Name, Layout: parts.Layout, Devices: parts.Devices, Chains: parts.Chains,
		Outputs: []bench.Output{opened(sounder)}, Directory: r.dir, Envelope: bench.PlantOf(cfg), BenchText: string(text),
		Version: "test", Speed: 1, Emulated: true, Patient: true, Calibrations: parts.Calibrations,
		OnClosed: func(dir string) {
			r.mu.Lock()
			r.closed = append(r.closed, dir)
			r.mu.Unlock()
		},
	}
	if opt != nil {
		opt(&o)
	}
	if r.bench, err = bench.New(o); err != nil {
		t.Fatal(err)
	}
	r.show.OnHang = func(card string) {
		text, err := fs.ReadFile(deploy.PetrelPier, "petrel-pier/"+card+".toml")
		if err == nil {
			err = r.bench.QueueCard(card+".toml", text)
		}
		if err != nil {
			t.Error(err)
		}
	}
	return r
}

// until runs the bench to a bench time, or until stop says so.
func (r *rig) until(t testing.TB, end time.Duration, stop func() bool) {
	t.Helper()
	err := r.bench.Run(context.Background(), func(now time.Duration) bool {
		return now >= end || stop != nil && stop()
	})
	if err != nil {
		t.Fatal(err)
	}
}

// A tube processed on the emulated bench is recorded hands off: found, given
// its card, taken through the phases in the handbook's order, sealed.
func TestRunRecordsItself(t *testing.T) {
	r := newRig(t, 1, nil)
	r.until(t, 2*time.Hour, func() bool {
		r.mu.Lock()
		defer r.mu.Unlock()
		return len(r.closed) > 0
	})
	if len(r.closed) == 0 {
		t.Fatal("no run was closed in two bench hours")
	}
	m, err := journal.LoadMeta(r.closed[0])
	if err != nil {
		t.Fatal(err)
	}
	if m.Outcome != journal.Completed || m.Tube != "PP-01" {
		t.Errorf("outcome %q, tube %q; want completed, PP-01", m.Outcome, m.Tube)
	}
	if err := journal.Verify(r.closed[0]); err != nil {
		t.Error(err)
	}
	// 4000 samples a second by bench.toml; the emulated bus spaces them to the
	// nanosecond, batch after batch.
	if len(m.Sampling) != 1 || m.Sampling[0].Channel != "bombarder" || math.Abs(m.Sampling[0].SpacingUS-250) > 2.5 ||
		!(m.Sampling[0].JitterUS < 25) || m.Sampling[0].Samples < 100000 {
		t.Errorf("how the waveform was sampled: %+v", m.Sampling)
	}
	t.Logf("sampling: %+v", m.Sampling)
	var phases []string
	frames := 0
	read(t, r.closed[0], func(rec *journal.Record) {
		if rec.IsFrame {
			frames++
		} else if rec.Event.Kind == journal.PhaseChanged {
			phases = append(phases, rec.Event.ID)
		}
	})
	want := []string{"admit-air", "dry", "pump-out", "bombard", "shells", "final-pump", "cool", "fill", "tip-off"}
	i := 0
	for _, p := range phases {
		if i < len(want) && p == want[i] {
			i++
		}
	}
	if i < len(want) {
		t.Errorf("phases %v lack %q in its place", phases, want[i])
	}
	if d := m.Duration(); frames < int(d/(100*time.Millisecond))-2 {
		t.Errorf("%d frames in %v: frames are missing", frames, d)
	}
}

func read(t testing.TB, dir string, each func(*journal.Record)) {
	t.Helper()
	rd, err := journal.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer rd.Close()
	var rec journal.Record
	for rd.Next(&rec) == nil {
		each(&rec)
	}
}

// A thermocouple that breaks in mid run is told by alarm and buzzer within
// 1.5 s, the other channels go on, and it is well again within 2 s of the
// repair.
func TestSensorUnplugged(t *testing.T) {
	var r *rig
	const breakAt, mendAt = 60 * time.Second, 90 * time.Second
	var raised, well time.Duration
	pressureLost := 0
	r = newRig(t, 1, func(o *bench.Options) {
		o.OnFrame = func(at time.Duration) {
			switch at {
			case breakAt:
				r.show.SetFault(plant.Fault{ThermocoupleOpen: true})
			case mendAt:
				r.show.SetFault(plant.Fault{})
			}
			s := r.bench.Snapshot()
			lost := slices.ContainsFunc(s.Alarms, func(a status.Alarm) bool {
				return a.Definition.ID == alarm.GlassSensorLost && a.State == alarm.Unacknowledged
			})
			if lost && raised == 0 {
				raised = at
			}
			for i, c := range s.Layout.Channels {
				if at > 2*time.Second && c.Role.String() == "pressure" && i == 0 && !s.Channels[i].Up {
					pressureLost++
				}
				if c.Role.String() == "glass" && at > mendAt && well == 0 && s.Channels[i].Up {
					well = at
				}
			}
		}
	})
	r.until(t, 120*time.Second, nil)
	if raised == 0 || raised > breakAt+1500*time.Millisecond {
		t.Errorf("broken at %v, alarm at %v", breakAt, raised)
	}
	if well == 0 || well > mendAt+2*time.Second {
		t.Errorf("mended at %v, reading again at %v", mendAt, well)
	}
	if pressureLost > 0 {
		t.Errorf("the pressure channel was lost in %d frames", pressureLost)
	}
	if !slices.ContainsFunc(r.edges, func(e edge) bool { return e.on && e.at >= breakAt && e.at <= raised+10*time.Millisecond }) {
		t.Errorf("the buzzer line did not rise with the alarm; edges %v", r.edges[:min(4, len(r.edges))])
	}
}

// A run that the daemon's end cuts off is closed as interrupted, with what was
// recorded.
func TestEndInMidRun(t *testing.T) {
	r := newRig(t, 1, nil)
	ctx, cancel := context.WithCancel(context.Background())
	err := r.bench.Run(ctx, func(now time.Duration) bool {
		if s := r.bench.Snapshot(); s.Run.Active && now-s.Run.Started > time.Minute {
			cancel()
		}
		return false
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.closed) != 1 {
		t.Fatalf("%d runs closed, want the interrupted one", len(r.closed))
	}
	m, err := journal.LoadMeta(r.closed[0])
	if err != nil {
		t.Fatal(err)
	}
	if m.Outcome != journal.Interrupted {
		t.Errorf("outcome %q, want interrupted", m.Outcome)
	}
}

// An exported run begins at 0 and has a row for each frame.
func TestWriteTrace(t *testing.T) {
	if testing.Short() {
		t.Skip("computes a whole run; with the race detector TestRunRecordsItself does")
	}
	r := newRig(t, 2, nil)
	r.until(t, 5*time.Minute, nil)
	if len(r.closed) != 1 {
		t.Fatalf("%d runs, want 1", len(r.closed))
	}
	var out strings.Builder
	if err := bench.WriteTrace(r.closed[0], &out); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	frames := 0
	read(t, r.closed[0], func(rec *journal.Record) {
		if rec.IsFrame {
			frames++
		}
	})
	if lines[0] != "time [s],pressure [Pa],pressure u [Pa],glass [C],glass u [K],current [A],current u [A]" {
		t.Errorf("header %q", lines[0])
	}
	if len(lines)-1 != frames || frames < 1000 {
		t.Errorf("%d rows for %d frames in %s", len(lines)-1, frames, filepath.Base(r.closed[0]))
	}
}

// The hurried tube of the demo passes its ceiling: the warning comes before, the
// alarm with it, the line sounds, and acknowledging silences it.
func TestOverheatSounds(t *testing.T) {
	if testing.Short() {
		t.Skip("computes three whole runs: left out of -short")
	}
	var r *rig
	var warned, raised, acknowledged time.Duration
	r = newRig(t, 1, func(o *bench.Options) {
		o.OnFrame = func(at time.Duration) {
			for _, a := range r.bench.Snapshot().Alarms {
				switch {
				case a.Definition.ID == alarm.GlassNearingCeiling && warned == 0:
					warned = at
				case a.Definition.ID == alarm.GlassOverCeiling && raised == 0:
					raised = at
				}
			}
			if raised != 0 && acknowledged == 0 && at >= raised+3*time.Second {
				acknowledged = at
				if err := r.bench.Acknowledge(""); err != nil {
					t.Error(err)
				}
			}
		}
	})
	r.until(t, 45*time.Minute, func() bool { return acknowledged != 0 && r.clock.Now() > acknowledged+15*time.Second })
	if raised == 0 || warned == 0 || warned > raised-5*time.Second {
		t.Fatalf("warning at %v, alarm at %v: want a warning 5 s ahead", warned, raised)
	}
	// The line may be on already, in a pulse of the warning: then the alarm's
	// first pulse joins it. What counts is that it is on, and goes off with the
	// alarm's beat: the first pulse of a high-priority burst is 150 ms long.
	sounded, after, beat := false, false, time.Duration(0)
	for _, e := range r.edges {
		if e.at <= raised+20*time.Millisecond {
			sounded = e.on
		} else if !e.on && beat == 0 {
			beat = e.at - raised
		}
		if e.on && e.at > acknowledged {
			after = true
		}
	}
	if !sounded {
		t.Errorf("alarm at %v: the buzzer's line is not on", raised)
	}
	if beat < 130*time.Millisecond || beat > 170*time.Millisecond {
		t.Errorf("alarm at %v: the first pulse ends after %v, want 150 ms", raised, beat)
	}
	if after {
		t.Errorf("acknowledged at %v: the line sounds on", acknowledged)
	}
}
