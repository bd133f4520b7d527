package learn

import (
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/model"
	"tipoff/logger/observation"
	"tipoff/logger/phase"
	"tipoff/logger/plan"
	"tipoff/logger/tube"
	"tipoff/logger/vacuum"
)

// Record is what of a run is learned from.
type Record struct {
	Run          string
	Card         tube.Card
	Tables       *envelope.Tables // the bench's own; nil: the program's
	LagCorrected bool
	Room         float64 // °C; NaN: not measured
	Observations []phase.Observation
	Shells       []float64 // °C, one for each observation; nil if no sensor is on a shell
	Phases       []phase.Segment
	Marks        Marks
}

// Marks is what people wrote down of a run that teaches something.
type Marks struct {
	Glow []time.Duration // when the shells were first seen to glow, as the observations' At
	Good bool            // it is marked as good, and of its tube no fault was seen
	// Before are the folders, beside the run's, of its earlier parts if it was broken off.
	Before []string
}

// MarksIn reads them for the run in folder dir, of all its parts.
func MarksIn(dir string) (Marks, error) {
	parts, _, err := journal.Parts(dir)
	if err != nil {
		return Marks{}, err
	}
	var m Marks
	var all []observation.Observation
	runs := journal.RunsOf(dir)
	for _, p := range parts {
		if p.Dir != dir {
			name, err := filepath.Rel(runs, p.Dir)
			if err != nil {
				return Marks{}, err
			}
			m.Before = append(m.Before, name)
		}
		list, err := observation.Load(p.Dir)
		if err != nil {
			return Marks{}, err
		}
		all = append(all, list...)
		for i := range list {
			if o := &list[i]; o.Stands() && o.Kind == observation.Glow {
				m.Glow = append(m.Glow, p.Shift+p.Meta.Started.Mono()+time.Duration(o.Into*float64(time.Second)))
			}
		}
	}
	m.Good = faultless(all)
	return m, nil
}

// parts is into how many parts of equal time a phase is cut for a track.
const parts = 20

// Of draws from a run what it teaches.
func Of(r *Record) *Taught {
	t := &Taught{Run: r.Run, Tube: r.Card.Name, LagCorrected: r.LagCorrected, ShellSensor: r.Shells != nil, Glows: len(r.Marks.Glow), Before: r.Marks.Before, RMS: math.NaN(),
		Family: FamilyOf(r.Card), Volume: orNone(envelope.Volume(r.Card)), Length: orNone(r.Card.Length), Bore: orNone(r.Card.Bore)}
	series := seriesOf(r)
	fit, res := model.Fit([]model.Series{series}, reference(r.LagCorrected))
	if res[0].Used {
		fit.Runs = nil
		t.Fit, t.RMS = &fit, res[0].RMS
		t.Jumps = model.Jumps(&series, &fit)
	} else {
		t.Why = res[0].Why
	}
	t.pump(r)
	t.holds(r)
	t.track(r)
	return t
}

// seriesOf is the run as the fit takes it.
func seriesOf(r *Record) model.Series {
	run := plan.Series(r.Run, r.Card, r.Tables, r.Room, r.Observations, r.Phases)
	for i, s := range r.Shells {
		run.Samples[i].Shell = s
	}
	for _, at := range r.Marks.Glow {
		run.Shells.Glow = append(run.Shells.Glow, at.Seconds())
	}
	run.Shells.Done = r.Marks.Good
	return run
}

// reference is what each run's fit begins from: the handbook's alone, so that
// runs of one bench can be put together whatever its owner says of it.
func reference(lagCorrected bool) model.Params {
	return model.Handbook(model.Bench{LagCorrected: lagCorrected})
}

// orNone is 0 where a measure is not known.
func orNone(x float64) float64 {
	if x > 0 {
		return x
	}
	return 0
}

// The pressures between which the fall of a pump-down is read, Pa: above, gauges for
// bombarding are at their end; below, what walls and oil give back counts.
const (
	fallFrom = 2666.0 // 20 Torr
	fallTo   = 40.0   // 0.3 Torr
	// fallMost is for how long the fall is followed: it takes a minute, and what does not
	// come down to fallTo shows a leak or wet walls and no longer the pump.
	fallMost = 5 * time.Minute
)

