package bench

import (
	"tipoff/calib"
	"tipoff/logger/calibrate"
	"tipoff/logger/frame"
	"tipoff/logger/health"
	"tipoff/logger/phase"
	"tipoff/logger/status"
)

var _ status.Source = (*Bench)(nil)

// Snapshot implements status.Source.
func (b *Bench) Snapshot() *status.Snapshot {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.frame.Seq == 0 {
		return nil
	}
	wall, trusted := b.opt.Clock.Wall()
	s := &status.Snapshot{
		Bench: b.opt.Name, Version: b.opt.Version,
		Now: b.frame.At, Wall: wall, WallTrusted: trusted,
		Speed: b.opt.Speed, Emulated: b.opt.Emulated,
		Layout: b.opt.Layout, Frame: b.frame,
		Phase: b.state.Phase, PhaseSince: b.state.Since, PhaseOr: b.state.Or,
		Run: status.Run{
			Active: b.run.writer != nil, ID: b.run.id, Started: b.run.started, Next: b.next(),
		},
		Ageing:   b.agingStatus(),
		Envelope: b.envelope,
		Troubles: b.health.List(b.frame.At),
		Channels: make([]status.Channel, len(b.channels)),
		Counters: b.counters,
	}
	if s.Run.Active && b.hasCard {
		s.Run.Tube = b.card.Name
	}
	for _, p := range b.present {
		s.Limits = append(s.Limits, status.LimitNow{
			Limit: b.envelope.Limits[p.Index], Value: calib.Value{X: p.Value, U: p.U}, Verdict: p.Verdict,
		})
	}
	f := b.foresight.State()
	s.Ceiling = status.Foresight{Known: f.Known, Approach: f.Approach, In: f.In, Rate: f.Rate,
		Ahead: calib.Value{X: f.Ahead, U: f.AheadU}, Seating: f.Seating,
		Shells: calib.Value{X: f.Shells, U: f.ShellsU}, GlassDone: f.GlassDone,
		GlassIn: f.GlassIn, ShellsIn: f.ShellsIn, First: f.First}
	for _, a := range b.alarms.Active(nil) {
		s.Alarms = append(s.Alarms, status.Alarm{
			Definition: *a.Definition, State: a.State, Since: a.Since, Detail: a.Detail.String(), Count: a.Count,
		})
	}
	b.sampler.Stats(s.Channels)
	b.calibrationStatus(s.Channels)
	if b.run.writer != nil {
		st := b.run.writer.Stats()
		s.Counters.JournalBytes += uint64(st.Bytes)
		s.Counters.JournalErrors += uint64(st.Errors)
	}
	return s
}

// History implements status.Source.
func (b *Bench) History(since uint64, most int) []status.Point {
	b.mu.Lock()
	defer b.mu.Unlock()
	n := min(b.historyN, uint64(len(b.history)))
	first := b.historyN - n
	for first < b.historyN && b.history[first%uint64(len(b.history))].Seq <= since {
		first++
	}
	count := b.historyN - first
	step := uint64(1)
	if most > 0 && count > uint64(most) {
		step = (count + uint64(most) - 1) / uint64(most)
	}
	out := make([]status.Point, 0, count/step+1)
	for i := first; i < b.historyN; i++ {
		p := b.history[i%uint64(len(b.history))]
		// Thin by sequence number, so that a point once shown stays.
		if p.Seq%step == 0 || i == b.historyN-1 {
			out = append(out, p)
		}
	}
	return out
}

// Acknowledge implements status.Source.
func (b *Bench) Acknowledge(id string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.acknowledge(id, b.frame.At)
}

// Health is the registry of what is wrong.
func (b *Bench) Health() (*health.Registry, *health.Kinds) { return b.health, b.kinds }

// Step is the present phase and the tube's name, for a terminal that follows.
func (b *Bench) Step() (phase.ID, string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.state.Phase, b.card.Name
}

// View lets f look at the present frame, and tells it when the raw numbers in it
// were read. f must not keep them. It is for the engine's goroutine
// ([Options.OnFrame]).
func (b *Bench) View(f func(*frame.Layout, *frame.Frame, calibrate.RawTimes)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f(b.opt.Layout, &b.frame, b.sampler)
}
