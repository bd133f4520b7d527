package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"tipoff/calib/strict"
	"tipoff/calib/unit"
	"tipoff/drivers/registry"
	"tipoff/logger/journal"
	recomp "tipoff/logger/recompute"
)

// recompute applies another calibration to recorded runs.
func recompute(ctx context.Context, e *env, args []string) error {
	fs := e.flags()
	dir := fs.String("store", "", storeUsage)
	file := fs.String("calibration", "", "file with the calibrations to use: a bench.toml, its [[channel]] tables alone, or a certificate; default: the run's own bench.toml")
	all := fs.Bool("all", false, "recompute all runs of the archive that have not been yet")
	names, err := e.parse(fs, args, 0, -1)
	if err != nil {
		return err
	}
	switch {
	case *all && len(names) > 0:
		return input(fmt.Errorf("found --all and %d runs; allowed: one or the other", len(names)))
	case !*all && len(names) == 0:
		return input(errors.New("found no run; usage: tipoff recompute RUN… or tipoff recompute --all"))
	}
	opt := recomp.Options{Known: registry.All(), Software: version(), Now: time.Now()}
	if *file != "" {
		text, err := os.ReadFile(*file)
		if err != nil {
			return input(fmt.Errorf("reading the calibration: %w", err))
		}
		opt.Calibration = &recomp.File{Name: *file, Text: text}
		if err := opt.Calibration.Check(); err != nil {
			return input(err)
		}
	}
	if *all {
		return recomputeAll(ctx, e, *dir, opt)
	}
	for _, name := range names {
		run, err := findRun(*dir, name)
		if err != nil {
			return err
		}
		r, done, err := recomputeOne(ctx, run, opt)
		if err != nil {
			return err
		}
		if done {
			fmt.Fprintf(e.out, "%s has been recomputed with this calibration before:\n", filepath.Base(run))
		}
		tellResult(e.out, r)
	}
	return nil
}

// recomputeOne recomputes a run unless that was done before.
func recomputeOne(ctx context.Context, run string, opt recomp.Options) (r *recomp.Result, done bool, err error) {
	if err := ctx.Err(); err != nil {
		return nil, false, errStopped
	}
	if r, err = recomp.Done(run, opt); err != nil || r != nil {
		return r, r != nil, err
	}
	r, err = recomp.Run(ctx, run, opt)
	if errors.Is(err, context.Canceled) {
		return nil, false, errStopped
	}
	return r, false, inputIfWrong(err)
}

var errStopped = errors.New("stopped; what was finished is kept, and the same command goes on with the rest")

// inputIfWrong marks what the user has to correct.
func inputIfWrong(err error) error {
	var form *strict.Error
	var wrong recomp.Wrong
	if errors.As(err, &form) || errors.As(err, &wrong) {
		return input(err)
	}
	return err
}

// recomputeAll goes through the archive, oldest run first. A run that cannot be
// recomputed does not keep it from the others.
func recomputeAll(ctx context.Context, e *env, dir string, opt recomp.Options) error {
	list, err := listRuns(dir)
	if err != nil {
		return err
	}
	var runs []string
	for i := len(list) - 1; i >= 0; i-- {
		if r := &list[i]; r.Trouble == "" && r.Outcome != journal.Recording {
			runs = append(runs, r.Dir)
		}
	}
	t := tally{e: e, said: map[string]bool{}, bar: progressBar{out: e.err, start: time.Now(), total: len(runs)}}
	opt.OnFrames = t.frames
	// Compressing is half of the work and takes one core a run.
	var g errgroup.Group
	g.SetLimit(runtime.NumCPU())
	for _, run := range runs {
		if ctx.Err() != nil {
			break
		}
		g.Go(func() error {
			r, done, err := recomputeOne(ctx, run, opt)
			t.add(r, done, err)
			return nil // one run's trouble is not the others'
		})
	}
	_ = g.Wait() // nothing returns an error
	t.bar.end()
	fmt.Fprintf(e.out, "%d runs recomputed, %d of them changed; %d had been before; %d hold no raw numbers; %d could not be\n",
		t.made, t.changed, t.before, t.nothing, t.lost)
	if ctx.Err() != nil {
		return errStopped
	}
	return errors.Join(t.failed...)
}

// tally counts what becomes of an archive's runs, several at a time.
type tally struct {
	e *env

	mu                    sync.Mutex // guards everything that follows
	bar                   progressBar
	made, before, changed int
	nothing, lost         int // runs without raw numbers, runs that failed
	failed                []error
	said                  map[string]bool // what is wrong with the calibration file, said once
}

func (t *tally) frames(n int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.bar.n += n
	t.bar.draw(false)
}

func (t *tally) add(r *recomp.Result, done bool, err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch {
	case errors.Is(err, errStopped):
		return
	case errors.Is(err, recomp.ErrNothing):
		t.nothing++
	case err != nil:
		t.fail(err)
	case done:
		t.before++
	default:
		t.made++
		if !r.Same() {
			t.changed++
			t.bar.clear()
			tellResult(t.e.out, r)
		}
	}
	t.bar.done++
	t.bar.draw(true)
}

