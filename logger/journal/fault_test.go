package journal

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// faultFS is a disk that fails when and how a test wants.
type faultFS struct {
	OS
	mu sync.Mutex
	n  int                          // operations so far
	do func(n int, op string) error // nil result: go on
}

func (f *faultFS) step(op string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.n++
	if f.do == nil {
		return nil
	}
	return f.do(f.n, op)
}

func (f *faultFS) Create(name string) (File, error) {
	if err := f.step("create"); err != nil {
		return nil, err
	}
	file, err := f.OS.Create(name)
	if err != nil {
		return nil, err
	}
	return &faultFile{fs: f, File: file}, nil
}

func (f *faultFS) Rename(from, to string) error {
	if err := f.step("rename"); err != nil {
		return err
	}
	return f.OS.Rename(from, to)
}

func (f *faultFS) Remove(name string) error {
	if err := f.step("remove"); err != nil {
		return err
	}
	return f.OS.Remove(name)
}

func (f *faultFS) Mkdir(dir string) error {
	if err := f.step("mkdir"); err != nil {
		return err
	}
	return f.OS.Mkdir(dir)
}

func (f *faultFS) SyncDir(dir string) error {
	if err := f.step("syncdir"); err != nil {
		return err
	}
	return f.OS.SyncDir(dir)
}

type faultFile struct {
	File
	fs *faultFS
}

// Write writes half before it fails, as a full disk does.
func (f *faultFile) Write(b []byte) (int, error) {
	if err := f.fs.step("write"); err != nil {
		n, _ := f.File.Write(b[:len(b)/2])
		return n, err
	}
	return f.File.Write(b)
}

func (f *faultFile) Sync() error {
	if err := f.fs.step("sync"); err != nil {
		return err
	}
	return f.File.Sync()
}

// The n-th operation on the disk fails, once or from then on for a while, for
// every n until a whole run passes without a fault. No frame may be missing
// once the disk works again, and none twice.
func TestEveryFaultWhileRecording(t *testing.T) {
	for _, lasting := range []int{1, 4} {
		for n := 1; ; n++ {
			dir := filepath.Join(t.TempDir(), "2026-11-25-001")
			hit := false
			fs := &faultFS{}
			made := false
			fs.do = func(i int, op string) error {
				if made && i >= n && i < n+lasting {
					hit = true
					return syscall.ENOSPC
				}
				return nil
			}
			var troubles, recoveries int
			w, err := Create(dir, testMeta(), testLayout(), Options{
				FS: fs, Every: time.Hour,
				OnTrouble:   func(error) { troubles++ },
				OnRecovered: func() { recoveries++ },
			})
			if err != nil {
				t.Fatal(err)
			}
			fs.mu.Lock()
			fs.n, made = 0, true
			fs.mu.Unlock()
			for i := range 30 {
				w.Append(testFrame(i), testPhase(i))
				if i%3 == 2 {
					_ = w.Sync() // fails when the fault is due
				}
			}
			if err := w.Close(); err != nil && lasting == 1 && n < 20 {
				t.Fatalf("fault %d: closing: %v", n, err)
			}
			if !hit {
				break
			}
			if err := func() error { w.mu.Lock(); defer w.mu.Unlock(); return w.err }(); err != nil {
				continue // the disk failed to the end
			}
			if troubles == 0 || recoveries == 0 {
				t.Errorf("fault %d for %d: %d troubles told, %d recoveries", n, lasting, troubles, recoveries)
			}
			got := readAll(t, dir)
			checkFrames(t, got)
			if len(got.frames) != 30 || len(got.damage) != 0 {
				t.Errorf("fault %d for %d: %d frames, damage %v", n, lasting, len(got.frames), got.damage)
			}
			m, err := Recover(dir)
			if err != nil || len(m.Lost) != 0 {
				t.Errorf("fault %d for %d: recovery: lost %v, %v", n, lasting, m, err)
			}
			if after := readAll(t, dir); len(after.frames) != 30 {
				t.Errorf("fault %d for %d: %d frames after recovery", n, lasting, len(after.frames))
			}
		}
	}
}

