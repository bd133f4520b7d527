// Package archive is all runs of a bench: a folder of run folders.
//
// The folders are the truth. A catalogue, catalogue.jsonl, only saves reading
// thousands of run.toml again; it can be deleted at any time.
package archive

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"tipoff/logger/journal"
)

// RunsDir is where the runs are in a store, the folder that a bench keeps all its files
// in.
const RunsDir = "runs"

// Entry is one run in the list.
type Entry struct {
	ID      string          `json:"id"`
	Dir     string          `json:"-"`
	Bench   string          `json:"bench"`
	Tube    string          `json:"tube"`
	Kind    string          `json:"kind,omitempty"` // "ageing"; "" the processing of a tube
	Job     string          `json:"job"`
	Started time.Time       `json:"started"`
	Trusted bool            `json:"trusted"` // Started is a true wall-clock time
	Took    time.Duration   `json:"took_ns"` // 0 while it is recorded
	Outcome journal.Outcome `json:"outcome"`
	Verdict string          `json:"verdict"`
	Summary string          `json:"summary"`
	GoesOn  string          `json:"goes_on,omitempty"` // run that goes on with this one, which was broken off
	Trouble string          `json:"trouble,omitempty"` // why run.toml can not be read, then most of the rest is empty
}

// ErrNotFound is that no run has the wanted ID.
var ErrNotFound = errors.New("no such run")

// Archive is a folder of runs. Its methods may be called from several
// goroutines.
type Archive struct {
	dir string

	mu    sync.Mutex // guards everything that follows
	known map[string]cached
	saved bool // the catalogue on the disk holds what is known
	lock  *os.File
}

// cached is an entry and the state of its run.toml that it was read from.
type cached struct {
	Name   string `json:"name"` // of the folder
	Size   int64  `json:"size"`
	ModNS  int64  `json:"mod_ns"`
	Inode  uint64 `json:"inode"`
	Format int    `json:"format"`
	Entry  Entry  `json:"entry"`
}

const (
	catalogueName   = "catalogue.jsonl"
	catalogueFormat = 3
	metaName        = "run.toml"
)

// Open opens the archive in dir, which it makes if there is none. A missing or
// damaged catalogue is built again by List.
func Open(dir string) (*Archive, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("opening the archive: %w", err)
	}
	a := &Archive{dir: dir, known: make(map[string]cached)}
	text, err := os.ReadFile(filepath.Join(dir, catalogueName))
	if err == nil {
		a.known = readCatalogue(text)
		a.saved = true
	}
	return a, nil
}

// readCatalogue reads what it can; what it can not is read from the folders.
func readCatalogue(text []byte) map[string]cached {
	known := make(map[string]cached)
	lines := bufio.NewScanner(bytes.NewReader(text))
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var c cached
		if err := json.Unmarshal(lines.Bytes(), &c); err == nil && c.Format == catalogueFormat && c.Name != "" {
			known[c.Name] = c
		}
	}
	return known
}

// RunDir is the folder of the run id, there or not.
func (a *Archive) RunDir(id string) string { return filepath.Join(a.dir, id) }

// List is all runs, the newest first: those with a true date by date, then
// those of boots at which the board did not know the time.
func (a *Archive) List() ([]Entry, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	folders, err := os.ReadDir(a.dir)
	if err != nil {
		return nil, fmt.Errorf("listing the archive: %w", err)
	}
	known := make(map[string]cached, len(folders))
	changed := !a.saved
	entries := make([]Entry, 0, len(folders))
	for _, f := range folders {
		if !f.IsDir() || strings.HasPrefix(f.Name(), ".") {
			continue
		}
		c, fresh := a.entry(f.Name())
		changed = changed || fresh
		known[f.Name()] = c
		c.Entry.Dir = a.RunDir(f.Name())
		entries = append(entries, c.Entry)
	}
	changed = changed || len(known) != len(a.known)
	a.known = known
	if changed {
		// The catalogue is only a cache: a full disk must not hide the runs.
		a.saved = a.save() == nil
	}
	slices.SortFunc(entries, newestFirst)
	return entries, nil
}

func newestFirst(x, y Entry) int {
	if x.Trusted != y.Trusted {
		if x.Trusted {
			return -1
		}
		return 1
	}
	if c := y.Started.Compare(x.Started); c != 0 && x.Trusted {
		return c
	}
	return strings.Compare(y.ID, x.ID)
}

