package sheet

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"math/bits"
	"slices"
	"time"

	"tipoff/calib"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
	"tipoff/logger/plantcare"
)

// record is what was read from a run's folder, and from those of the parts before if
// it was broken off. Its times are those of the first part's clock.
type record struct {
	meta    *journal.Meta // of the last part
	parts   []part
	layout  *frame.Layout // of the last part
	start   time.Duration // monotonic
	obs     []phase.Observation
	u       []envelope.Uncertainties
	shells  []float64 // °C, for each observation; nil if no sensor is on a shell
	room    float64   // °C, as last read; NaN if it is not measured
	lost    []journal.Lost
	lacking string // a part that is not there any more
	usable  [frame.MaxChannels]int
	quality [frame.MaxChannels][16]int // frames by quality bit

	findings  []envelope.Finding // for Save
	stretches []plantcare.Stretch
}

// part is one record of a run that was broken off and went on; of one that was not
// there is one.
type part struct {
	journal.Part
	events  []journal.Event
	from    float64 // s, its start from the run's
	first   int     // its first observation
	channel []int   // of its layout, as the last part numbers them; -1: gone
}

func (r *record) read(dir string) error {
	j, err := journal.OpenJoined(dir, 0)
	if err != nil {
		return err
	}
	defer j.Close()
	r.meta, r.lacking, r.room = j.Meta(), j.Lacking(), math.NaN()
	if r.layout, err = r.meta.Layout.Frame(); err != nil {
		return err
	}
	for i, p := range j.Parts() {
		r.parts = append(r.parts, part{Part: p, from: j.Offset(i), first: -1, channel: alike(p.Meta, r.meta)})
	}
	r.start = r.parts[0].Meta.Started.Mono()
	var rec journal.Record
	for {
		if err := j.Next(&rec); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return err
		}
		p := &r.parts[j.Part()]
		if !rec.IsFrame {
			p.events = append(p.events, rec.Event)
			continue
		}
		if p.first < 0 {
			p.first = len(r.obs)
		}
		r.add(j.Layout(), &rec.Frame, p.channel)
	}
	r.lost = j.Lost()
	return nil
}

// alike finds the channels of a part by name among those of the last one.
func alike(of, last *journal.Meta) []int {
	all := make([]int, len(of.Layout.Channels))
	for i := range of.Layout.Channels {
		name := of.Layout.Channels[i].Name
		all[i] = slices.IndexFunc(last.Layout.Channels, func(c journal.Channel) bool { return c.Name == name })
	}
	return all
}

func (r *record) add(l *frame.Layout, f *frame.Frame, channel []int) {
	r.obs = append(r.obs, phase.Observe(l, f))
	r.u = append(r.u, envelope.UncertaintiesOf(l, f))
	if x := f.Usable(l, frame.Ambient); x == x {
		r.room = x
	}
	if r.layout.Index(frame.Shell) >= 0 {
		r.shells = append(r.shells, f.Usable(l, frame.Shell))
	}
	for i, k := range channel {
		if k < 0 {
			continue
		}
		v := f.Readings[i].Value
		if v.Good() {
			r.usable[k]++
		}
		for q := uint(v.Q); q != 0; q &= q - 1 {
			r.quality[k][bits.TrailingZeros(q)]++
		}
	}
}

// breaks are where the recorder was off in the run, in order.
func (s *Sheet) breaks() (all []Gap) {
	r := &s.record
	for i := 1; i < len(r.parts); i++ {
		if k := r.parts[i].first; k > 0 {
			all = append(all, Gap{r.since(r.obs[k-1].At), r.since(r.obs[k].At),
				fmt.Sprintf("nothing was recorded%s: run %s was broken off and went on as %s", atLeast(r.parts[i].AtLeast), r.parts[i-1].Meta.ID, r.parts[i].Meta.ID)})
		}
	}
	return all
}

func atLeast(yes bool) string {
	if yes {
		return ", and maybe for longer, as the board had no clock"
	}
	return ""
}

