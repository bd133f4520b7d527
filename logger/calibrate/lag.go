package calibrate

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"tipoff/calib"
	"tipoff/calib/certificate"
	"tipoff/calib/lag"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
)

// The procedures that find a time constant. One looks on while the junction is
// brought to another temperature; the other needs no device, only a record.
const (
	stepName = "step"
	runName  = "run"
)

func lagProcedures() []Procedure {
	seated := []frame.Role{frame.Glass, frame.Shell}
	return []Procedure{
		{Name: stepName, Roles: seated, Title: "Time constant from a step of temperature", Lag: true, Repeats: true,
			Steps: []string{
				"With the bombarder off and locked out, close one end of a short piece of the same tubing with a stopper, stand it up and fill it with water that has just boiled. Wait half a minute, so that its glass is evenly warm.",
				"Meanwhile hold the junction in the room's air, with the pad and clip or tie that are used on a job, until the reading has settled.",
				"When told to, put it on the warm glass in one move, fastened as on a job, and keep it still until told that it is done.",
			},
		},
		{Name: runName, Roles: seated, Title: "Time constant from a recorded run", Lag: true, Repeats: true, Recorded: true,
			Steps: []string{"Name a run in which the arc was struck or put out with 12 s of steady current, or none, before and 15 s after it."},
			Asks:  []Ask{{"run", "The run: its ID, its unique beginning, or \"last\"", "last"}}},
	}
}

// Limits of a step that is looked at.
const (
	restWindow = 10 * time.Second
	leastStep  = 10.0             // K, as lag.FromStep asks for
	begunAt    = 2.0              // K from rest, where the step has begun
	calmWindow = 6 * time.Second  // over which the end must be at rest
	calmFor    = 4 * time.Second  // how long it must stay so
	calmPart   = 0.01             // of the step, by which it may still move in that time
	before     = 20               // readings that are kept from before the step
	mostKept   = 2000             // readings
	mostTime   = 90 * time.Second // after which a step that has not ended is given up
	repeats    = 0.5              // K between readings, from which on none repeats
	// aged is how much of the time between two readings is not known of a reading's
	// age, as a standard uncertainty: a chip converts when it likes, and the age of
	// what is read from it wanders against the bus.
	aged   = 0.15
	fitted = 240 // readings that are fitted, of those that were kept
)

type stage uint8

const (
	resting stage = iota
	ready
	stepping
)

// stepWatch looks on while the junction goes from one temperature to another.
//
// Whether it is at rest is told by the channel's values. The time constant is
// fitted to the raw numbers, each at the time at which it was read: the filter
// for wild readings tells the begin of a step a reading late, and a frame is the
// mean of what came in it. Only the shape counts, so the raw numbers' unit does
// not matter; their levels before and after the step are those of the values.
type stepWatch struct {
	settle  settling // before the step, and of its end
	stage   stage
	rest    float64       // °C
	samples []lag.Sample  // raw numbers
	every   time.Duration // readings that come closer are left out
	why     string        // why the last attempt came to nothing

	done    time.Duration // of the last sample when tau was computed
	shape   []lag.Sample  // what it was computed from, in °C
	tau, u  float64
	err     error
	settled bool
}

func (w *stepWatch) init(r frame.Role) {
	w.settle.init(r)
	w.settle.window, w.settle.moveAbs, w.settle.scatterAbs = restWindow, 0.3, 0.4
	w.samples = make([]lag.Sample, 0, mostKept)
	w.every = mostTime / (mostKept - before)
	w.reset("")
}

func (w *stepWatch) reset(why string) {
	w.settle.window, w.settle.moveAbs = restWindow, 0.3
	w.settle.reset()
	w.stage, w.samples, w.why, w.done, w.settled, w.err = resting, w.samples[:0], why, 0, false, nil
	w.shape = nil
}