// pump reads the fall of the first pump-down, in which the gas is cold.
func (t *Taught) pump(r *Record) {
	i := slices.IndexFunc(r.Phases, func(g phase.Segment) bool { return g.Phase == phase.Evacuate })
	if t.Volume == 0 || i < 0 {
		return
	}
	g := &r.Phases[i]
	var in []vacuum.Point
	next, first := g.From, g.From
	for _, o := range r.Observations {
		if o.At < next || o.At >= g.To || !(o.Pressure <= fallFrom) {
			continue
		}
		if len(in) == 0 {
			first = o.At
		}
		if o.Pressure < fallTo || o.At-first > fallMost {
			break
		}
		next = o.At + thinTo
		in = append(in, vacuum.Point{T: (o.At - g.From).Seconds(), P: o.Pressure})
	}
	if n := len(in); n == 0 || in[n-1].P > in[0].P/2 {
		return
	}
	d, err := vacuum.FitDrawn(in, t.Volume, volumes[:])
	if err != nil {
		return // too few readings: it says nothing
	}
	t.Pump = (*Pump)(d)
}

const (
	// steadily is for how long the arc has to burn for its pressure to count as held.
	steadily = 3 * time.Second
	// settled is how long hot gas takes to cool, and a current to be read as none.
	settled = time.Second
	// again is how soon an arc that went out by itself is struck again.
	again = time.Minute
	// lower is by how much less air an operator strikes an arc again that could not hold.
	lower = 0.97
	// pumpedOut is with how much of its air a tube has been pumped out.
	pumpedOut = 0.3
)

// holds finds the pressures at which the arc held and went out by itself: in the
// middle of a bombard, and was then struck again at less air.
func (t *Taught) holds(r *Record) {
	if t.Volume == 0 {
		return
	}
	cursor := phase.NewCursor(r.Phases)
	var on []phase.Observation // of the arc that burns, the last few seconds
	var lit time.Duration      // since when; 0: dark
	var out lostArc
	for _, o := range r.Observations {
		switch cursor.At(o.At) {
		case phase.Dry, phase.Bombard, phase.Shells:
		case phase.PumpOut, phase.AdmitAir: // so it looks as well when some of the air is drawn off
		default:
			on, lit, out = on[:0], 0, lostArc{}
			continue
		}
		burns := o.Current > envelope.ArcCurrent
		switch {
		case o.Current != o.Current || o.Pressure != o.Pressure:
		case burns && lit == 0:
			if out.again(o.At) {
				t.Lost = append(t.Lost, out.arc)
			}
			out = lostArc{}
			on, lit = append(on[:0], o), max(o.At, 1)
		case burns:
			on = append(on, o)
			for o.At-on[0].At > steadily {
				on = on[1:]
			}
			if o.At-lit >= steadily {
				least := Burning{on[0].Pressure, on[0].Current}
				for i := range on {
					if on[i].Pressure < least.Pressure {
						least = Burning{on[i].Pressure, on[i].Current}
					}
				}
				if least.Pressure > t.Held.Pressure {
					t.Held = least
				}
			}
		case lit != 0:
			// One that has not burnt before was struck, not lost.
			was := o.At-lit >= steadily
			out, lit = lostArc{at: o.At}, 0
			// The current's reading lags, and the gas is cold at once.
			most := 0.0
			for _, b := range on {
				most = max(most, b.Current)
			}
			for _, b := range on {
				if was && o.At-b.At <= settled && b.Pressure > out.arc.Pressure {
					out.arc = Burning{b.Pressure, most}
				}
			}
			on = on[:0]
		default:
			out.dark(&o)
		}
	}
}

// lostArc is an arc that went out, and the pressure since: as soon as the hot gas
// has cooled, and last.
type lostArc struct {
	at              time.Duration
	arc             Burning // as it went out; zero: none did
	cold, coldLater float64
}

