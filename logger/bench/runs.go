package bench

import (
	"fmt"
	"math"
	"time"

	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

// run is the run being recorded; writer is nil if none is.
type run struct {
	writer  *journal.Writer
	id      string
	started time.Duration
	filled  bool // rare gas was let in and kept
	openErr error
}

func (r *run) event(e journal.Event) {
	if r.writer != nil {
		r.writer.Event(e)
	}
}

func (r *run) anchor(at time.Duration, wall time.Time, trusted bool) {
	r.event(journal.Event{At: at, Kind: journal.ClockAnchor, Wall: wall, Trusted: trusted})
}

// followRun starts and ends runs as the tracker says. b.mu is held.
func (b *Bench) followRun() {
	switch {
	case b.run.writer == nil && b.resume != nil:
		b.goOn()
	case b.run.writer == nil && (b.state.RunStarted || b.opt.Whole && b.frame.Seq == 1):
		from := b.state.RunFrom
		if !b.state.RunStarted {
			from = b.frame.At
		}
		b.startRun(from)
	case b.run.writer == nil && b.run.openErr != nil && b.state.InRun && b.frame.Seq%50 == 0:
		b.startRun(b.frame.At) // the disk may be well again
	}
	if b.run.writer == nil {
		return
	}
	if b.state.Judged == phase.TipOff || b.state.Phase == phase.Age {
		b.run.filled = true
	}
	if b.state.RunEnded {
		b.record()
		b.endRun(journal.Outcome(b.state.Outcome))
	}
}

// startRun opens the file of a run that began at from and writes what is
// remembered of its beginning.
func (b *Bench) startRun(from time.Duration) {
	if b.resume == nil {
		b.takeQueued()
	}
	wall, trusted := b.opt.Clock.Wall()
	at := b.frame.At
	// The run is stamped with its beginning, which lies before its discovery.
	start := wall.Add(from - at)
	id, err := b.archive.NewID(start, trusted, b.bootID)
	if err == nil {
		calibration := ""
		if b.opt.Calibrations != nil {
			calibration = b.opt.Calibrations.text()
		}
		meta := journal.Meta{
			ID: id, BenchName: b.opt.Name, Tube: b.card.Name, Job: b.card.Job,
			Software: b.opt.Version, BootID: b.bootID,
			Started: journal.At(from, start, trusted),
			Card:    b.cardText, Bench: b.opt.BenchText, Calibration: calibration,
		}
		if r := b.resume; r != nil {
			meta.Continues = &journal.Continues{Run: r.id, ShiftNS: int64(r.shift), AtLeast: r.guess}
		}
		b.run.writer, err = journal.Create(b.archive.RunDir(id), meta, b.opt.Layout, journal.Options{
			Patient:       b.opt.Patient,
			TimeConstants: b.timeConstants(),
			OnTrouble:     b.diskTrouble,
			OnRecovered:   b.diskWell,
		})
	}
	if err != nil {
		b.run.openErr = err
		b.counters.JournalErrors++
		b.diskTrouble(err)
		return
	}
	if b.run.openErr != nil {
		b.diskWell()
	}
	b.run.openErr = nil
	b.run.id, b.run.started, b.run.filled = id, from, false
	b.sampler.ResetSpacing()
	b.log.Info("run started", "run", id, "tube", b.card.Name)
	if b.resume != nil {
		b.resumed()
	}
	b.tellAdoptions(at)
	for i := range b.pre {
		k := &b.pre[(b.preNext+i)%len(b.pre)]
		if k.frame.At >= from {
			b.run.writer.Append(&k.frame, k.phase)
		}
	}
}

// timeConstants are those that the channels' values are corrected for, s: by
// bench.toml or by a certificate; NaN where that is not known, as of a trace.
func (b *Bench) timeConstants() []float64 {
	all := make([]float64, len(b.opt.Chains))
	for i, c := range b.opt.Chains {
		all[i] = math.NaN()
		if l, ok := c.(interface{ TimeConstant() time.Duration }); ok {
			all[i] = l.TimeConstant().Seconds()
		}
	}
	return all
}

// record appends the present frame to the run being recorded, once.
func (b *Bench) record() {
	if b.run.writer != nil {
		b.run.writer.Append(&b.frame, b.state.Phase)
	}
}

// endRun closes the run and seals it in the background: compressing must not
// delay frames.
func (b *Bench) endRun(outcome journal.Outcome) {
	w, id, dir := b.run.writer, b.run.id, b.archive.RunDir(b.run.id)
	st := w.Stats()
	b.counters.JournalBytes += uint64(st.Bytes)
	b.counters.JournalErrors += uint64(st.Errors)
	switch outcome {
	case journal.Completed:
		b.counters.RunsCompleted++
	case journal.Aborted:
		b.counters.RunsAborted++
	default:
		b.counters.RunsInterrupt++
	}
	wall, trusted := b.opt.Clock.Wall()
	ended := journal.At(b.frame.At, wall, trusted)
	sampling := b.sampling()
	b.run = run{}
	b.log.Info("run ended", "run", id, "outcome", string(outcome))
	b.useNextCard()
	b.closing.Go(func() {
		err := w.Seal(func(m *journal.Meta) { m.Outcome, m.Ended, m.Sampling = outcome, ended, sampling })
		if err != nil {
			b.diskTrouble(fmt.Errorf("sealing run %s: %w", id, err))
			return
		}
		b.afterClose(dir)
	})
}

// sampling is how evenly the waveforms of the run were sampled.
func (b *Bench) sampling() (all []journal.Sampling) {
	us := func(d time.Duration) float64 { return math.Round(d.Seconds()*1e8) / 100 }
	for i := range b.opt.Layout.Channels {
		if s, ok := b.sampler.Spacing(i); ok {
			all = append(all, journal.Sampling{Channel: b.opt.Layout.Channels[i].Name, Samples: int64(s.Samples),
				SpacingUS: us(s.Mean), JitterUS: us(s.Jitter), WorstUS: us(s.Worst)})
		}
	}
	return all
}

// finish closes the run being recorded at the end of the bench's life. b.mu is
// held.
func (b *Bench) finish(inOrder bool) {
	if b.aging.writer != nil {
		b.endAgeing(journal.Interrupted, true)
	}
	if b.run.writer == nil {
		return
	}
	outcome := journal.Interrupted
	if inOrder {
		outcome = journal.Aborted
		if b.run.filled || b.state.Phase == phase.Fill {
			outcome = journal.Completed
		}
	}
	b.endRun(outcome)
}

func (b *Bench) afterClose(dir string) {
	if b.opt.OnClosed != nil {
		b.opt.OnClosed(dir)
	}
}

// diskTrouble and diskWell are called from the journal's own goroutine too.
func (b *Bench) diskTrouble(err error) {
	b.health.Set(b.kinds.DiskFailing, b.opt.Directory, "", err.Error(),
		"free space on the card or change it; frames are kept in memory as long as they fit", b.opt.Clock.Now())
}

func (b *Bench) diskWell() {
	b.health.Clear(b.kinds.DiskFailing, b.opt.Directory, b.opt.Clock.Now())
}