// fail keeps a run's error. A mistake in the calibration file is the same for
// all runs and is kept once.
func (t *tally) fail(err error) {
	t.lost++
	var form *strict.Error
	if errors.As(err, &form) {
		if t.said[form.Error()] {
			return
		}
		t.said[form.Error()] = true
	}
	t.failed = append(t.failed, err)
}

// tellResult says what a recomputation changed.
func tellResult(w io.Writer, r *recomp.Result) {
	fmt.Fprintf(w, "run %s, recomputed-%d: %d frames, calibration: %s\n", r.Run, r.Number, r.Frames, r.Calibration)
	for i := range r.Channels {
		fmt.Fprintf(w, "  %s\n", channelWords(&r.Channels[i]))
	}
	if r.PhasesChange {
		fmt.Fprintf(w, "  phases: %s\n       -> %s\n", phaseWords(r.PhasesBefore), phaseWords(r.PhasesAfter))
	} else {
		fmt.Fprintln(w, "  phases: unchanged")
	}
	if r.VerdictBefore == r.VerdictAfter {
		fmt.Fprintf(w, "  verdict: %s, as before\n", r.VerdictAfter)
	} else {
		fmt.Fprintf(w, "  verdict: %s -> %s\n", r.VerdictBefore, r.VerdictAfter)
	}
	if r.VerdictRecorded != "" && r.VerdictRecorded != r.VerdictBefore {
		fmt.Fprintf(w, "  (run.toml says %s; this version judges the recorded values as %s)\n", r.VerdictRecorded, r.VerdictBefore)
	}
	if r.Constants > 0 {
		fmt.Fprintf(w, "  limits: old and new values judged with version %d of the bench's own constants, as the run was\n", r.Constants)
	}
	if r.ConstantsRemark != "" {
		fmt.Fprintf(w, "  %s\n", r.ConstantsRemark)
	}
	for _, l := range r.Limits {
		fmt.Fprintf(w, "  %s: %s -> %s: %s\n", l.Title, l.Before, l.After, l.Text)
	}
}

func channelWords(c *recomp.Change) string {
	s := c.Name + " (" + c.Role + "), " + c.How
	if c.Factor != 0 {
		s += fmt.Sprintf(", factor %.5g", c.Factor)
	}
	if c.Why != "" {
		s += ": " + c.Why
	}
	if c.How == recomp.AsRecorded {
		return s
	}
	switch {
	case c.Compared == 0:
		s += "; no usable value to compare"
	case c.Changed == 0:
		s += "; no change beyond rounding"
	case c.Unit == "°C":
		s += fmt.Sprintf("; mean %+.3g °C, most %+.3g °C at %.1f s", c.Mean, c.Most, c.MostS)
	case math.IsNaN(c.MeanPercent):
		s += fmt.Sprintf("; mean %+.4g, most %+.4g at %.1f s", c.Mean, c.Most, c.MostS)
	default:
		s += fmt.Sprintf("; mean %+.3g %%, most %+.3g %% at %.1f s", c.MeanPercent, c.MostPercent, c.MostPctS)
		if d, ok := dimensions[c.Unit]; ok {
			s += fmt.Sprintf(", in all at most %s", difference(c.Most, d))
		}
	}
	if c.Before != c.After {
		s += fmt.Sprintf("; usable in %d frames, before in %d", c.After, c.Before)
	}
	return s
}

// difference is a change of a value with its sign.
func difference(x float64, d unit.Dimension) string {
	if x < 0 {
		return "-" + unit.Format(-x, d)
	}
	return "+" + unit.Format(x, d)
}

func phaseWords(all []journal.Phase) string {
	var parts []string
	for _, p := range all {
		parts = append(parts, fmt.Sprintf("%s %.1f s", p.Phase, p.FromS))
	}
	return strings.Join(parts, ", ")
}

// progressBar draws how far an archive has got, on one line.
type progressBar struct {
	out         io.Writer
	start       time.Time
	drawn       time.Time
	done, total int
	n           int // frames
}

// draw draws the bar, at most five times a second unless it must.
func (b *progressBar) draw(must bool) {
	now := time.Now()
	if !must && now.Sub(b.drawn) < 200*time.Millisecond {
		return
	}
	b.drawn = now
	const width = 30
	full := width
	if b.total > 0 {
		full = width * b.done / b.total
	}
	rate := float64(b.n) / max(now.Sub(b.start).Minutes(), 1e-6) / 1e6
	fmt.Fprintf(b.out, "\r[%s%s] %d of %d runs, %.1f million frames a minute ", strings.Repeat("#", full), strings.Repeat(".", width-full), b.done, b.total, rate)
}

// clear makes room for a line of text.
func (b *progressBar) clear() { fmt.Fprintf(b.out, "\r%s\r", strings.Repeat(" ", 90)) }

func (b *progressBar) end() {
	b.draw(true)
	fmt.Fprintln(b.out)
}

// dimensions tells how a limit's SI unit is spoken in the trade.
var dimensions = map[string]unit.Dimension{
	"Pa": unit.Pressure, "Pa/s": unit.PressureRate, "°C": unit.Temperature, "°C/s": unit.TempRate,
	"A": unit.Current, "s": unit.Duration, "m³": unit.Volume,
}
