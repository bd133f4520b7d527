package learn

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/model"
	"tipoff/logger/phase"
	"tipoff/logger/plan"
	"tipoff/logger/tube"
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
}

// parts is into how many parts of equal time a phase is cut for a track.
const parts = 20

// Of draws from a run what it teaches.
func Of(r *Record) *Taught {
	t := &Taught{Run: r.Run, Tube: r.Card.Name, LagCorrected: r.LagCorrected, ShellSensor: r.Shells != nil, RMS: math.NaN(),
		Family: FamilyOf(r.Card)}
	fit, res := model.Fit([]model.Series{seriesOf(r)}, reference(r.LagCorrected))
	if res[0].Used {
		fit.Runs = nil
		t.Fit, t.RMS = &fit, res[0].RMS
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
	return run
}

// reference is what each run's fit begins from: the handbook's alone, so that
// runs of one bench can be put together whatever its owner says of it.
func reference(lagCorrected bool) model.Params {
	return model.Handbook(model.Bench{LagCorrected: lagCorrected})
}

// The pressures between which the fall of a pump-down is read, Pa: above, the
// stopcock is still being opened; below, tube and manifold part and what walls
// and oil give back begins to count.
const (
	fallFrom = 2666.0 // 20 Torr
	fallTo   = 40.0   // 0.3 Torr
	// fallFor is the shortest time over which the steepest fall is taken, s.
	fallFor = 1.5
)

// pump reads the steepest steady fall of the first pump-down, in which the gas is
// cold. A hand takes some seconds to open the stopcock, so an average would tell
// of the hand.
func (t *Taught) pump(r *Record) {
	v := envelope.Volume(r.Card)
	i := slices.IndexFunc(r.Phases, func(g phase.Segment) bool { return g.Phase == phase.Evacuate })
	if !(v > 0) || i < 0 {
		return
	}
	g := &r.Phases[i]
	var in []phase.Observation
	for _, o := range r.Observations {
		if o.At >= g.From && o.At < g.To && o.Pressure <= fallFrom {
			if o.Pressure < fallTo {
				break
			}
			in = append(in, o)
		}
	}
	best, points, k := 0.0, 0, 0
	for j := range in {
		for k+1 < j && (in[j].At-in[k+1].At).Seconds() >= fallFor {
			k++
		}
		dt := (in[j].At - in[k].At).Seconds()
		if dt < fallFor || dt > 2*fallFor {
			continue
		}
		if f := math.Log(in[k].Pressure/in[j].Pressure) / dt; f > best {
			best, points = f, j-k
		}
	}
	if best > 0.02 && points >= 3 {
		// Both ends read to about one per cent.
		t.Pump = &Pump{Rate: best, U: math.Sqrt2 * 0.01 / fallFor, Volume: v}
	}
}

const (
	// steadily is for how long the arc has to burn for its pressure to count as held.
	steadily = 3 * time.Second
	// again is how soon an arc that went out by itself is struck again.
	again = time.Minute
	// lower is by how much less air an operator strikes an arc again that could not hold.
	lower = 0.97
)

// holds finds the pressures at which the arc held and went out by itself: in the
// middle of a bombard, and was then struck again at less air.
func (t *Taught) holds(r *Record) {
	length := r.Card.Length
	if !(length > 0) {
		return
	}
	cursor := phase.NewCursor(r.Phases)
	var on []phase.Observation // of the arc that burns, the last few seconds
	var lit time.Duration      // since when; 0: dark
	var out, outAt = math.NaN(), time.Duration(0)
	for _, o := range r.Observations {
		switch cursor.At(o.At) {
		case phase.Dry, phase.Bombard, phase.Shells:
		default:
			on, lit, out = on[:0], 0, math.NaN()
			continue
		}
		burns := o.Current > envelope.ArcCurrent
		switch {
		case o.Current != o.Current || o.Pressure != o.Pressure:
		case burns && lit == 0:
			if out == out && o.At-outAt < again && o.Pressure < lower*out {
				t.Lost = append(t.Lost, out*length)
			}
			out = math.NaN()
			on, lit = append(on[:0], o), max(o.At, 1)
		case burns:
			on = append(on, o)
			for o.At-on[0].At > steadily {
				on = on[1:]
			}
			if o.At-lit >= steadily {
				least := math.Inf(1)
				for i := range on {
					least = min(least, on[i].Pressure)
				}
				t.Held = max(t.Held, least*length)
			}
		case lit != 0:
			out, outAt, lit = on[len(on)-1].Pressure, o.At, 0
			on = on[:0]
		}
	}
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
				(*to)[i] = sums[i][q] / float64(n[i][q]) // 0/0 is NaN: no reading
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

// Read draws from the recorded run in dir what it teaches, from its frames.
func Read(dir string) (*Taught, error) {
	r := &Record{Room: math.NaN()}
	j, err := journal.OpenThinned(dir, thinTo)
	if err != nil {
		return nil, fmt.Errorf("learning from %s: %w", dir, err)
	}
	defer j.Close()
	m, l := j.Meta(), j.Layout()
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
	shell := l.Index(frame.Shell) >= 0
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
		f := &rec.Frame
		r.Observations = append(r.Observations, phase.Observe(l, f))
		if v := f.Of(l, frame.Ambient); v.Good() {
			r.Room = v.X
		}
		if shell {
			x := math.NaN()
			if v := f.Of(l, frame.Shell); v.Good() {
				x = v.X
			}
			r.Shells = append(r.Shells, x)
		}
	}
	if len(r.Observations) == 0 {
		return nil, errors.New("it holds no readings")
	}
	r.Phases = phase.Smooth(r.Observations, phase.Options{})
	return Of(r), nil
}
