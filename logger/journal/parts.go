package journal

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tipoff/logger/frame"
)

// Continues says of which run a run is the rest: the recorder was killed in it, or
// lost its power.
type Continues struct {
	// Run is its ID or, of a recomputation, the folder "<ID>/recomputed-<n>".
	Run string `toml:"run"`
	// ShiftNS brings this run's monotonic times to the clock of the one before; 0 in
	// the same boot.
	ShiftNS int64 `toml:"shift_ns" comment:"ns, added to this run's monotonic times gives those of the run before"`
	// AtLeast: how long the break was is not known, ShiftNS is the least.
	AtLeast bool `toml:"at_least,omitempty" comment:"the break may have been longer: the board had no clock"`
}

// Part is one of the records of a run that was broken off and gone on with.
type Part struct {
	Dir  string
	Meta *Meta
	// Shift, added to the part's monotonic times, gives those of the first part's clock.
	Shift time.Duration
	// AtLeast: the break before it may have been longer.
	AtLeast bool
}

// mostParts is more often than anybody goes on with one run.
const mostParts = 100

// RunsOf is the folder of runs that the run in folder dir belongs to; a
// recomputation in a run's folder belongs to its run's. dir may be relative.
func RunsOf(dir string) string {
	if abs, err := filepath.Abs(dir); err == nil {
		dir = abs
	}
	runs := filepath.Dir(dir)
	if _, err := os.Stat(filepath.Join(runs, metaName)); err == nil {
		runs = filepath.Dir(runs)
	}
	return runs
}

// Parts are the records of the run whose last one is in folder dir, the first one
// first; of a run that was not broken off, that one alone. lacking names a part
// that cannot be read any more, "" if all are there.
func Parts(dir string) (parts []Part, lacking string, err error) {
	m, err := LoadMeta(dir)
	if err != nil {
		return nil, "", err
	}
	parts = []Part{{Dir: dir, Meta: m}}
	for c := m.Continues; c != nil; {
		before := filepath.Join(RunsOf(dir), c.Run)
		if !filepath.IsLocal(c.Run) || strings.Count(filepath.ToSlash(c.Run), "/") > 1 || len(parts) == mostParts ||
			slices.ContainsFunc(parts, func(p Part) bool { return p.Meta.ID == filepath.Base(c.Run) }) {
			lacking = c.Run
			break
		}
		b, err := LoadMeta(before)
		if err != nil {
			lacking = c.Run
			break
		}
		// For now the shift to the part before; the sum is made below.
		last := &parts[len(parts)-1]
		last.Shift, last.AtLeast = shift(b, last.Meta)
		parts = append(parts, Part{Dir: before, Meta: b})
		c = b.Continues
	}
	if lacking != "" {
		parts[len(parts)-1].Shift = 0
	}
	slices.Reverse(parts)
	for i := 1; i < len(parts); i++ {
		parts[i].Shift += parts[i-1].Shift
	}
	return parts, lacking, nil
}

// shift brings m's monotonic times to the clock of b, with which it goes on. Where
// the board learned the time only after it had come up again, it is known better
// by now.
func shift(b, m *Meta) (by time.Duration, atLeast bool) {
	by, atLeast = time.Duration(m.Continues.ShiftNS), m.Continues.AtLeast
	if atLeast && b.Ended.Trusted && m.Ended.Trusted {
		known := b.Ended.Mono() - m.Ended.Mono() + m.Ended.Wall.Sub(b.Ended.Wall)
		if known >= by {
			return known, false
		}
	}
	return by, atLeast
}

// Joined reads all parts of a run, one after the other, with the times of the first
// part's clock.
type Joined struct {
	parts   []Part
	lacking string
	every   time.Duration
	at      int // the part that is read
	reader  *Reader
	last    time.Duration
	damage  []Lost
}

// OpenJoined opens the run whose last part is in dir. Of frames those as often as
// every interval are read, as [OpenThinned] does; 0: all.
func OpenJoined(dir string, every time.Duration) (*Joined, error) {
	parts, lacking, err := Parts(dir)
	if err != nil {
		return nil, err
	}
	j := &Joined{parts: parts, lacking: lacking, every: every, last: -1 << 62}
	if err := j.open(0); err != nil {
		return nil, err
	}
	return j, nil
}

// open opens part at, and leaves the reader there is if it cannot: Close is called after
// an error too.
func (j *Joined) open(at int) error {
	p := &j.parts[at]
	r, err := OpenThinned(p.Dir, j.every)
	if err != nil {
		return fmt.Errorf("part %d of the run, %s: %w", at+1, p.Meta.ID, err)
	}
	if j.reader != nil {
		err = j.reader.Close()
	}
	j.reader, j.at = r, at
	return err
}

// Parts are the run's parts.
func (j *Joined) Parts() []Part { return j.parts }

// Meta is the run.toml of the last part, by whose card and bench the run is judged.
func (j *Joined) Meta() *Meta { return j.parts[len(j.parts)-1].Meta }

// Lacking names a part that is not there any more, "" if all are.
func (j *Joined) Lacking() string { return j.lacking }

// Part is the index of the part that the latest line is from.
func (j *Joined) Part() int { return j.at }

// Layout is the layout of the frames of the part that the latest line is from.
func (j *Joined) Layout() *frame.Layout { return j.reader.Layout() }

// Next reads the next line into rec, as [Reader.Next] does. A frame that is not
// later than the one before is passed over.
func (j *Joined) Next(rec *Record) error {
	for {
		err := j.reader.Next(rec)
		if errors.Is(err, io.EOF) && j.at+1 < len(j.parts) {
			done := len(j.damage)
			j.gather()
			if err := j.open(j.at + 1); err != nil {
				j.damage = j.damage[:done] // Lost gathers it
				return err
			}
			continue
		}
		if err != nil {
			return err
		}
		by := j.parts[j.at].Shift
		if !rec.IsFrame {
			rec.Event.At += by
			return nil
		}
		if rec.Frame.At += by; rec.Frame.At <= j.last {
			continue
		}
		j.last = rec.Frame.At
		return nil
	}
}

// gather takes up what the part that was read lacks.
func (j *Joined) gather() {
	off := j.Offset(j.at)
	for _, l := range append(slices.Clone(j.parts[j.at].Meta.Lost), j.reader.Damage()...) {
		l.FromS, l.ToS = l.FromS+off, l.ToS+off
		j.damage = append(j.damage, l)
	}
}

// Offset is the start of part i in seconds from the start of the first.
func (j *Joined) Offset(i int) float64 {
	p := &j.parts[i]
	return (p.Meta.Started.Mono() + p.Shift - j.parts[0].Meta.Started.Mono()).Seconds()
}

// Lost is what the parts read so far lack, in seconds from the start of the first:
// what sealing found and what reading found.
func (j *Joined) Lost() []Lost {
	n := len(j.damage)
	j.gather()
	all := j.damage
	j.damage = j.damage[:n]
	return slices.Clone(all)
}

// Close closes the file that is open.
func (j *Joined) Close() error { return j.reader.Close() }
