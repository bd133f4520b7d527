// Package recompute applies another calibration to runs that were recorded
// before, from the raw numbers that each run holds.
//
// What was recorded is never changed. The result is put beside it, in the run's
// folder:
//
//	recomputed-1/       a run of its own: frames.lp.zst, run.toml, SHA256SUMS
//	recomputed-1.toml   the calibration used and what it changed, see [Result]
//	recomputed-1.SHA256SUMS  of recomputed-1.toml and the readings, see [Verify]
//
// The .toml file is written last: a recomputation without it was broken off and
// is made again.
//
// # What a frame holds
//
// A frame holds the last raw number of its interval, and values made of the mean
// of all its samples. Of a frame of one sample the raw number is the sample. Of
// a frame of more samples the mean is found back from the indicated value, which
// was made of it by the run's own calibration; where it does not fit the last
// raw number, that one is used. A mains current's frame holds no waveform, so
// its RMS value is rescaled by the ratio of new to old calibration.
package recompute

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"tipoff/drivers"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/sheet"
	"tipoff/logger/tube"
)

// Options is what runs are recomputed with.
type Options struct {
	Known       []drivers.Driver // that bench.toml may name
	Calibration *File            // nil: the calibration in the run's own bench.toml
	Software    string           // version of this program
	Now         time.Time        // for the result
	// OnFrames, if not nil, is called now and then with how many frames have
	// been converted since it was called last.
	OnFrames func(n int)
}

// ErrNothing is that a run holds no raw numbers that a calibration could be
// applied to, such as an imported trace.
var ErrNothing error = Wrong{errors.New("no channel of the run can be recomputed: it was not measured by drivers that this version has, or its bench.toml is not in the record")}

// Done finds the recomputation of the run in dir with the same calibration by
// the same version; nil if there is none.
func Done(dir string, opt Options) (*Result, error) {
	all, err := List(dir)
	if err != nil {
		return nil, err
	}
	m, err := journal.LoadMeta(dir)
	if err != nil {
		return nil, err
	}
	want := opt.hash(m)
	for i := len(all) - 1; i >= 0; i-- {
		if all[i].Hash == want && all[i].Software == opt.Software {
			return all[i], nil
		}
	}
	return nil, nil
}

func (o *Options) hash(m *journal.Meta) string {
	if o.Calibration != nil {
		return hash(o.Calibration.Text)
	}
	return hash([]byte(m.Bench + m.Calibration))
}

// Run recomputes the sealed run in folder dir and puts the result beside it. A
// mistake in the calibration file is a [*strict.Error] or a [Wrong]. If ctx ends,
// nothing is left behind and the error is ctx's.
func Run(ctx context.Context, dir string, opt Options) (*Result, error) {
	r, err := run(ctx, dir, opt)
	if err != nil {
		return nil, fmt.Errorf("recomputing %s: %w", filepath.Base(dir), err)
	}
	return r, nil
}

func run(ctx context.Context, dir string, opt Options) (*Result, error) {
	if strings.HasPrefix(filepath.Base(dir), prefix) {
		return nil, Wrong{errors.New("it is a recomputation itself; name the run that it was made of")}
	}
	if whole, err := journal.Whole(dir); err != nil {
		return nil, err
	} else if !whole {
		return nil, Wrong{errors.New("it is still being recorded, or was broken off and is closed at the daemon's next start")}
	}
	unlock, err := lock(dir)
	if err != nil {
		return nil, err
	}
	defer unlock()
	earlier, err := List(dir)
	if err != nil {
		return nil, err
	}
	if m, err := journal.LoadMeta(dir); err != nil {
		return nil, err
	} else if m.Kind != "" {
		return nil, Wrong{errors.New("it is an ageing run: its frames are means over seconds and hold no raw numbers")}
	}
	j := job{dir: dir, opt: opt, number: len(earlier) + 1}
	j.folder = filepath.Join(dir, folderName(j.number))
	// What is there without its .toml was broken off.
	if err := errors.Join(os.RemoveAll(j.folder), os.RemoveAll(j.folder+partSuffix)); err != nil {
		return nil, fmt.Errorf("removing a recomputation that was broken off: %w", err)
	}
	result, err := j.run(ctx)
	if err != nil {
		err = errors.Join(err, os.RemoveAll(j.folder+partSuffix))
	}
	return result, err
}

const partSuffix = ".part"

