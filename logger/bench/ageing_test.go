package bench_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"tipoff/deploy"
	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/plant"
	"tipoff/drivers/registry"
	"tipoff/logger/ageing"
	"tipoff/logger/alarm"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/journal"
	"tipoff/logger/sheet"
)

// The photodiode of the demo bench: an amplifier of 3 V at full scale on the third
// input of the gauges' converter.
const lightChannel = `
[[channel]]
name = "light"
role = "light"
driver = "ads1115"
bus = "/dev/i2c-1"
address = "0x48"
input = "ain2"
range = "4.096 V"
rate = "128/s"

[channel.calibration]
kind = "none"
full_scale = "3 V"
`

// agingRig is the demo's bench with a photodiode and a sealed tube that burns.
func agingRig(t *testing.T, dir string, ager *plant.Ager, edit func(*bench.Options)) (*bench.Bench, *plant.Plant) {
	t.Helper()
	return coveredRig(t, dir, ager, nil, edit)
}

// coveredRig is agingRig with a photodiode that can be covered.
func coveredRig(t *testing.T, dir string, ager *plant.Ager, covered *bool, edit func(*bench.Options)) (*bench.Bench, *plant.Plant) {
	t.Helper()
	text, err := fs.ReadFile(deploy.PetrelPier, "petrel-pier/bench.toml")
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte("4000/s"), []byte("1000/s"), 1)
	head, tail, ok := strings.Cut(string(text), "[sounder]")
	if !ok {
		t.Fatal("the demo's bench has no [sounder] any more")
	}
	cfg, err := config.Parse("bench.toml", []byte(head+lightChannel+"\n[sounder]"+tail), registry.All())
	if err != nil {
		t.Fatal(err)
	}
	v := clock.NewVirtual(time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC), 0)
	board := emulated.NewBoard(v)
	p := plant.New(plant.Default(), ager)
	w := plant.DefaultWiring()
	w.Clock = v
	wired := p.Wire(board, w)
	diode := wired.Gauges.Input[2]
	wired.Gauges.Input[2] = func(at time.Duration) float64 {
		if covered != nil && *covered {
			return 0
		}
		return diode(at)
	}
	parts, err := bench.FromConfig(cfg, registry.All(), board, v)
	if err != nil {
		t.Fatal(err)
	}
	o := bench.Options{Clock: v, Name: cfg.Name, Layout: parts.Layout, Devices: parts.Devices, Chains: parts.Chains,
		Directory: dir, Envelope: bench.PlantOf(cfg), Version: "test", Speed: 1, Patient: true}
	if edit != nil {
		edit(&o)
	}
	b, err := bench.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return b, p
}

func runs(t *testing.T, b *bench.Bench) []string {
	t.Helper()
	list, err := b.Archive().List()
	if err != nil {
		t.Fatal(err)
	}
	var dirs []string
	for i := len(list) - 1; i >= 0; i-- {
		dirs = append(dirs, list[i].Dir)
	}
	return dirs
}