// gaps lists what the record says it lacks and every pause between frames of
// more than five intervals, at least a second.
func (s *Sheet) gaps() {
	r := &s.record
	s.Gaps = append(s.Gaps, s.breaks()...)
	for _, l := range r.lost {
		s.Gaps = append(s.Gaps, Gap{Number(l.FromS), Number(l.ToS), l.Reason})
	}
	pause := max(time.Second, 5*r.layout.Interval)
	for i := 1; i < len(r.obs); i++ {
		from, to := r.obs[i-1].At, r.obs[i].At
		if to-from <= pause {
			continue
		}
		g := Gap{r.since(from), r.since(to), "no frames"}
		// A stretch that is listed as lost shows as a pause too.
		if !slices.ContainsFunc(s.Gaps, func(o Gap) bool { return o.FromS < g.ToS && g.FromS < o.ToS }) {
			s.Gaps = append(s.Gaps, g)
		}
	}
	slices.SortStableFunc(s.Gaps, func(a, b Gap) int { return cmp.Compare(a.FromS, b.FromS) })
}

// partly says of a run that was broken off what was judged, and names the breaks in
// its verdict: what nobody recorded nobody can judge.
func (s *Sheet) partly(segments []phase.Segment) {
	r := &s.record
	if on := r.meta.GoesOn; on != "" {
		s.Run.GoesOn = on
		s.Verdict = Verdict{string(envelope.NotKnown), fmt.Sprintf("Broken off while it was recorded; it goes on as run %s, whose sheet judges the whole.", on)}
		return
	}
	for i := range r.parts {
		if p := &r.parts[i]; len(r.parts) > 1 && p.first >= 0 {
			last := len(r.obs) - 1
			for k := i + 1; k < len(r.parts); k++ {
				if r.parts[k].first > 0 {
					last = r.parts[k].first - 1
					break
				}
			}
			s.Run.Parts = append(s.Run.Parts, Part{p.Meta.ID, r.since(r.obs[p.first].At), r.since(r.obs[last].At)})
		}
	}
	if r.lacking != "" {
		s.Remarks = append(s.Remarks, fmt.Sprintf("The run goes on with run %s, whose record is not there any more: only what follows was judged.", r.lacking))
	}
	for i, g := range s.breaks() {
		if i == 0 {
			s.Remarks = append(s.Remarks, fmt.Sprintf("The run was broken off while it was recorded and is judged from all its %d parts together. "+
				"Limits that were exceeded only while nothing was recorded do not show.", len(r.parts)))
			s.Verdict.Text = fmt.Sprintf("%s Not recorded:", s.Verdict.Text)
		} else {
			s.Verdict.Text += ";"
		}
		at := phase.NewCursor(segments).At(r.start + time.Duration(float64(g.FromS)*float64(time.Second)))
		s.Verdict.Text += fmt.Sprintf(" %s to %s (%s)", clock(g.FromS), clock(g.ToS), at)
	}
	if len(s.breaks()) > 0 {
		s.Verdict.Text += "."
	}
}

// leave takes out of the sheet of a part what the sheet of the whole run says.
func (s *Sheet) leave() {
	if s.Run.GoesOn == "" {
		return
	}
	s.Limits, s.Advice, s.Vacuum, s.Corridor, s.Learned = []Limit{}, []string{}, []Vacuum{}, "", ""
	s.record.findings, s.record.stretches, s.taught = nil, nil, nil
}

func (s *Sheet) quality() {
	r := &s.record
	s.Quality = []Channel{}
	for i, c := range r.layout.Channels {
		q := Channel{Name: c.Name, Role: c.Role.String(), Frames: len(r.obs), Usable: r.usable[i], Marks: []Mark{}}
		for b, n := range r.quality[i] {
			if n > 0 {
				q.Marks = append(q.Marks, Mark{calib.Quality(1 << b).String(), n})
			}
		}
		for _, w := range r.meta.Sampling {
			if w.Channel == c.Name {
				q.Spacing, q.Jitter, q.Longest = w.SpacingUS, w.JitterUS, w.WorstUS
			}
		}
		s.Quality = append(s.Quality, q)
	}
}