func (l *lostArc) dark(o *phase.Observation) {
	if o.At-l.at < settled {
		return
	}
	if l.cold == 0 {
		l.cold = o.Pressure
	}
	if l.coldLater = o.Pressure; l.coldLater < pumpedOut*l.cold {
		*l = lostArc{} // that was the end of the bombard
	}
}

// again tells whether an arc that is struck now is the one that went out: soon, and
// with less air.
func (l *lostArc) again(at time.Duration) bool {
	return l.arc.Pressure > 0 && at-l.at < again && l.coldLater < lower*l.cold
}

// track cuts each stretch of a phase into parts of equal time.
func (t *Taught) track(r *Record) {
	var count [phase.Count]int
	k := 0
	for _, g := range r.Phases {
		if g.Phase == phase.Idle || int(g.Phase) >= phase.Count || g.To <= g.From {
			continue
		}
		count[g.Phase]++
		tr := Track{Phase: g.Phase, Nth: count[g.Phase], Seconds: (g.To - g.From).Seconds()}
		var sums [parts][3]float64
		var n [parts][3]int
		for k < len(r.Observations) && r.Observations[k].At < g.From {
			k++
		}
		for ; k < len(r.Observations) && r.Observations[k].At < g.To; k++ {
			o := &r.Observations[k]
			i := min(parts-1, int(parts*float64(o.At-g.From)/float64(g.To-g.From)))
			for q, x := range [3]float64{o.Pressure, o.Glass, o.Current} {
				if x == x {
					sums[i][q] += x
					n[i][q]++
				}
			}
		}
		for q, to := range []*[]float64{&tr.Pressure, &tr.Glass, &tr.Current} {
			*to = make([]float64, parts)
			for i := range parts {
				(*to)[i] = digits(sums[i][q] / float64(n[i][q])) // 0/0 is NaN: no reading
			}
		}
		t.Tracks = append(t.Tracks, tr)
	}
}

// thinTo is how far apart frames are read when a run is learned from its
// record, s: twice a second is what the fit can use.
const thinTo = 500 * time.Millisecond

// errNoCard: without measures of the tube nothing can be learned.
var errNoCard = errors.New("it has no tube card")

// Read draws from the recorded run in dir what it teaches, from its frames; of a run
// that was broken off from those of all its parts.
func Read(dir string) (*Taught, error) {
	r := &Record{Room: math.NaN()}
	j, err := journal.OpenJoined(dir, thinTo)
	if err != nil {
		return nil, fmt.Errorf("learning from %s: %w", dir, err)
	}
	defer j.Close()
	m := j.Meta()
	r.Run, r.LagCorrected, r.Tables = m.ID, plan.LagCorrected(m), envelope.TablesIn(m.Bench)
	if m.Kind != "" {
		return nil, fmt.Errorf("it is a run of another kind: %s", m.Kind)
	}
	if strings.TrimSpace(m.Card) == "" {
		return nil, errNoCard
	}
	if r.Card, err = tube.Parse("card", []byte(m.Card)); err != nil {
		return nil, fmt.Errorf("its tube card cannot be read: %w", err)
	}
	if r.Marks, err = MarksIn(dir); err != nil {
		return nil, err
	}
	shell := slices.ContainsFunc(m.Layout.Channels, func(c journal.Channel) bool { return c.Role == frame.Shell.String() })
	var rec journal.Record
	for {
		if err := j.Next(&rec); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, fmt.Errorf("learning from %s: %w", dir, err)
		}
		if !rec.IsFrame {
			continue
		}
		f, l := &rec.Frame, j.Layout()
		r.Observations = append(r.Observations, phase.Observe(l, f))
		if x := f.Usable(l, frame.Ambient); x == x {
			r.Room = x
		}
		if shell {
			r.Shells = append(r.Shells, f.Usable(l, frame.Shell))
		}
	}
	if len(r.Observations) == 0 {
		return nil, errors.New("it holds no readings")
	}
	r.Phases = phase.Smooth(r.Observations, phase.Options{})
	return Of(r), nil
}
