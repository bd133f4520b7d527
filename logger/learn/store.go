package learn

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"tipoff/logger/archive"
	"tipoff/logger/journal"
	"tipoff/logger/model"
)

// Dir is the folder of the constants beside the runs in a store.
const Dir = "constants"

// Store is where a bench's constants are kept: numbered files, each written
// once.
type Store struct {
	dir     string // of the constants
	archive *archive.Archive
}

// Open opens the constants of the store in folder store, whose runs are a's.
func Open(store string, a *archive.Archive) *Store {
	return &Store{dir: filepath.Join(store, Dir), archive: a}
}

func versionFile(n int) string { return fmt.Sprintf("%04d.toml", n) }

// Versions are the numbers of the versions that there are, lowest first.
func (s *Store) Versions() ([]int, error) { return versions(s.dir) }

func versions(dir string) ([]int, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("reading the versions of the constants: %w", err)
	}
	var list []int
	for _, e := range entries {
		digits, ok := strings.CutSuffix(e.Name(), ".toml")
		if n, err := strconv.Atoi(digits); ok && err == nil && n >= 1 && e.Name() == versionFile(n) {
			list = append(list, n)
		}
	}
	slices.Sort(list)
	return list, nil
}

// Version reads a version.
func (s *Store) Version(n int) (*Constants, error) { return version(s.dir, n) }

func version(dir string, n int) (*Constants, error) {
	path := filepath.Join(dir, versionFile(n))
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading version %d of the constants: %w", n, err)
	}
	c, err := Parse(path, data)
	if err != nil {
		return nil, err
	}
	if c.Version != n {
		return nil, fmt.Errorf("%s: version: found %d; allowed: %d, as the file is called", path, c.Version, n)
	}
	return c, nil
}

// InForce is the newest version, nil if there is none.
func (s *Store) InForce() (*Constants, error) {
	list, err := s.Versions()
	if err != nil || len(list) == 0 {
		return nil, err
	}
	return s.Version(list[len(list)-1])
}

// Judged are the constants that the run in folder dir, or a recomputation in a
// run's folder, is judged by: once there is a verdict those that run.toml names
// with it, nil if it names none; until then those from [Before]. The rest of a run
// that was broken off is judged by those of its first part. If the version is not
// there any more, the error is [fs.ErrNotExist].
func Judged(dir string) (*Constants, error) {
	parts, _, err := journal.Parts(dir)
	if err != nil {
		return nil, err
	}
	if m := parts[len(parts)-1].Meta; m.Verdict == "" {
		dir = parts[0].Dir
	}
	m, err := journal.LoadMeta(dir)
	if err != nil {
		return nil, err
	}
	switch {
	case m.Verdict == "":
		return Before(dir)
	case m.Constants == 0:
		m.Constants = ofSheet(dir)
	}
	if m.Constants == 0 {
		return nil, nil
	}
	return version(filepath.Join(storeOf(dir), Dir), m.Constants)
}

// ofSheet is the version that the sheet beside a run names, 0 for none: run.toml
// did not name it at first.
func ofSheet(dir string) int {
	var s struct {
		Constants int `json:"constants"`
	}
	text, err := os.ReadFile(filepath.Join(dir, "sheet.json"))
	if err != nil || json.Unmarshal(text, &s) != nil {
		return 0
	}
	return max(0, s.Constants)
}

// storeOf is the store that a run's folder is in.
func storeOf(dir string) string { return filepath.Dir(journal.RunsOf(dir)) }

// Before is the newest version that was made from runs before the one in folder
// dir alone: what was known when that run began. nil if there is none. A sheet
// that is made anew thus stays what it was, and no run is judged by itself.
func Before(dir string) (*Constants, error) {
	m, err := journal.LoadMeta(dir)
	if err != nil {
		return nil, err
	}
	return newest(storeOf(dir), filepath.Base(dir), func(last *journal.Meta) bool { return earlier(last, m) })
}

