package bench

import (
	"errors"
	"fmt"
	"time"

	"tipoff/logger/ageing"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
	"tipoff/logger/status"
)

// aging is the ageing run being recorded, beside whatever the bench processes;
// writer is nil if none is.
type aging struct {
	writer  *journal.Writer
	id      string
	request ageing.Request
	reducer *ageing.Reducer
	started time.Duration
	noted   time.Duration // when what has burnt was last written down
	trouble string        // why what is wanted cannot be done; "" nothing
}

// noteEvery is how often what has burnt is written down for after a power cut.
const noteEvery = 10 * time.Minute

// Age asks for the ageing run in the TOML text. It begins within a second.
func (b *Bench) Age(text []byte) error {
	r, err := ageing.ParseRequest("ageing run", text)
	if err != nil {
		return err
	}
	r.Done = 0
	if _, err := ageing.NewReducer(b.opt.Layout, &r); err != nil {
		return err
	}
	return ageing.Ask(b.opt.Directory, r)
}

// EndAgeing ends the ageing run that goes on. It is sealed within a second.
func (b *Bench) EndAgeing() error { return ageing.End(b.opt.Directory) }

// followAgeing records the ageing run that is wanted, if one is. b.mu is held.
func (b *Bench) followAgeing(at time.Duration) {
	if b.opt.Whole {
		return // a trace of another time
	}
	a := &b.aging
	if b.frame.Seq%10 == 3 {
		r, err := ageing.Wanted(b.opt.Directory)
		switch {
		case errors.Is(err, ageing.ErrNone):
			a.trouble = ""
			if a.writer != nil {
				b.endAgeing(a.outcome(), false)
			}
		case a.writer != nil && err == nil && !a.is(r):
			b.endAgeing(a.outcome(), false) // what is wanted instead begins a second later
		case a.writer != nil: // it goes on
		case err != nil:
			b.cannotAge(err)
		default:
			b.startAgeing(at, r)
		}
	}
	if a.writer == nil {
		return
	}
	f, change := a.reducer.Step(&b.frame)
	switch change {
	case ageing.WentOut:
		a.writer.Event(journal.Event{At: at, Kind: journal.Note, ID: ageing.EventOut, Text: "the tube is out: its current is gone"})
		b.log.Warn("the ageing tube is out", "run", a.id, "tube", a.request.Tube)
	case ageing.CameBack:
		a.writer.Event(journal.Event{At: at, Kind: journal.Note, ID: ageing.EventBack, Text: "the tube burns again"})
	case ageing.LightGone:
		a.writer.Event(journal.Event{At: at, Kind: journal.Note, ID: ageing.EventDim, Text: "the light has collapsed; the current flows on"})
		b.log.Warn("the ageing tube's light has collapsed", "run", a.id, "tube", a.request.Tube)
	case ageing.LightBack:
		a.writer.Event(journal.Event{At: at, Kind: journal.Note, ID: ageing.EventBright, Text: "the light is back"})
	}
	if f != nil {
		a.writer.Append(f, phase.Age)
	}
	left, ends := a.request.Left()
	switch {
	case ends && a.reducer.Burnt() >= left:
		err := ageing.Finish(b.opt.Directory, a.is)
		if errors.Is(err, ageing.ErrLocked) {
			return // with the next frame
		}
		if err != nil && !errors.Is(err, ageing.ErrNone) {
			b.cannotAge(err) // else it would begin again at once
		}
		b.endAgeing(journal.Completed, false)
	case at-a.noted >= noteEvery:
		if b.noteBurnt() {
			a.noted = at
		}
	}
}

// noteBurnt writes into the request how long the tube has burnt, if it is still wanted; false:
// another process is at the request, which may be taking it away.
func (b *Bench) noteBurnt() bool {
	r := b.aging.request
	r.Done += b.aging.reducer.Burnt().Hours()
	err := ageing.Note(b.opt.Directory, r, b.aging.is)
	if errors.Is(err, ageing.ErrLocked) {
		return false
	}
	if err != nil {
		b.log.Warn("writing down how long the tube has burnt", "error", err)
	}
	return true
}