// step takes one reading of the junction, before any correction for its lag, and
// when its raw number was read. A value that is only held, with no sample of its
// own, tells nothing of a step.
func (w *stepWatch) step(at time.Duration, r *frame.Reading, rawAt time.Duration) {
	v, raw := r.Indicated, r.Raw
	if v.Good() && r.Samples == 0 && raw != raw {
		return
	}
	if !v.Good() || math.IsInf(v.X, 0) || v.Q&calib.Clipped != 0 {
		if w.stage == stepping {
			w.reset("the reading was lost in the step (" + v.Q.String() + "); let it rest and make it again")
		}
		w.settle.step(at, v, raw)
		return
	}
	n := len(w.samples)
	if n > 0 && w.stage == stepping && rawAt-w.samples[n-1].At > gap {
		w.reset("readings were missing in the step; let it rest and make it again")
		n = 0
	}
	if r.Samples > 0 {
		w.settle.step(at, v, raw)
	}
	fresh := raw == raw && !math.IsInf(raw, 0) && (n == 0 || rawAt-w.samples[n-1].At >= w.every)
	switch w.stage {
	case resting, ready:
		if fresh {
			if n == before {
				copy(w.samples, w.samples[1:])
				w.samples = w.samples[:n-1]
			}
			w.samples = append(w.samples, lag.Sample{At: rawAt, T: raw})
		}
		settled, mean, _, scatter, _ := w.settle.judge()
		if settled {
			w.stage, w.rest = ready, mean
			return
		}
		if w.stage != ready {
			return
		}
		if d := math.Abs(v.X - w.rest); d > begunAt+5*math.Min(scatter, 0.4) {
			w.stage = stepping
			// A slow chip needs longer to tell that it is at rest.
			w.settle.window = max(calmWindow, (least+1)*(rawAt-w.samples[0].At)/time.Duration(len(w.samples)))
		}
	case stepping:
		if n == cap(w.samples) || n > 0 && rawAt-w.samples[0].At > mostTime {
			w.reset(fmt.Sprintf("the reading did not come to rest within %.0f s; let it rest and make the step again, into something that keeps its temperature", mostTime.Seconds()))
			return
		}
		if fresh {
			w.samples = append(w.samples, lag.Sample{At: rawAt, T: raw})
		}
		w.settle.moveAbs = math.Max(0.2, calmPart*math.Abs(v.X-w.rest))
	}
}

// solve finds the time constant of what was read so far, once a second at most.
func (w *stepWatch) solve() {
	n := len(w.samples)
	if w.stage != stepping || n == 0 || w.done > 0 && w.samples[n-1].At-w.done < time.Second {
		return
	}
	last := w.samples[n-1].At
	w.done, w.settled = last, false
	// Where a reading turns from rising to falling it is calm for a moment only.
	if since := w.settle.since; since < 0 || last-since < calmFor {
		return
	}
	if step := w.settle.last.X - w.rest; math.Abs(step) < leastStep {
		w.reset(fmt.Sprintf("the step was only %.1f K, at least %.0f K are needed; let it rest and make a larger one", step, leastStep))
		return
	}
	w.shape = w.celsius()
	w.tau, w.u, w.err = lag.FromStep(w.shape)
	w.u = math.Hypot(w.u, aged*(last-w.samples[0].At).Seconds()/float64(n))
	w.settled = w.err == nil
	if w.err != nil && !errors.Is(w.err, lag.ErrUnsettled) {
		w.reset(w.err.Error() + "; let it rest and make it again")
	}
}

// celsius is the step in °C, without single wild numbers and without such that
// repeat the one before in the middle of the step: the chip had no newer one. The
// middle one of three neighbours is the number itself wherever the curve only
// rises or only falls.
func (w *stepWatch) celsius() []lag.Sample {
	n := len(w.samples)
	out := make([]lag.Sample, n)
	copy(out, w.samples)
	for i := 1; i < n-1; i++ {
		a, b, c := w.samples[i-1].T, w.samples[i].T, w.samples[i+1].T
		out[i].T = max(min(a, b), min(max(a, b), c))
	}
	level := func(s []lag.Sample) float64 {
		x := make([]float64, len(s))
		for i := range s {
			x[i] = s[i].T
		}
		slices.Sort(x)
		return x[len(x)/2]
	}
	// The levels before and after: the oldest half of what was kept from before the
	// step, and the newer half of the window that is at rest.
	from := n - 1
	for from > 0 && out[n-1].At-out[from].At < calmWindow/2 {
		from--
	}
	low, high := level(out[:min(before/2, n)]), level(out[from:])
	_, end, _, _, _ := w.settle.judge()
	scale := (end - w.rest) / (high - low)
	for i := range out {
		out[i].T = w.rest + scale*(out[i].T-low)
	}
	moving := out[:0]
	for i := range out {
		if i > 0 && i < n-1 && len(moving) > 0 && out[i].T == moving[len(moving)-1].T && math.Abs(out[i+1].T-out[i].T) > repeats {
			continue
		}
		moving = append(moving, out[i])
	}
	return thin(moving)
}

// thin leaves about fitted readings, evenly.
func thin(s []lag.Sample) []lag.Sample {
	every := (len(s) + fitted - 1) / fitted
	if every < 2 {
		return s
	}
	out := make([]lag.Sample, 0, fitted+1)
	for i := 0; i < len(s); i += every {
		out = append(out, s[i])
	}
	return out
}