// A tube ages for half an hour on the emulated bench, through the drivers: asked for,
// recorded at its own rate, ended by itself, judged against what the plant did.
func TestAgeingRecordsItself(t *testing.T) {
	if testing.Short() {
		t.Skip("computes half an hour of the bench")
	}
	dir := t.TempDir()
	closed := make(chan string, 4)
	ager := &plant.Ager{Amps: 0.055, From: 60, To: 4000, Out: [2]float64{600, 607}}
	b, p := agingRig(t, dir, ager, func(o *bench.Options) { o.OnClosed = func(dir string) { closed <- dir } })
	if err := b.Age([]byte("tube = \"PP-01\"\ncurrent = \"55 mA\"\nhours = 0.5\nevery = \"2 s\"\n")); err != nil {
		t.Fatal(err)
	}
	if err := b.Age([]byte(`tube = "PP-02"`)); !errors.Is(err, ageing.ErrBusy) {
		t.Errorf("a second ageing run: %v", err)
	}
	var light []float64 // the plant's, each second
	var sawDark bool
	err := b.Run(context.Background(), func(now time.Duration) bool {
		if now%time.Second == 0 {
			light = append(light, p.State().Light)
			// A wire breaks for four seconds: shorter than two frames of the record.
			p.SetFault(plant.Fault{ThermocoupleOpen: now >= 20*time.Minute && now < 20*time.Minute+4*time.Second})
			s := b.Snapshot()
			sawDark = sawDark || s.Ageing.Dark
			if now == 10*time.Minute && (!s.Ageing.Active || s.Ageing.Tube != "PP-01" || math.Abs(s.Ageing.Burnt.Minutes()-9) > 0.1) {
				t.Errorf("after ten minutes: %+v", s.Ageing)
			}
		}
		return now >= 40*time.Minute || len(closed) > 0
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(closed) == 0 {
		t.Fatal("it was not ended within 40 minutes")
	}
	run := <-closed
	if _, err := os.Stat(filepath.Join(dir, ageing.RequestFile)); !errors.Is(err, os.ErrNotExist) {
		t.Error("the request is still there")
	}
	m, err := journal.LoadMeta(run)
	if err != nil {
		t.Fatal(err)
	}
	if m.Kind != ageing.Kind || m.Outcome != journal.Completed || m.Tube != "PP-01" {
		t.Errorf("kind %q, outcome %q, tube %q", m.Kind, m.Outcome, m.Tube)
	}
	if err := journal.Verify(run); err != nil {
		t.Error(err)
	}
	// Alarms go by the bench's frames, ten a second, and are in the record.
	i := slices.IndexFunc(m.Alarms, func(a journal.Alarm) bool { return a.ID == alarm.GlassSensorLost })
	if i < 0 || math.Abs(m.Alarms[i].RaisedS-1200) > 2.5 || math.Abs(m.Alarms[i].ClearedS-m.Alarms[i].RaisedS-4) > 2 {
		t.Errorf("alarms of the run: %+v; want the lost glass sensor at 1200 s for 4 s", m.Alarms)
	}
	a, err := ageing.Make(run)
	if err != nil {
		t.Fatal(err)
	}
	// Frames of 2 s, and the tube's own 30 minutes.
	if n := len(a.Points); n < 900 || n > 950 || math.Abs(a.Burnt-1800) > 10 {
		t.Errorf("%d frames, burnt %.0f s", n, a.Burnt)
	}
	// Against the plant: current, light first and last, its drift over the second half.
	near := func(what string, got, want, most float64) {
		if !(math.Abs(got-want) <= most) {
			t.Errorf("%s: %.5g, the plant has %.5g", what, got, want)
		}
	}
	near("mean current", a.Current, 0.055, 0.002)
	mean := func(from, to int) (sum float64) {
		for _, x := range light[from:to] {
			sum += x / float64(to-from)
		}
		return sum
	}
	last := len(light)
	near("light, last ten minutes", a.LightLast, mean(last-600, last-1), 0.005)
	half := (60 + last) / 2
	mid := (half + last) / 2
	want := 100 * (mean(mid, last-1) - mean(half, mid)) / mean(half, last-1) / (float64(last-half) / 2 / 3600)
	near("drift of the light", a.Drift, want, 4*a.DriftU+0.05*math.Abs(want))
	if a.DriftU <= 0 || a.DriftU > 2 {
		t.Errorf("drift ± %v %% an hour", a.DriftU)
	}
	if len(a.Outs) != 1 || math.Abs(a.Outs[0].To-a.Outs[0].From-6) > 2 || !sawDark {
		t.Errorf("out at %v; the status said so: %v; want once for 7 s, told after a second", a.Outs, sawDark)
	}
	// It warms up from 0.75 of its light to more, and it went out: outside.
	if a.Overall != "outside" || !strings.Contains(a.Text, "went out once") {
		t.Errorf("%s: %s", a.Overall, a.Text)
	}
	s, err := sheet.Make(run)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Save(run); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"time.svg", "time.png", "sheet.txt", "sheet.json"} {
		if data, err := sheet.Artifact(run, name); err != nil || len(data) < 300 {
			t.Errorf("%s: %d bytes, %v", name, len(data), err)
		}
	}
	if _, err := sheet.Artifact(run, "pressure-temperature.svg"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a chart that an ageing run has not: %v", err)
	}
	if keep := os.Getenv("TIPOFF_KEEP_AGEING"); keep != "" {
		data, _ := sheet.Artifact(run, "time.png")
		os.WriteFile(keep, data, 0o644)
	}
	text, err := sheet.Artifact(run, "sheet.txt")
	if err == nil {
		t.Logf("\n%s", text)
	}
	var trace bytes.Buffer
	if err := bench.WriteTrace(run, &trace); err != nil || !strings.HasPrefix(trace.String(), "time [s],pressure [Pa],pressure u [Pa],glass [C],glass u [K],current [A],current u [A],light [1],light u [1]\n") {
		t.Errorf("exported: %v, %.120s", err, trace.String())
	}
	var size int64
	files, _ := os.ReadDir(run)
	for _, f := range files {
		if i, err := f.Info(); err == nil && strings.HasPrefix(f.Name(), "frames") {
			size += i.Size()
		}
	}
	t.Logf("%d frames in %d bytes", len(a.Points), size)
	if eight := size * 8 * 3600 / 5 / int64(len(a.Points)); eight > 2<<20 {
		t.Errorf("eight hours at a frame each 5 s would take %d bytes", eight)
	}
}

// heard is a sounder that tells what it is set to.
type heard struct{ name atomic.Value }

func (*heard) String() string { return "speaker" }
func (h *heard) Set(p *drivers.Pattern) error {
	name := ""
	if p != nil {
		name = p.Name
	}
	h.name.Store(name)
	return nil
}
func (*heard) Tick(time.Duration) error { return nil }
func (*heard) Close() error             { return nil }

// A tube that goes out, and a light that collapses while the current flows, sound,
// say what to do and are in the record; both end with the ageing run.
func TestAgeingAlarms(t *testing.T) {
	dir := t.TempDir()
	ager := &plant.Ager{Amps: 0.055, From: 2, To: 4000, Out: [2]float64{80, 90}}
	closed := make(chan string, 1)
	covered := false
	speaker := &heard{}
	b, _ := coveredRig(t, dir, ager, &covered, func(o *bench.Options) {
		o.OnClosed, o.Outputs = func(dir string) { closed <- dir }, []bench.Output{opened(speaker)}
	})
	if err := b.Age([]byte("tube = \"PP-01\"\ncurrent = \"55 mA\"\n")); err != nil {
		t.Fatal(err)
	}
	err := b.Run(context.Background(), func(now time.Duration) bool {
		covered = now >= 50*time.Second && now < 65*time.Second || now >= 110*time.Second
		if now%time.Second != 0 {
			return false
		}
		s := b.Snapshot()
		raised := ""
		for i := range s.Alarms {
			a := &s.Alarms[i]
			if a.State == alarm.Unacknowledged && (a.Definition.ID == alarm.AgeingTubeOut || a.Definition.ID == alarm.AgeingLightGone) {
				raised += a.Definition.ID + " "
				if a.Definition.Priority != alarm.Medium || a.Definition.Response == "" {
					t.Errorf("%+v", a.Definition)
				}
			}
		}
		want := map[time.Duration]string{49: "", 53: "", 57: "ageing-light-gone ", 72: "", 79: "", 83: "ageing-tube-out ",
			89: "ageing-tube-out ", 93: "", 120: "ageing-light-gone ", 128: ""}
		if w, ok := want[now/time.Second]; ok && raised != w {
			t.Errorf("%v: raised %q, want %q", now, raised, w)
		} else if sound, _ := speaker.name.Load().(string); ok && w != "" && sound != "medium" {
			t.Errorf("%v: heard %q", now, sound)
		}
		if now == 125*time.Second {
			if err := b.EndAgeing(); err != nil {
				t.Error(err)
			}
		}
		return now >= 130*time.Second
	})
	if err != nil {
		t.Fatal(err)
	}
	m, err := journal.LoadMeta(<-closed)
	if err != nil {
		t.Fatal(err)
	}
	count := map[string]int{}
	for _, a := range m.Alarms {
		count[a.ID]++
	}
	if count[alarm.AgeingTubeOut] != 1 || count[alarm.AgeingLightGone] != 2 {
		t.Errorf("in the record: %v", m.Alarms)
	}
	// The page's live trace has the light: covered at 60 s, not at 75 s.
	at := map[int]float64{}
	for _, p := range b.History(0, 1000) {
		at[int(p.At/time.Second)] = p.Light
	}
	if !(at[60] < 0.02 && at[75] > 0.2) {
		t.Errorf("light in the history: %v at 60 s, %v at 75 s", at[60], at[75])
	}
}

// The daemon stops in the middle: the run is sealed as interrupted, and the next
// daemon goes on with the hours that are left. Ended early by a person it is aborted.
func TestAgeingGoesOnAfterAStop(t *testing.T) {
	dir := t.TempDir()
	ager := &plant.Ager{Amps: 0.05, From: 0, To: 4000}
	b, _ := agingRig(t, dir, ager, nil)
	if err := b.Age([]byte("tube = \"PP-01\"\ncurrent = \"50 mA\"\nhours = 0.05\n")); err != nil {
		t.Fatal(err)
	}
	until := func(b *bench.Bench, end time.Duration, each func(now time.Duration)) {
		t.Helper()
		if err := b.Run(context.Background(), func(now time.Duration) bool {
			if each != nil {
				each(now)
			}
			return now >= end
		}); err != nil {
			t.Fatal(err)
		}
	}
	until(b, 62*time.Second, nil)
	r, err := ageing.Wanted(dir)
	if err != nil || math.Abs(3600*r.Done-60) > 2 {
		t.Fatalf("left for the next daemon: %+v, %v", r, err)
	}
	b, _ = agingRig(t, dir, ager, nil)
	until(b, 200*time.Second, nil)
	all := runs(t, b)
	if len(all) != 2 {
		t.Fatalf("runs: %v", all)
	}
	for i, want := range []struct {
		outcome journal.Outcome
		burnt   float64
	}{{journal.Interrupted, 60}, {journal.Completed, 120}} {
		m, err := journal.LoadMeta(all[i])
		if err != nil {
			t.Fatal(err)
		}
		a, err := ageing.Make(all[i])
		if err != nil {
			t.Fatal(err)
		}
		if m.Outcome != want.outcome || math.Abs(a.Burnt-want.burnt) > 6 {
			t.Errorf("run %d: %s, burnt %.0f s; want %s, %.0f", i, m.Outcome, a.Burnt, want.outcome, want.burnt)
		}
	}
	if err := b.EndAgeing(); !errors.Is(err, ageing.ErrNone) {
		t.Errorf("ending what has ended: %v", err)
	}

	b, _ = agingRig(t, dir, ager, nil)
	if err := b.Age([]byte("tube = \"PP-01\"\nhours = 1\nchannel = \"nothing\"\n")); err == nil || !strings.Contains(err.Error(), `found "nothing"`) {
		t.Errorf("a channel that is not there: %v", err)
	}
	if err := b.Age([]byte("tube = \"PP-01\"\nhours = 1\n")); err != nil {
		t.Fatal(err)
	}
	until(b, 40*time.Second, func(now time.Duration) {
		if now == 30*time.Second {
			if err := b.EndAgeing(); err != nil {
				t.Error(err)
			}
		}
	})
	all = runs(t, b)
	if m, err := journal.LoadMeta(all[len(all)-1]); err != nil || len(all) != 3 || m.Outcome != journal.Aborted {
		t.Errorf("ended by hand: %d runs, %v, %v", len(all), m.Outcome, err)
	}
}