// At is what was known at a time: the newest version whose runs all began before
// it, nil if there is none. It is what a trace of that time is recorded with.
func (s *Store) At(t time.Time) (*Constants, error) {
	return newest(filepath.Dir(s.dir), "", func(last *journal.Meta) bool { return !last.Started.Trusted || last.Started.Wall.Before(t) })
}

// newest is the newest version of a store without run except, of whose newest run
// before says yes, or which is not there any more.
func newest(store, except string, before func(last *journal.Meta) bool) (*Constants, error) {
	folder := filepath.Join(store, Dir)
	list, err := versions(folder)
	if err != nil {
		return nil, err
	}
	for _, n := range slices.Backward(list) {
		c, err := version(folder, n)
		if err != nil {
			return nil, err
		}
		if slices.Contains(c.Runs, except) {
			continue
		}
		last, err := journal.LoadMeta(filepath.Join(store, archive.RunsDir, c.Runs[len(c.Runs)-1]))
		if errors.Is(err, fs.ErrNotExist) || err == nil && before(last) {
			return c, nil
		}
		if err != nil {
			return nil, err
		}
	}
	return nil, nil
}

// earlier tells whether run a comes before b, as the archive orders them.
func earlier(a, b *journal.Meta) bool {
	if a.Started.Trusted != b.Started.Trusted {
		return b.Started.Trusted
	}
	if c := a.Started.Wall.Compare(b.Started.Wall); c != 0 && a.Started.Trusted {
		return c < 0
	}
	return a.ID < b.ID
}

// add writes c as the next version, durably. It never writes over a file.
func (s *Store) add(c *Constants) error {
	if err := os.MkdirAll(s.dir, 0o755); err != nil {
		return fmt.Errorf("keeping the constants: %w", err)
	}
	list, err := s.Versions()
	if err != nil {
		return err
	}
	c.Version = 1
	if n := len(list); n > 0 {
		c.Version = list[n-1] + 1
	}
	data, err := c.Encode()
	if err != nil {
		return err
	}
	path := filepath.Join(s.dir, versionFile(c.Version))
	if _, err := Parse(path, data); err != nil {
		return fmt.Errorf("keeping the constants: they would not be read back: %w", err)
	}
	f, err := os.CreateTemp(s.dir, ".new-*")
	if err != nil {
		return fmt.Errorf("keeping the constants: %w", err)
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Chmod(0o444), f.Sync(), f.Close())
	if err == nil {
		err = os.Link(f.Name(), path) // fails if another process was first
	}
	_ = os.Remove(f.Name())
	if err == nil {
		err = journal.OS{}.SyncDir(s.dir)
	}
	if err != nil {
		return fmt.Errorf("keeping version %d of the constants: %w", c.Version, err)
	}
	return nil
}

// Use puts version n in force again: a copy of it becomes the newest version
// and is held, so that learning does not replace it by itself.
func (s *Store) Use(n int, at time.Time) (*Constants, error) {
	c, err := s.Version(n)
	if err != nil {
		return nil, err
	}
	c.From, c.Held, c.Made = n, true, at
	return c, s.add(c)
}

// Options are what is learned with.
type Options struct {
	Said  model.Bench // what the owner says of the bench
	At    time.Time   // the date of a new version
	Since string      // earliest run that counts; "": as the version in force says
	All   bool        // all runs count, whatever the version in force says
	// ByHand: somebody asked for it, so that a held version is replaced.
	ByHand bool
	// Again: every run is read from its frames, whatever stands beside it.
	Again bool
	// Workers is how many processors may be busy with it; 0: all. A daemon that
	// records meanwhile takes one.
	Workers int
}

// Report is what learning came to.
type Report struct {
	Before, Now *Constants // nil if there are none
	Kept        bool       // Now is a new version
	Read        int        // runs that were read from their frames
	Looked      int        // runs looked at
	Skipped     []Left     // runs that can teach nothing, and why
	Taught      []*Taught  // what was learned from, oldest first
}