// state says what the step does now.
func (w *stepWatch) state() State {
	w.solve()
	st := w.settle.state()
	st.Settled = w.settled
	switch w.stage {
	case resting:
		st.Why = "at rest first: " + st.Why
		if w.why != "" {
			st.Why = w.why + " (" + st.Why + ")"
		}
	case ready:
		st.Ready = true
		st.Why = fmt.Sprintf("at rest at %.1f °C; make the step now", w.rest)
	case stepping:
		step := w.settle.last.X - w.rest
		if w.settled {
			st.Why = fmt.Sprintf("step of %+.1f K, time constant %.2f s ± %.2f s (k=2)", step, w.tau, 2*w.u)
		} else {
			st.Why = fmt.Sprintf("the step is under way, %+.1f K so far; hold it still", step)
		}
	}
	return st
}

// trial is what the step gave.
func (w *stepWatch) trial() certificate.Trial {
	return certificate.Trial{Tau: w.tau, U: w.u,
		Note: fmt.Sprintf("step of %+.1f K from %.1f °C", w.settle.last.X-w.rest, w.rest)}
}

// curve is the step as read and as the time constant has it.
func (w *stepWatch) curve() *Curve {
	s := w.shape
	c := &Curve{Tau: w.tau}
	// The fit begins where a tenth of the step is done, as in lag.FromStep.
	end := s[len(s)-1].T
	from := 0
	for i := range s {
		if math.Abs(s[i].T-w.rest) < 0.1*math.Abs(end-w.rest) {
			from = i + 1
		}
	}
	from = min(from, len(s)-1)
	// End and step follow by least squares for the tau that was found.
	var n, se, sy, see, sey float64
	for _, x := range s[from:] {
		e := math.Exp(-(x.At - s[from].At).Seconds() / w.tau)
		n, se, sy, see, sey = n+1, se+e, sy+x.T, see+e*e, sey+e*x.T
	}
	b := (n*sey - se*sy) / (n*see - se*se)
	a := (sy - b*se) / n
	for i, x := range s {
		t := (x.At - s[from].At).Seconds()
		c.T, c.Read = append(c.T, t), append(c.Read, x.T)
		m := math.NaN()
		if i >= from {
			m = a + b*math.Exp(-t/w.tau)
		}
		c.Model = append(c.Model, m)
	}
	return c
}

// Curve is the last step for a picture: seconds, °C as read, and °C by the time
// constant (NaN before the fit begins).
type Curve struct {
	T, Read, Model []float64
	Tau            float64 // s, of the model
}

// TrialFromRun finds a time constant in the record of a run in folder dir.
// channel is the thermocouple's name.
func TrialFromRun(dir, channel string) (certificate.Trial, []lag.Transition, error) {
	samples, id, err := runSamples(dir, channel)
	if err != nil {
		return certificate.Trial{}, nil, err
	}
	tau, u, each, err := lag.FromRun(samples)
	if err != nil {
		return certificate.Trial{}, each, fmt.Errorf("run %s: %w; take a run with steady current around the switching, or make a step", id, err)
	}
	return certificate.Trial{Tau: tau, U: u, Note: fmt.Sprintf("run %s, %d switchings of the arc", id, len(each))}, each, nil
}

// runSamples reads the junction's temperature and the current of a run.
func runSamples(dir, channel string) (out []lag.RunSample, id string, err error) {
	r, err := journal.Open(dir)
	if err != nil {
		return nil, "", fmt.Errorf("reading the run: %w", err)
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	l := r.Layout()
	at := -1
	var names []string
	for i, c := range l.Channels {
		if c.Name == channel {
			at = i
		}
		if c.Role == frame.Glass || c.Role == frame.Shell {
			names = append(names, c.Name)
		}
	}
	id = r.Meta().ID
	if at < 0 {
		return nil, id, fmt.Errorf("run %s: no channel %q; allowed: %s", id, channel, strings.Join(names, ", "))
	}
	if l.Index(frame.Current) < 0 {
		return nil, id, fmt.Errorf("run %s: no current was recorded, so when the arc was switched is not known; make a step instead", id)
	}
	var rec journal.Record
	for {
		if err := r.Next(&rec); errors.Is(err, io.EOF) {
			return out, id, nil
		} else if err != nil {
			return nil, id, fmt.Errorf("reading run %s: %w", id, err)
		}
		f := &rec.Frame
		if !rec.IsFrame || len(out) > 0 && f.At <= out[len(out)-1].At {
			continue
		}
		s := lag.RunSample{At: f.At, Junction: math.NaN(), Current: math.NaN()}
		if v := f.Readings[at].Indicated; v.Good() {
			s.Junction = v.X
		}
		if v := f.Of(l, frame.Current); v.Good() {
			s.Current = v.X
		}
		out = append(out, s)
	}
}
