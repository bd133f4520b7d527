package bench

import (
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"tipoff/logger/archive"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

// A daemon that was killed, or lost its power, in the middle of a run goes on with
// it: what was recorded goes through tracker, checker and foresight before the first
// frame of its own, so that the step, the shells' heat and what was exceeded are not
// forgotten. The rest of the run is a record of its own, under the same tube card:
// what is sealed is never added to. It names the record that it goes on with, so that
// whoever judges it or learns from it reads them all.
const (
	// resumeWithin is how long the break may have been: after longer another tube may
	// hang on the manifold.
	resumeWithin = 10 * time.Minute
	// resumeSpan is how much is taken through at the full rate, some 27 000 frames; of
	// a longer run only every second frame, third, and so on.
	resumeSpan = 45 * time.Minute
	// resumeSettles is how long the tracker sees the bench until it is believed that
	// the run goes on.
	resumeSettles = 3 * time.Second
	// powerUp stands for the time from the power's coming to the kernel's first tick,
	// where nobody knows how long it was gone.
	powerUp = 5 * time.Second
	// roughVacuum stands for the pressure while nobody looked, Pa; without a current it
	// says nothing.
	roughVacuum = 100.0
)

// resume is a run that was interrupted and may go on.
type resume struct {
	id     string
	broke  time.Duration // since its last frame, when the daemon started
	guess  bool          // broke is the least that it was
	filled bool
	first  time.Duration // first frame of this daemon; 0: none yet
	shift  time.Duration // from times of this boot to those of the run
}

// interrupted finds the run that was cut off last, nil if none was. closed are those
// that have just been closed; one that an earlier daemon closed in order must be of
// this boot.
func (b *Bench) interrupted(closed []*journal.Meta) *journal.Meta {
	for i := len(closed) - 1; i >= 0; i-- {
		if m := closed[i]; m.Kind == "" && m.Outcome == journal.Interrupted {
			return m
		}
	}
	list, err := b.archive.List()
	if err != nil {
		return nil // whoever wants the list is told
	}
	for i := range list {
		e := &list[i]
		if e.Kind != "" || e.Trouble != "" {
			continue
		}
		return b.stopped(e)
	}
	return nil
}

// stopped is the run of an entry if a daemon of this boot was stopped in it.
func (b *Bench) stopped(e *archive.Entry) *journal.Meta {
	if e.Outcome != journal.Interrupted {
		return nil
	}
	m, err := journal.LoadMeta(e.Dir)
	if err != nil || m.BootID != b.bootID {
		return nil
	}
	return m
}

// brokenFor is how long ago a run's last frame was, and whether that is only the
// least that it can have been: a board without a battery for its clock does not know.
// now is the time since boot.
func brokenFor(m *journal.Meta, boot string, now time.Duration, wall time.Time, trusted bool) (broke time.Duration, guess bool) {
	switch {
	case m.BootID == boot:
		return now - m.Ended.Mono(), false
	case trusted && m.Ended.Trusted:
		return wall.Sub(m.Ended.Wall), false
	}
	return now + powerUp, true
}

// takeUp prepares to go on with a run that was interrupted. It is called before the
// first frame; b.mu is held.
func (b *Bench) takeUp(closed []*journal.Meta) {
	if b.opt.Whole {
		return // a trace of another time
	}
	m := b.interrupted(closed)
	if m == nil {
		return
	}
	now := b.opt.Clock.Now()
	wall, trusted := b.opt.Clock.Wall()
	broke, guess := brokenFor(m, b.bootID, now, wall, trusted)
	if broke < 0 || broke > resumeWithin {
		return
	}
	card, err := tube.Parse("card", []byte(m.Card))
	b.useCard(card, m.Card, m.Card != "" && err == nil)
	r := &resume{id: m.ID, broke: broke, guess: guess}
	if err := b.feed(m, r, now); err != nil {
		b.log.Warn("an interrupted run cannot be gone on with", "run", m.ID, "error", err)
		b.tracker, b.ahead = phase.NewTracker(phase.Options{}), 0
		b.useNextCard()
		return
	}
	b.resume = r
}

// feed takes the recorded frames of m, and of what m itself went on with, through
// tracker, checker and foresight. Their times are those of this boot, later by
// b.ahead, as they have to be positive.
func (b *Bench) feed(m *journal.Meta, r *resume, now time.Duration) error {
	r.shift = m.Ended.Mono() + r.broke - now
	dir := b.archive.RunDir(m.ID)
	parts, _, err := journal.Parts(dir)
	if err != nil {
		return fmt.Errorf("opening it: %w", err)
	}
	end := parts[len(parts)-1].Shift // from m's clock to that of the first part
	every := time.Duration(0)
	if n := (m.Ended.Mono() + end - parts[0].Meta.Started.Mono() + resumeSpan - 1) / resumeSpan; n > 1 {
		every = n * time.Duration(m.Layout.IntervalNS)
	}
	reader, err := journal.OpenJoined(dir, every)
	if err != nil {
		return fmt.Errorf("opening it: %w", err)
	}
	defer reader.Close()
	shift := -r.shift - end // from the first part's times to those of this boot
	b.ahead = 0
	frames, part, last := 0, 0, time.Duration(0)
	var rec journal.Record
	for {
		if err := reader.Next(&rec); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return fmt.Errorf("reading it: %w", err)
		}
		if !rec.IsFrame {
			continue
		}
		if frames == 0 && rec.Frame.At+shift < time.Second {
			b.ahead = time.Second - rec.Frame.At - shift
		}
		frames++
		l := reader.Layout()
		o := phase.Observe(l, &rec.Frame)
		o.At += shift + b.ahead
		if k := reader.Part(); k != part {
			if parts[k].Meta.BootID != parts[part].Meta.BootID && last > 0 {
				b.coolDown(last, o.At)
			}
			part = k
		}
		last = o.At
		p := rec.Phase
		if b.tracker.Step(o).Judged == phase.TipOff && p == phase.Fill {
			p = phase.TipOff
		}
		b.judge(l, &rec.Frame, o, p)
		r.filled = r.filled || p == phase.TipOff || p == phase.Age
	}
	if frames == 0 {
		return errors.New("it holds no frames")
	}
	if m.BootID != b.bootID {
		b.coolDown(last, now+b.ahead)
	}
	b.log.Info("an interrupted run is looked through to go on with it", "run", m.ID, "frames", frames, "broken_for", r.broke.Round(time.Second))
	return nil
}

