package learn

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"time"

	"tipoff/logger/journal"
	"tipoff/logger/observation"
	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

// LeastGood is the least number of good runs that make a corridor.
const LeastGood = 5

// Share is the share of good runs that the corridor holds at each moment, where
// there are enough for it: 9 or more. Of fewer runs it is all of them, and holds
// a further good run in (n−1) of (n+1) cases.
const Share = 0.8

// Band is where good runs lie at each part of a phase; NaN where fewer than
// LeastGood have a reading. All slices have the same length.
type Band struct {
	Low, Mid, High []float64
}

// Stage is the corridor through one phase.
type Stage struct {
	Phase                    phase.ID
	Nth                      int
	Runs                     int
	Seconds                  [3]float64 // how long it takes: low, median, high
	Pressure, Glass, Current Band       // Pa, °C, A
}

// Corridor is where the good runs of a family of tubes lie, phase beside phase:
// what one run is at the middle of its bombard is set beside what the others are
// at the middle of theirs.
type Corridor struct {
	Family Family
	Runs   []string // the good runs, oldest first
	Stages []Stage
	// Holds is the share of further good runs to be expected inside at each moment.
	Holds float64
}

// CorridorOf is the corridor of runs that are all good and of one family. It is
// nil with fewer than LeastGood.
//
// The bounds are order statistics: of n runs, the one with rank (n+1)·q lies
// above a further run's value with probability q whatever the distribution
// (Weibull's plotting position); between ranks it is a straight line.
func CorridorOf(good []*Taught) *Corridor {
	n := len(good)
	if n < LeastGood {
		return nil
	}
	c := &Corridor{Family: good[0].Family, Holds: holds(n)}
	type key struct {
		id  phase.ID
		nth int
	}
	tracks := map[key][]*Track{}
	var order []key
	for _, t := range good {
		c.Runs = append(c.Runs, t.Run)
		for i := range t.Tracks {
			k := key{t.Tracks[i].Phase, t.Tracks[i].Nth}
			if tracks[k] == nil {
				order = append(order, k)
			}
			tracks[k] = append(tracks[k], &t.Tracks[i])
		}
	}
	for _, k := range order {
		all := tracks[k]
		if len(all) < LeastGood {
			continue
		}
		s := Stage{Phase: k.id, Nth: k.nth, Runs: len(all)}
		x := make([]float64, len(all))
		for i, t := range all {
			x[i] = t.Seconds
		}
		s.Seconds[0], s.Seconds[1], s.Seconds[2] = bounds(x)
		s.Pressure = bandOf(all, func(t *Track) []float64 { return t.Pressure })
		s.Glass = bandOf(all, func(t *Track) []float64 { return t.Glass })
		s.Current = bandOf(all, func(t *Track) []float64 { return t.Current })
		c.Stages = append(c.Stages, s)
	}
	return c
}

// holds is the share of further good runs that a corridor of n holds.
func holds(n int) float64 { return min(Share, float64(n-1)/float64(n+1)) }

func bandOf(all []*Track, of func(*Track) []float64) (b Band) {
	var x []float64
	for i := range parts {
		x = x[:0]
		for _, t := range all {
			if v := of(t)[i]; v == v {
				x = append(x, v)
			}
		}
		lo, mid, hi := math.NaN(), math.NaN(), math.NaN()
		if len(x) >= LeastGood {
			lo, mid, hi = bounds(x)
		}
		b.Low, b.Mid, b.High = append(b.Low, lo), append(b.Mid, mid), append(b.High, hi)
	}
	return b
}

// bounds are the lower bound, the median and the upper bound of good runs.
func bounds(x []float64) (lo, mid, hi float64) {
	s := slices.Clone(x)
	slices.Sort(s)
	return ranked(s, (1-Share)/2), median(s), ranked(s, (1+Share)/2)
}

// ranked is the q-quantile of sorted x by rank (n+1)·q, at the outermost value
// where there is no such rank.
func ranked(x []float64, q float64) float64 {
	at := q*float64(len(x)+1) - 1
	at = max(0, min(float64(len(x)-1), at))
	i := min(int(at), len(x)-2)
	return x[i] + (at-float64(i))*(x[i+1]-x[i])
}

// Good are the runs of the archive folder runs that somebody marked as good and
// of whose tubes nothing bad was seen, of one family, that come before the run in
// folder before ("" for all) as the archive orders them, oldest first.
func Good(runs string, f Family, before string) ([]*Taught, error) {
	folders, err := os.ReadDir(runs)
	if err != nil {
		return nil, fmt.Errorf("looking for good runs: %w", err)
	}
	var until *journal.Meta
	if before != "" {
		if until, err = journal.LoadMeta(before); err != nil {
			return nil, err
		}
	}
	var out []*Taught
	metas := map[*Taught]*journal.Meta{}
	looked := map[string]bool{} // two parts of one run may be marked
	for _, e := range folders {
		if !e.IsDir() {
			continue
		}
		dir, m, err := marked(filepath.Join(runs, e.Name()))
		if err != nil {
			return nil, err
		}
		if dir == "" || looked[dir] || until != nil && !earlier(m, until) {
			continue // nor is a run before itself
		}
		looked[dir] = true
		t, _, err := OfRun(dir, false)
		if err != nil || t.Family != f {
			continue // without a card, or another kind of tube
		}
		t.Run = filepath.Base(dir)
		metas[t] = m
		out = append(out, t)
	}
	slices.SortFunc(out, func(a, b *Taught) int {
		switch {
		case earlier(metas[a], metas[b]):
			return -1
		case earlier(metas[b], metas[a]):
			return 1
		}
		return 0
	})
	return out, nil
}