// Learn learns from all runs of the archive. What a run teaches is read from its
// frames once and then kept beside it. A new version is kept if a constant has
// changed by more than a part of its uncertainty.
func (s *Store) Learn(ctx context.Context, o Options) (*Report, error) {
	r := &Report{}
	var err error
	if r.Before, err = s.InForce(); err != nil {
		return nil, err
	}
	since := o.Since
	if since == "" && !o.All && r.Before != nil {
		since = r.Before.Since
	}
	list, err := s.archive.List()
	if err != nil {
		return nil, err
	}
	slices.Reverse(list) // oldest first
	if since != "" {
		if i := slices.IndexFunc(list, func(e archive.Entry) bool { return e.ID == since }); i >= 0 {
			list = list[i:]
		} else { // its folder was taken away: by name, which begins with the date
			list = slices.DeleteFunc(list, func(e archive.Entry) bool { return e.ID < since })
		}
	}
	list = slices.DeleteFunc(list, func(e archive.Entry) bool {
		return e.Outcome == journal.Recording || e.Trouble != "" || e.Kind != "" || e.GoesOn != ""
	})
	list = list[max(0, len(list)-MostRuns):]
	r.Looked = len(list)
	taught, err := r.gather(ctx, list, &o)
	if err != nil {
		return nil, err
	}
	r.Taught = taught
	r.Now = Combine(taught, o.Said)
	if r.Now == nil {
		return r, nil
	}
	r.Now.Made, r.Now.Since = o.At.UTC().Truncate(time.Second), since
	if b := r.Before; b != nil && (b.Held && !o.ByHand || !b.Held && b.Since == since && !changed(b, r.Now)) {
		r.Now = b
		return r, nil
	}
	r.Kept = true
	return r, s.add(r.Now)
}

// gather collects what the runs teach, oldest first.
func (r *Report) gather(ctx context.Context, list []archive.Entry, o *Options) ([]*Taught, error) {
	all := make([]*Taught, len(list))
	why := make([]error, len(list))
	fresh := make([]bool, len(list))
	work := make(chan int)
	var wait sync.WaitGroup
	workers := o.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	for range workers {
		wait.Go(func() {
			for i := range work {
				all[i], fresh[i], why[i] = OfRun(list[i].Dir, o.Again)
			}
		})
	}
	for i := range list {
		if ctx.Err() != nil {
			break
		}
		work <- i
	}
	close(work)
	wait.Wait()
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("learning: %w", err)
	}
	var out []*Taught
	for i, t := range all {
		if fresh[i] {
			r.Read++
		}
		if why[i] != nil {
			r.Skipped = append(r.Skipped, Left{list[i].ID, why[i].Error()})
			continue
		}
		t.Run = list[i].ID // the folder is what everything goes by
		out = append(out, t)
	}
	return out, nil
}

// OfRun is what the run in dir teaches: what stands beside it or, if there is
// nothing or again is set, from its frames, which is then kept beside it.
func OfRun(dir string, again bool) (t *Taught, fresh bool, err error) {
	if !again {
		if t, err := load(dir); err == nil {
			return t, false, nil
		}
	}
	t, err = Read(dir)
	if err != nil {
		return nil, true, err
	}
	// A folder that cannot be written to only costs time.
	_ = t.Save(dir)
	return t, true, nil
}

// A constant has changed if it moved by this part of what runs leave uncertain,
// or that uncertainty became smaller by this factor.
const (
	moved   = 0.5
	sharper = 0.8
)

// changed tells whether now is worth a version of its own after before.
func changed(before, now *Constants) bool {
	if before.LagCorrected != now.LagCorrected {
		return true
	}
	for i := range now.Values {
		a, b := &before.Values[i], &now.Values[i]
		if a.Beats != b.Beats || a.Runs == 0 != (b.Runs == 0) || a.Basis != b.Basis || a.Known != b.Known {
			return true
		}
		if b.Runs > 0 && (math.Abs(b.coordinate()-a.coordinate()) > moved*a.OfRuns || b.OfRuns < sharper*a.OfRuns) {
			return true
		}
	}
	return false
}

// coordinate is the value, of a positive constant its logarithm.
func (v *Value) coordinate() float64 {
	if v.Constant.Info().Positive {
		return math.Log(v.X)
	}
	return v.X
}