// is tells whether r asks for the run being recorded, however much of it was done.
func (a *aging) is(r ageing.Request) bool {
	r.Done = a.request.Done
	return r == a.request
}

// cannotAge tells once why what is wanted cannot be done.
func (b *Bench) cannotAge(err error) {
	if b.aging.trouble != err.Error() {
		b.aging.trouble = err.Error()
		b.log.Error("the ageing run that is wanted cannot be recorded", "error", err)
	}
}

func (b *Bench) startAgeing(at time.Duration, r ageing.Request) {
	reducer, err := ageing.NewReducer(b.opt.Layout, &r)
	if err != nil {
		b.cannotAge(err)
		return
	}
	text, err := r.Encode()
	if err != nil {
		b.cannotAge(err)
		return
	}
	wall, trusted := b.opt.Clock.Wall()
	id, err := b.archive.NewID(wall, trusted, b.bootID)
	if err != nil {
		b.cannotAge(err)
		return
	}
	calibration := ""
	if b.opt.Calibrations != nil {
		calibration = b.opt.Calibrations.text()
	}
	meta := journal.Meta{
		ID: id, BenchName: b.opt.Name, Tube: r.Tube, Kind: ageing.Kind, Request: string(text),
		Software: b.opt.Version, BootID: b.bootID, Started: journal.At(at, wall, trusted),
		Bench: b.opt.BenchText, Calibration: calibration,
	}
	if r.Run != "" {
		// The tube's card comes with the run that processed it.
		if m, err := journal.LoadMeta(b.archive.RunDir(r.Run)); err == nil {
			meta.Card, meta.Job = m.Card, m.Job
			if meta.Tube == "" {
				meta.Tube = m.Tube
			}
		}
	}
	w, err := journal.Create(b.archive.RunDir(id), meta, reducer.Layout, journal.Options{
		Patient: b.opt.Patient, OnTrouble: b.diskTrouble, OnRecovered: b.diskWell,
	})
	if err != nil {
		b.counters.JournalErrors++
		b.diskTrouble(err)
		b.cannotAge(err)
		return
	}
	b.aging = aging{writer: w, id: id, request: r, reducer: reducer, started: at, noted: at}
	b.log.Info("ageing run started", "run", id, "tube", meta.Tube, "current", r.Current, "hours", r.Hours)
}

// outcome is how the ageing run ends if it is ended now.
func (a *aging) outcome() journal.Outcome {
	if left, ends := a.request.Left(); ends && a.reducer.Burnt() < left {
		return journal.Aborted
	}
	return journal.Completed
}

// endAgeing closes the ageing run and seals it in the background. With stays the
// request remains, for the next daemon to go on with.
func (b *Bench) endAgeing(outcome journal.Outcome, stays bool) {
	a := b.aging
	if stays {
		b.noteBurnt()
	}
	st := a.writer.Stats()
	b.counters.JournalBytes += st.Bytes
	b.counters.JournalErrors += st.Errors
	wall, trusted := b.opt.Clock.Wall()
	ended := journal.At(b.frame.At, wall, trusted)
	dir := b.archive.RunDir(a.id)
	b.aging = aging{trouble: a.trouble}
	b.log.Info("ageing run ended", "run", a.id, "outcome", string(outcome))
	b.closing.Go(func() {
		err := a.writer.Seal(func(m *journal.Meta) { m.Outcome, m.Ended = outcome, ended })
		if err != nil {
			b.diskTrouble(fmt.Errorf("sealing run %s: %w", a.id, err))
			return
		}
		b.afterClose(dir)
	})
}

// agingStatus is the ageing run as readers see it. b.mu is held.
func (b *Bench) agingStatus() status.Ageing {
	a := &b.aging
	s := status.Ageing{Trouble: a.trouble}
	if a.writer == nil {
		return s
	}
	s.Active, s.ID, s.Tube, s.Of, s.Started = true, a.id, a.request.Tube, a.request.Run, a.started
	s.Burnt = a.reducer.Burnt() + time.Duration(a.request.Done*float64(time.Hour))
	s.Wanted, s.Dark, s.Dim = a.request.Current, a.reducer.Dark(), a.reducer.Dim()
	s.Hours = a.request.Hours
	return s
}
