package sheet

import (
	"tipoff/logger/chart"
	"tipoff/logger/envelope"
	"tipoff/logger/journal"
	"tipoff/logger/learn"
	"tipoff/logger/phase"
	"tipoff/logger/plan"
)

// learned is what the bench knew of itself when the run in folder dir began, nil
// if nothing: the constants from the runs before it. Those that it was judged by
// once stay, so that a sheet that is made anew, with a card given later say, goes by
// what was known then.
func (s *Sheet) learned(dir string) *learn.Constants {
	c, err := learn.Judged(dir)
	if err != nil {
		s.unread = err
		s.Remarks = append(s.Remarks, "What the bench has learned cannot be read, so the handbook's constants were used: "+err.Error())
		s.Learned = "Limits and advice go by the handbook and bench.toml, as what the bench has learned cannot be read."
		return nil
	}
	if c != nil {
		s.Constants = c.Version
	}
	s.Learned = c.Sentence(plan.LagCorrected(s.record.meta))
	return c
}

// teach draws from the run what it teaches, and lays it beside the good runs
// before it.
func (s *Sheet) teach(dir string, env *envelope.Envelope, segments []phase.Segment) {
	if !env.Known {
		return
	}
	r := &s.record
	marks, err := learn.MarksIn(dir)
	if err != nil {
		s.Remarks = append(s.Remarks, "What was seen of the run cannot be read, so nothing is learned from it: "+err.Error())
	}
	s.taught = learn.Of(&learn.Record{Run: s.Run.ID, Card: env.Card, Tables: env.Bench.Tables, LagCorrected: plan.LagCorrected(r.meta), Room: r.room,
		Observations: r.obs, Shells: r.shells, Phases: segments, Marks: marks})
	good, err := learn.Good(journal.RunsOf(dir), s.taught.Family, dir)
	if err != nil {
		s.Remarks = append(s.Remarks, "The good runs cannot be looked at, so there is no corridor: "+err.Error())
		return
	}
	c := learn.CorridorOf(good)
	if c == nil {
		return
	}
	s.Corridor = c.Sentence(s.taught)
	s.drawing.CorridorRuns = len(c.Runs)
	for _, m := range c.Along(segments) {
		at := float64(r.since(m.At))
		s.drawing.Corridor = append(s.drawing.Corridor, chart.Corridor{
			Low:  chart.Point{T: at, Pressure: m.Pressure[0], Glass: m.Glass[0], Current: m.Current[0]},
			High: chart.Point{T: at, Pressure: m.Pressure[2], Glass: m.Glass[2], Current: m.Current[2]},
		})
	}
}