// lock keeps a second recomputation away from the run.
func lock(dir string) (unlock func(), err error) {
	d, err := os.Open(dir)
	if err != nil {
		return nil, fmt.Errorf("locking the run: %w", err)
	}
	if err := unix.Flock(int(d.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		_ = d.Close() // the lock is what failed
		return nil, fmt.Errorf("another process is recomputing it: %w", err)
	}
	return func() { _ = d.Close() }, nil // the lock goes with it
}

// job is one recomputation.
type job struct {
	dir    string
	opt    Options
	number int
	folder string // of the result

	meta      *journal.Meta
	layout    *frame.Layout
	converter *converter
	before    track
	after     track
	writer    *journal.Writer
	compare   *compare
	frames    int

	// Of the rest of a run that was broken off.
	shift time.Duration // to the clock of the first part
	start time.Duration // of the first part
	with  []string      // the parts before, as their folders are now
}

func (j *job) run(ctx context.Context) (*Result, error) {
	reader, err := journal.Open(j.dir)
	if err != nil {
		return nil, err
	}
	defer reader.Close()
	j.meta, j.layout = reader.Meta(), reader.Layout()
	cfg, card, known, err := j.prepare()
	if err != nil {
		return nil, err
	}
	m := *j.meta
	if err := j.partsBefore(ctx, &m); err != nil {
		return nil, err
	}
	m.Verdict, m.Summary, m.Constants, m.Findings, m.Earlier = "", "", 0, nil, nil
	text := m.Bench + "\n" + m.Calibration
	if j.opt.Calibration != nil {
		text = string(j.opt.Calibration.Text)
	}
	m.Calibration = text
	m.Software = j.opt.Software
	j.writer, err = journal.Create(j.folder+partSuffix, m, j.layout, journal.Options{FS: scratch{}, Patient: true, Every: time.Second,
		TimeConstants: j.converter.timeConstants(j.meta)})
	if err != nil {
		return nil, err
	}
	defer j.writer.Close()
	if err := j.convert(ctx, reader); err != nil {
		return nil, err
	}
	if j.frames == 0 {
		return nil, Wrong{errors.New("the run holds no readings")}
	}
	if err := j.writer.Err(); err != nil {
		return nil, err
	}

	// Judging and compressing have nothing to do with each other.
	learned, remark, err := j.learned()
	if err != nil {
		return nil, err
	}
	version := 0
	if learned != nil {
		version = learned.Version
	}
	env := envelope.Compute(card, known, learned.For(bench.PlantOf(cfg)))
	var before, after judgement
	var judging sync.WaitGroup
	judging.Go(func() { before = j.before.judge(env) })
	judging.Go(func() { after = j.after.judge(env) })
	err = j.writer.Seal(func(n *journal.Meta) {
		n.Outcome, n.Ended, n.Phases, n.Alarms = m.Outcome, m.Ended, m.Phases, m.Alarms
	})
	judging.Wait()
	if err == nil {
		err = journal.UpdateMeta(j.folder+partSuffix, func(n *journal.Meta) error {
			n.Verdict, n.Summary, n.Constants = string(after.verdict), after.text, version
			n.Findings = nil
			for i := range after.findings {
				f := &after.findings[i]
				n.Findings = append(n.Findings, sheet.Entry(f, (f.At-j.start).Seconds()))
			}
			return nil
		})
	}
	if err != nil {
		return nil, err
	}
	r := &Result{
		Format: resultFormat, Run: j.meta.ID, Number: j.number, Software: j.opt.Software, Made: j.opt.Now.UTC().Truncate(time.Second),
		Calibration: "the run's own bench.toml", Hash: j.opt.hash(j.meta), Frames: j.frames,
		VerdictRecorded: j.meta.Verdict, Constants: version, ConstantsRemark: remark, Channels: j.compare.finish(j.converter), CalibrationText: text,
	}
	if j.opt.Calibration != nil {
		r.Calibration = filepath.Base(j.opt.Calibration.Name)
	}
	r.JudgedWith = j.with
	r.verdicts(&before, &after, j.start)
	// A judgement takes a moment: the user may have changed their mind.
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return r, j.publish(r)
}

// prepare reads what the run says of its bench and tube, and makes the
// converter.
func (j *job) prepare() (cfg *config.Bench, card tube.Card, known bool, err error) {
	if strings.TrimSpace(j.meta.Bench) == "" {
		return nil, card, false, ErrNothing
	}
	cfg, err = config.Parse("the run's bench.toml", []byte(j.meta.Bench), j.opt.Known)
	if err != nil {
		return nil, card, false, err
	}
	var after specs
	file := ""
	if j.opt.Calibration != nil {
		file = j.opt.Calibration.Name
		if after, err = j.opt.Calibration.specs(cfg, j.opt.Known, j.meta.Started); err != nil {
			return nil, card, false, err
		}
	}
	if err := after.addOwn(j.meta); err != nil {
		return nil, card, false, err
	}
	ins, err := inputs(cfg, j.opt.Known)
	if err != nil {
		return nil, card, false, err
	}
	if strings.TrimSpace(j.meta.Card) != "" {
		// A card that cannot be read gives the limits that hold for any tube, as
		// in the sheet.
		c, err := tube.Parse("card", []byte(j.meta.Card))
		card, known = c, err == nil
	}
	j.converter, err = converterFor(j.layout, cfg, after, ins, bench.GasOf(card.Gas), file)
	if err != nil {
		return nil, card, false, err
	}
	j.compare = newCompare(j.layout, j.converter, j.meta.Started.Mono())
	return cfg, card, known, nil
}

// batch is how many lines go from the reader to the converter at once.
const batch = 128

// convert takes the run's lines through the converter into the writer. Reading
// has a goroutine of its own.
func (j *job) convert(ctx context.Context, reader *journal.Reader) error {
	ctx, cancel := context.WithCancel(ctx)
	full, free := make(chan []journal.Record, 2), make(chan []journal.Record, 3)
	for range 3 {
		free <- make([]journal.Record, batch)
	}
	failed := make(chan error, 1)
	go func() {
		defer close(full)
		failed <- read(ctx, reader, free, full)
	}()
	for recs := range full {
		n := j.frames
		for i := range recs {
			j.take(&recs[i])
		}
		if j.opt.OnFrames != nil && j.frames > n {
			j.opt.OnFrames(j.frames - n)
		}
		free <- recs[:batch]
	}
	cancel()
	return <-failed
}

func read(ctx context.Context, reader *journal.Reader, free <-chan []journal.Record, full chan<- []journal.Record) error {
	for {
		recs := <-free
		if err := ctx.Err(); err != nil {
			return err
		}
		n := 0
		var err error
		for n < len(recs) && err == nil {
			if err = reader.Next(&recs[n]); err == nil {
				n++
			}
		}
		full <- recs[:n]
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

func (j *job) take(rec *journal.Record) {
	if !rec.IsFrame {
		e := &rec.Event
		// The writer makes changes of phase and the first anchor itself.
		if e.Kind != journal.PhaseChanged && !(e.Kind == journal.ClockAnchor && e.At <= j.meta.Started.Mono()) {
			j.writer.Event(*e)
		}
		return
	}
	f := &rec.Frame
	was := *f
	j.before.add(j.layout, f, j.shift)
	j.converter.convert(f, rec.Phase)
	j.after.add(j.layout, f, j.shift)
	j.compare.add(f.At, &was, f)
	j.writer.Append(f, rec.Phase)
	j.frames++
}

// publish gives the result its names, the folder first.
func (j *job) publish(r *Result) error {
	sums, err := os.ReadFile(filepath.Join(j.folder+partSuffix, "SHA256SUMS"))
	if err != nil {
		return fmt.Errorf("reading the sums of the result: %w", err)
	}
	r.Sums = hash(sums)
	text, err := r.encode()
	if err != nil {
		return fmt.Errorf("writing %s: %w", resultName(j.number), err)
	}
	disk := journal.OS{}
	if err := disk.Rename(j.folder+partSuffix, j.folder); err != nil {
		return fmt.Errorf("naming the result: %w", err)
	}
	sumsText, err := resultSums(j.dir, j.number, text)
	if err == nil {
		err = put(disk, filepath.Join(j.dir, sumsName(j.number)), sumsText)
	}
	if err != nil {
		return fmt.Errorf("writing %s: %w", sumsName(j.number), err)
	}
	name := filepath.Join(j.dir, resultName(j.number))
	if err := put(disk, name+partSuffix, text); err != nil {
		return fmt.Errorf("writing %s: %w", resultName(j.number), err)
	}
	if err := disk.Rename(name+partSuffix, name); err != nil {
		return fmt.Errorf("writing %s: %w", resultName(j.number), err)
	}
	return disk.SyncDir(j.dir)
}

func put(disk journal.OS, name string, text []byte) error {
	if err := disk.Remove(name); err != nil {
		return err
	}
	f, err := disk.Create(name)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// scratch is the disk without syncing the lines that are compressed in the end:
// after a power cut they are made again.
type scratch struct{ journal.OS }

type unsynced struct{ journal.File }

func (unsynced) Sync() error { return nil }

// Create implements [journal.FS].
func (s scratch) Create(name string) (journal.File, error) {
	f, err := s.OS.Create(name)
	if err == nil && strings.HasSuffix(name, ".lp") {
		f = unsynced{f}
	}
	return f, err
}