// entry is the entry of one folder, from the cache if run.toml is the same.
func (a *Archive) entry(name string) (c cached, fresh bool) {
	c = cached{Name: name, Format: catalogueFormat}
	info, err := os.Stat(filepath.Join(a.dir, name, metaName))
	if err == nil {
		c.Size, c.ModNS, c.Inode = info.Size(), info.ModTime().UnixNano(), inode(info)
		if old, ok := a.known[name]; ok && old.Size == c.Size && old.ModNS == c.ModNS && old.Inode == c.Inode {
			return old, false
		}
	}
	m, err := journal.LoadMeta(a.RunDir(name))
	if err != nil {
		c.Entry = Entry{ID: name, Trouble: err.Error()}
		return c, true
	}
	c.Entry = Entry{
		ID: m.ID, Bench: m.BenchName, Tube: m.Tube, Kind: m.Kind, Job: m.Job, Started: m.Started.Wall, Trusted: m.Started.Trusted,
		Took: m.Duration(), Outcome: m.Outcome, Verdict: m.Verdict, Summary: m.Summary, GoesOn: m.GoesOn,
	}
	if m.ID != name {
		// The folder is what everything else goes by.
		c.Entry.ID = name
		c.Entry.Trouble = fmt.Sprintf("the folder is named %s, but its run.toml says id %q", name, m.ID)
	}
	return c, true
}

// save writes the catalogue in one step.
func (a *Archive) save() error {
	names := make([]string, 0, len(a.known))
	for name := range a.known {
		names = append(names, name)
	}
	slices.Sort(names)
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	for _, name := range names {
		if err := enc.Encode(a.known[name]); err != nil {
			return fmt.Errorf("writing the catalogue: %w", err)
		}
	}
	return journal.Replace(filepath.Join(a.dir, catalogueName), b.Bytes())
}

// Find finds a run by its ID, by the unique beginning of one, or "last".
func (a *Archive) Find(id string) (Entry, error) {
	list, err := a.List()
	if err != nil {
		return Entry{}, err
	}
	if id == "last" {
		if len(list) == 0 {
			return Entry{}, fmt.Errorf("%w: there are no runs in %s yet", ErrNotFound, a.dir)
		}
		return list[0], nil
	}
	var found []Entry
	for _, e := range list {
		if e.ID == id {
			return e, nil
		}
		if id != "" && strings.HasPrefix(e.ID, id) {
			found = append(found, e)
		}
	}
	switch len(found) {
	case 0:
		return Entry{}, fmt.Errorf("%w: found %q, allowed are a run's ID, the unique beginning of one, or last", ErrNotFound, id)
	case 1:
		return found[0], nil
	}
	return Entry{}, fmt.Errorf("%w: %d runs begin with %q, among them %s and %s", ErrNotFound, len(found), id, found[0].ID, found[1].ID)
}

// Verify checks a sealed run against its sums.
func (a *Archive) Verify(id string) error {
	e, err := a.Find(id)
	if err != nil {
		return err
	}
	return journal.Verify(e.Dir)
}

// NewID is an ID for a run that starts now: the local date and a count,
// "2026-11-25-001", or, where the board does not know the date, the beginning
// of the boot's ID and a count, "boot-3f2a91c0-001". No folder has it yet.
func (a *Archive) NewID(wall time.Time, trusted bool, bootID string) (string, error) {
	prefix := wall.Format("2006-01-02") + "-"
	if !trusted {
		prefix = "boot-" + shortBoot(bootID) + "-"
	}
	folders, err := os.ReadDir(a.dir)
	if err != nil {
		return "", fmt.Errorf("naming a run: %w", err)
	}
	highest := 0
	for _, f := range folders {
		count, ok := strings.CutPrefix(f.Name(), prefix)
		if n, err := strconv.Atoi(count); ok && err == nil {
			highest = max(highest, n)
		}
	}
	return fmt.Sprintf("%s%03d", prefix, highest+1), nil
}

func shortBoot(id string) string {
	clean := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'a' && r <= 'z' {
			return r
		}
		return -1
	}, strings.ToLower(id))
	if clean == "" {
		return "unknown"
	}
	return clean[:min(8, len(clean))]
}

// Recover ends all runs that a crash or a power cut broke off, but not the run
// except, which is being recorded ("" for none). It goes on after a run that
// it can not mend, and returns the runs it changed and all errors. While another
// process that has called it lives it does nothing: what that one records is not
// broken off.
func (a *Archive) Recover(except string) ([]*journal.Meta, error) {
	if ours, err := a.own(); err != nil || !ours {
		return nil, err
	}
	folders, err := os.ReadDir(a.dir)
	if err != nil {
		return nil, fmt.Errorf("recovering runs: %w", err)
	}
	var changed []*journal.Meta
	var all error
	for _, f := range folders {
		if !f.IsDir() || strings.HasPrefix(f.Name(), ".") || f.Name() == except {
			continue
		}
		if ok, err := journal.Whole(a.RunDir(f.Name())); err == nil && ok {
			continue
		}
		m, err := journal.Recover(a.RunDir(f.Name()))
		if err != nil {
			all = errors.Join(all, err)
			continue
		}
		changed = append(changed, m)
	}
	return changed, all
}