// judge takes a frame through checker and foresight.
func (b *Bench) judge(l *frame.Layout, f *frame.Frame, o phase.Observation, p phase.ID) {
	u := envelope.UncertaintiesOf(l, f)
	b.checker.Step(o, u, p)
	b.foresight.Step(o, u)
}

// coolDown lets the shells cool for a time: without power no arc has burnt.
func (b *Bench) coolDown(from, until time.Duration) {
	for at := from + time.Second; at < until; at += time.Second {
		b.foresight.Step(phase.Observation{At: at, Pressure: roughVacuum, Glass: math.NaN()}, envelope.Uncertainties{})
	}
}

// goOn opens the record of the rest of a run, once the tracker has seen enough of the
// bench to tell that it goes on. b.mu is held.
func (b *Bench) goOn() {
	r := b.resume
	at := b.frame.At
	if r.first == 0 {
		r.first = at
	}
	settled := at-r.first >= resumeSettles
	switch {
	case b.state.InRun && (settled || b.state.RunStarted):
		if b.run.openErr == nil || b.frame.Seq%50 == 0 {
			b.startRun(r.first)
		}
	case settled:
		b.log.Info("the run that was interrupted does not go on", "run", r.id)
		b.resume = nil
		b.useNextCard()
	}
}

// resumed is called when the record of the rest of a run has been opened.
func (b *Bench) resumed() {
	r := b.resume
	least := ""
	if r.guess {
		least = "at least "
	}
	text := fmt.Sprintf("goes on with run %s, which was broken off %s%.0f s before", r.id, least, r.broke.Seconds())
	b.run.event(journal.Event{At: b.frame.At, Kind: journal.Note, ID: EventGoesOn, Text: text})
	b.run.filled = r.filled
	b.resume = nil
	b.log.Info("the run that was interrupted goes on", "run", b.run.id, "before", r.id)
}

// EventGoesOn is the note in a run that is the rest of one that was broken off.
const EventGoesOn = "goes-on"