// A power cut or a failure at every step of sealing: the run must be whole and
// readable in between, and recovery must end what was begun.
func TestEveryFaultWhileSealing(t *testing.T) {
	const total = 25
	for n := 1; ; n++ {
		dir := filepath.Join(t.TempDir(), "2026-11-25-001")
		fs := &faultFS{}
		w, err := Create(dir, testMeta(), testLayout(), Options{FS: fs, Every: time.Hour})
		if err != nil {
			t.Fatal(err)
		}
		for i := range total {
			w.Append(testFrame(i), testPhase(i))
		}
		if err := w.Sync(); err != nil {
			t.Fatal(err)
		}
		fs.mu.Lock()
		fs.n = 0
		fs.do = func(i int, op string) error { // dead from n on: nothing more reaches the disk
			if i >= n {
				return fmt.Errorf("%s: %w", op, syscall.EIO)
			}
			return nil
		}
		fs.mu.Unlock()
		sealed := w.Seal(func(m *Meta) { m.Outcome = Completed })
		got := readAll(t, dir)
		if len(got.frames) != total {
			t.Fatalf("step %d failed: %d frames readable, want %d", n, len(got.frames), total)
		}
		m, err := Recover(dir)
		if err != nil {
			t.Fatalf("step %d failed: recovery: %v", n, err)
		}
		// Before the outcome was on the disk, the run can only be interrupted.
		if m.Outcome != Completed && m.Outcome != Interrupted || m.Outcome == Interrupted && n > 6 {
			t.Errorf("step %d failed: outcome %s", n, m.Outcome)
		}
		if got = readAll(t, dir); len(got.frames) != total || len(got.damage) != 0 {
			t.Fatalf("step %d failed: %d frames after recovery, damage %v", n, len(got.frames), got.damage)
		}
		checkFrames(t, got)
		if err := Verify(dir); err != nil {
			t.Errorf("step %d failed: %v", n, err)
		}
		if names, _ := filepath.Glob(filepath.Join(dir, "*")); len(names) != 3 {
			t.Errorf("step %d failed: left in the folder: %v", n, names)
		}
		if sealed == nil {
			if n < 10 {
				t.Errorf("sealing took only %d steps: the faults did not reach it", n)
			}
			return
		}
	}
}

// The same for a change of run.toml: after it the folder passes sha256sum -c
// with the old or the new text.
func TestEveryFaultWhileUpdating(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "2026-11-25-001")
	record(t, dir, 20, 5)
	if _, err := Recover(dir); err != nil {
		t.Fatal(err)
	}
	for n := 1; ; n++ {
		fs := &faultFS{do: func(i int, op string) error {
			if i >= n {
				return syscall.EIO
			}
			return nil
		}}
		name := fmt.Sprintf("PP-%02d", n)
		updated := updateMeta(fs, dir, func(m *Meta) error { m.Tube = name; return nil })
		if _, err := Recover(dir); err != nil {
			t.Fatalf("step %d: %v", n, err)
		}
		if err := Verify(dir); err != nil {
			t.Fatalf("step %d: %v", n, err)
		}
		m, err := LoadMeta(dir)
		if err != nil {
			t.Fatal(err)
		}
		if updated == nil {
			if m.Tube != name {
				t.Errorf("updated, but the tube is %s", m.Tube)
			}
			return
		}
	}
}

// A disk that hangs: Append goes on, the oldest lines go when memory is full,
// and the record tells how many.
func TestStuckDisk(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "2026-11-25-001")
	fs := &faultFS{}
	const memory = 1 << 20
	w, err := Create(dir, testMeta(), testLayout(), Options{FS: fs, Every: time.Hour, Memory: memory})
	if err != nil {
		t.Fatal(err)
	}
	fs.mu.Lock()
	fs.do = func(int, string) error { return syscall.ENOSPC }
	fs.mu.Unlock()
	const total = 10000
	for i := range total {
		w.Append(testFrame(i), testPhase(i))
		if i == 100 || i == 7000 {
			if err := w.Sync(); !errors.Is(err, syscall.ENOSPC) || !errors.Is(w.Err(), syscall.ENOSPC) {
				t.Fatalf("the disk is full, and Sync says %v", err)
			}
		}
		w.mu.Lock()
		if held := w.queued + len(w.active.buf); held > memory+chunkSize+2000 {
			t.Fatalf("%d bytes in memory", held)
		}
		w.mu.Unlock()
	}
	fs.mu.Lock()
	fs.do = nil
	fs.mu.Unlock()
	if err := w.Sync(); err != nil || w.Err() != nil {
		t.Fatal(err)
	}
	w.Append(testFrame(total), testPhase(total))
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	got := readAll(t, dir)
	checkFrames(t, got)
	if n := len(got.frames); n == 0 || got.frames[n-1].Seq != total || n >= total {
		t.Fatalf("%d frames", n)
	}
	told := int64(0)
	events := 0
	for _, e := range got.events {
		if e.Kind == LinesLost {
			told += e.Count
			events++
		}
	}
	// Every line, frame or phase event or the anchor, is there or told.
	lines := int64(len(got.frames) + len(got.events) - events)
	all := int64(total + 1 + 1 + (total)/40 + 1)
	if lines+told != all || w.Stats().Dropped != uint64(told) {
		t.Errorf("%d lines read, %d told lost, want %d in all; stats %+v", lines, told, all, w.Stats())
	}
}