// marked is the whole run of which the one in folder dir is a part, by the folder of its last part, if
// somebody marked that in dir as good and of no part a fault of the tube stands written; else "".
func marked(dir string) (whole string, m *journal.Meta, err error) {
	list, err := observation.Load(dir)
	if err != nil || !faultless(list) {
		return "", nil, err
	}
	whole = observation.Whole(dir)
	if m, err = journal.LoadMeta(whole); err != nil || m.GoesOn != "" {
		return "", nil, nil // no run, or a part of one whose rest was taken away
	}
	marks, err := MarksIn(whole)
	if err != nil || !marks.Good {
		return "", nil, err
	}
	return whole, m, nil
}

func faultless(list []observation.Observation) bool {
	good := false
	for i := range list {
		if !list[i].Stands() {
			continue
		}
		if list[i].Kind.Fault() {
			return false
		}
		good = good || list[i].Kind == observation.Good
	}
	return good
}

// FamilyOf is the family of a tube card.
func FamilyOf(c tube.Card) Family {
	return Family{Gas: c.Gas, Glass: c.Glass, Bore: boreClass * int(c.Bore*1e3/boreClass)}
}

// Moment is the corridor at one moment of a run.
type Moment struct {
	At                       time.Duration
	Pressure, Glass, Current [3]float64 // low, median, high; NaN: there is none
}

// Along lays the corridor along a run's phases: for each part of each phase one
// moment, in order; between stages that the corridor does not know there is a
// moment of NaN.
func (c *Corridor) Along(segments []phase.Segment) []Moment {
	var count [phase.Count]int
	var out []Moment
	nan := [3]float64{math.NaN(), math.NaN(), math.NaN()}
	for _, g := range segments {
		if int(g.Phase) >= phase.Count || g.To <= g.From {
			continue
		}
		count[g.Phase]++
		s := c.stage(g.Phase, count[g.Phase])
		if s == nil {
			out = append(out, Moment{g.From, nan, nan, nan})
			continue
		}
		for i := range parts {
			at := g.From + time.Duration((float64(i)+0.5)/parts*float64(g.To-g.From))
			out = append(out, Moment{at, s.Pressure.at(i), s.Glass.at(i), s.Current.at(i)})
		}
	}
	return out
}

func (b *Band) at(i int) [3]float64 { return [3]float64{b.Low[i], b.Mid[i], b.High[i]} }

func (c *Corridor) stage(id phase.ID, nth int) *Stage {
	for i := range c.Stages {
		if s := &c.Stages[i]; s.Phase == id && s.Nth == nth {
			return s
		}
	}
	return nil
}

// Strayed is how long a run was outside the corridor in one quantity.
type Strayed struct {
	Quantity string  // "pressure", "glass", "current"
	Outside  float64 // s
	Of       float64 // s that could be compared
	Worst    phase.ID
	WorstFor float64 // s of Outside in that phase
}

// Compare tells how long the run was outside the corridor, by the means over
// the parts of its phases.
func (c *Corridor) Compare(t *Taught) []Strayed {
	out := []Strayed{{Quantity: "pressure"}, {Quantity: "glass"}, {Quantity: "current"}}
	var in [3][phase.Count]float64
	for i := range t.Tracks {
		k := &t.Tracks[i]
		s := c.stage(k.Phase, k.Nth)
		if s == nil {
			continue
		}
		dt := k.Seconds / parts
		for q, pair := range []struct {
			x []float64
			b *Band
		}{{k.Pressure, &s.Pressure}, {k.Glass, &s.Glass}, {k.Current, &s.Current}} {
			for j, x := range pair.x {
				if !(x == x && pair.b.Low[j] == pair.b.Low[j]) {
					continue
				}
				out[q].Of += dt
				if x < pair.b.Low[j] || x > pair.b.High[j] {
					out[q].Outside += dt
					in[q][k.Phase] += dt
				}
			}
		}
	}
	for q := range out {
		for id, s := range in[q] {
			if s > out[q].WorstFor {
				out[q].Worst, out[q].WorstFor = phase.ID(id), s
			}
		}
	}
	return out
}

// Sentence says how the run went beside the corridor.
func (c *Corridor) Sentence(t *Taught) string {
	text := fmt.Sprintf("Beside the corridor of %d good runs (%s), which a further good run leaves for %.0f %% of the time:", len(c.Runs), c.Family, 100*(1-c.Holds))
	for i, s := range c.Compare(t) {
		sep := ";"
		if i == 0 {
			sep = ""
		}
		switch {
		case s.Of == 0:
			text += fmt.Sprintf("%s %s not compared", sep, s.Quantity)
		case s.Outside == 0:
			text += fmt.Sprintf("%s %s inside all the time", sep, s.Quantity)
		default:
			text += fmt.Sprintf("%s %s outside for %.0f s of %.0f s (%.0f %%), most in %s", sep, s.Quantity, s.Outside, s.Of, 100*s.Outside/s.Of, s.Worst)
		}
	}
	return text + "."
}