// A disk that blocks inside a write must not block Append.
func TestHangingDisk(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "2026-11-25-001")
	hang, entered := make(chan struct{}), make(chan struct{})
	var once sync.Once
	hung := &hangFS{hang: hang, entered: func() { once.Do(func() { close(entered) }) }}
	w, err := Create(dir, testMeta(), testLayout(), Options{FS: hung, Every: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	hung.on.Store(true)
	w.Append(testFrame(0), testPhase(0))
	synced := make(chan error)
	go func() { synced <- w.Sync() }()
	<-entered
	for i := 1; i < 1000; i++ {
		w.Append(testFrame(i), testPhase(i)) // the test hangs here if it waits
	}
	close(hang)
	if err := <-synced; err != nil {
		t.Fatal(err)
	}
	if err := w.Seal(nil); err != nil {
		t.Fatal(err)
	}
	if got := readAll(t, dir); len(got.frames) != 1000 {
		t.Errorf("%d frames", len(got.frames))
	}
}

type hangFS struct {
	OS
	on      atomic.Bool
	hang    chan struct{}
	entered func()
}

func (h *hangFS) Create(name string) (File, error) {
	if h.on.Load() && strings.HasSuffix(name, ".lp") {
		h.entered()
		<-h.hang
	}
	return h.OS.Create(name)
}

func TestPatient(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "2026-11-25-001")
	w, err := Create(dir, testMeta(), testLayout(), Options{Memory: 256 << 10, Patient: true})
	if err != nil {
		t.Fatal(err)
	}
	f := *testFrame(0)
	for i := range 20000 {
		f.Seq = uint64(i)
		w.Append(&f, phase.Age)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if s := w.Stats(); s.Dropped != 0 || s.Frames != 20000 {
		t.Errorf("%+v", s)
	}
	if got := readAll(t, dir); len(got.frames) != 20000 {
		t.Errorf("%d frames", len(got.frames))
	}
}

func TestAppendAllocates(t *testing.T) {
	w, err := Create(filepath.Join(t.TempDir(), "r"), testMeta(), testLayout(), Options{Every: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	f := testFrame(5)
	if n := testing.AllocsPerRun(100, func() { w.Append(f, phase.Bombard) }); n != 0 {
		t.Errorf("Append allocates %v times", n)
	}
}

func BenchmarkAppend(b *testing.B) {
	w, err := Create(filepath.Join(b.TempDir(), "r"), testMeta(), testLayout(), Options{Patient: true})
	if err != nil {
		b.Fatal(err)
	}
	defer w.Close()
	frames := make([]*frame.Frame, 512)
	for i := range frames {
		frames[i] = testFrame(i)
	}
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		w.Append(frames[i&511], phase.Bombard)
		i++
	}
}

func BenchmarkRead(b *testing.B) {
	dir := filepath.Join(b.TempDir(), "r")
	record(b, dir, 6000, 5)
	lp, err := os.Stat(filepath.Join(dir, "frames.lp"))
	if err != nil {
		b.Fatal(err)
	}
	if _, err := Recover(dir); err != nil {
		b.Fatal(err)
	}
	info, err := os.Stat(filepath.Join(dir, sealedName))
	if err != nil {
		b.Fatal(err)
	}
	// Values, uncertainties, raw numbers and cold junctions of four channels.
	values := 0
	first := testFrame(1)
	for _, r := range first.Readings[:4] {
		for _, x := range []float64{r.Value.X, r.Value.U, r.Raw, r.Aux} {
			if calib.Value.Good(calib.Value{X: x}) {
				values++
			}
		}
	}
	n := 0
	for b.Loop() {
		r, err := Open(dir)
		if err != nil {
			b.Fatal(err)
		}
		var rec Record
		for r.Next(&rec) == nil {
			if rec.IsFrame {
				n++
			}
		}
		r.Close()
	}
	b.ReportMetric(float64(lp.Size())/6000, "B/frame-open")
	b.ReportMetric(float64(info.Size())/6000, "B/frame-sealed")
	b.ReportMetric(float64(info.Size())/6000/float64(values), "B/value-sealed")
	b.ReportMetric(float64(n)/b.Elapsed().Minutes(), "frames/min")
}

// The timestamp of a frame is the wall clock of the run's first anchor plus
// monotonic progress, in steps of 10 µs.
func TestStamp(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	record(t, dir, 1, 1)
	text, err := os.ReadFile(filepath.Join(dir, "frames.lp"))
	if err != nil {
		t.Fatal(err)
	}
	at := start.Wall.Add(testFrame(0).At - start.Mono()).Round(10 * time.Microsecond).UnixNano()
	if !bytes.Contains(text, fmt.Appendf(nil, " %d\n", at)) {
		t.Errorf("no line is stamped %d:\n%s", at, text)
	}
}

// An hour of recording, the usual length of a run.
func BenchmarkSealHour(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		b.StopTimer()
		dir := filepath.Join(b.TempDir(), "r")
		record(b, dir, 36000, 5)
		b.StartTimer()
		if _, err := Recover(dir); err != nil {
			b.Fatal(err)
		}
	}
}
