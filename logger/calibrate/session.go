package calibrate

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"tipoff/calib/certificate"
	"tipoff/calib/uncertainty"
	"tipoff/logger/frame"
)

// Options say what is calibrated, by whom and with what.
type Options struct {
	Channel string
	Role    frame.Role
	// Logarithmic tells that a pressure gauge is calibrated over decades
	// (calibration kinds log-linear and table of bench.toml).
	Logarithmic bool
	Who         string
	Instrument  certificate.Instrument
	Room        float64 // °C; NaN not noted
	Note        string
	// Previous is the certificate to compare with, PreviousLag that of the time
	// constant; nil if there is none.
	Previous, PreviousLag *certificate.Certificate
	// Applied is the certificate by which the readings given to Step have been
	// corrected already; it is undone. nil if they come as they are.
	Applied *certificate.Certificate
	// Kind is the correction to fit; "" chooses by role and number of points.
	Kind certificate.Kind
	// Months until the calibration is due again; 0 means 12.
	Months int
}

// Session is one calibration of one channel. It does no input or output and
// belongs to one goroutine.
type Session struct {
	opt       Options
	proc      Procedure
	used      []string // procedures that gave points
	points    []certificate.Point
	by        []string // procedure of each point or trial
	barometer float64
	settle    settling

	// Of a time constant.
	trials []certificate.Trial
	watch  *stepWatch // nil unless a step is looked at
	curve  *Curve     // of the last step that was taken
}

var errWho = errors.New("who: found nothing; allowed: the name of who calibrates")

// New begins a calibration with the named procedure.
func New(opt Options, procedure string) (*Session, error) {
	if strings.TrimSpace(opt.Who) == "" {
		return nil, errWho
	}
	s := &Session{opt: opt}
	if err := s.Use(procedure); err != nil {
		return nil, err
	}
	s.settle.init(opt.Role)
	return s, nil
}

// Use goes on with another procedure; the points stay.
func (s *Session) Use(procedure string) error {
	p, err := ProcedureNamed(procedure, s.opt.Role)
	if err != nil {
		return err
	}
	if i := s.opt.Instrument; p.Instrument && (strings.TrimSpace(i.Name) == "" || !(i.U(1) > 0)) {
		return fmt.Errorf("procedure %s compares with an instrument: its name and its limits are needed (data sheet or certificate)", p.Name)
	}
	if (len(s.points) > 0 && p.Lag) || (len(s.trials) > 0 && !p.Lag) {
		return errMixed
	}
	s.proc = p
	s.watch = nil
	if p.Name == stepName {
		s.watch = new(stepWatch)
		s.watch.init(s.opt.Role)
	}
	s.settle.reset()
	return nil
}

var errMixed = errors.New("a time constant and points of temperature make two certificates; keep or abandon the present calibration first, then begin the other")

// Procedure is the one in use.
func (s *Session) Procedure() Procedure { return s.proc }

// Options are those of New.
func (s *Session) Options() Options { return s.opt }

// Step takes the reading of the frame at monotonic time at; its raw number was
// read at rawAt. It allocates nothing.
func (s *Session) Step(at time.Duration, r *frame.Reading, rawAt time.Duration) {
	if s.watch != nil {
		s.watch.step(at, r, rawAt)
		return
	}
	v := r.Value
	if s.opt.Applied != nil && v.Good() {
		v.X = s.opt.Applied.Fit.Undo(v.X)
	}
	s.settle.step(at, v, r.Raw)
}

// Restart forgets the readings so far: what comes now belongs to a new setting.
func (s *Session) Restart() {
	s.settle.reset()
	if s.watch != nil {
		s.watch.reset("")
	}
}

// State says what the reading does now.
func (s *Session) State() State {
	switch {
	case s.watch != nil:
		return s.watch.state()
	case s.proc.Recorded:
		st := s.settle.state()
		st.Settled, st.Why = false, "the record of a run is used, not this reading"
		return st
	}
	st := s.settle.state()
	if s.proc.Name == utubeName && st.Last.Good() {
		st.Expect = s.levels(st.Last.X)
	}
	return st
}

// Take makes a point of the settled reading and the answers to the procedure's
// questions, or a trial of the step that was made. The error says why it is not
// taken.
func (s *Session) Take(answers map[string]string) error {
	if s.proc.Recorded {
		return errors.New("a recorded run is read, nothing is taken from the bench")
	}
	if s.watch != nil {
		if st := s.State(); !st.Settled {
			return fmt.Errorf("there is no time constant yet: %s", st.Why)
		}
		t := s.watch.trial()
		if note := strings.TrimSpace(answers["note"]); note != "" {
			t.Note += ", " + note
		}
		curve := s.watch.curve()
		s.watch.reset("")
		if err := s.AddTrial(t); err != nil {
			return err
		}
		s.curve = curve
		return nil
	}
	p, err := s.point(answers)
	if err == nil {
		s.points, s.by = append(s.points, p), append(s.by, s.proc.Name)
		s.settle.reset() // the next point needs a reading of its own
	}
	return err
}

// AddTrial adds a time constant that was found elsewhere, as by [TrialFromRun].
func (s *Session) AddTrial(t certificate.Trial) error {
	if !s.proc.Lag {
		return fmt.Errorf("procedure %s takes points, not time constants", s.proc.Name)
	}
	for _, o := range s.trials {
		if o.Note == t.Note && s.proc.Recorded {
			return fmt.Errorf("%s has been taken already; name another run", t.Note)
		}
	}
	if _, err := certificate.SolveLag([]certificate.Trial{t}); err != nil {
		return err
	}
	s.trials, s.by = append(s.trials, t), append(s.by, s.proc.Name)
	return nil
}

func (s *Session) point(answers map[string]string) (certificate.Point, error) {
	st := s.State()
	if !st.Settled {
		return certificate.Point{}, fmt.Errorf("the reading has not settled: %s", st.Why)
	}
	ref, note, err := s.proc.take(s, answers)
	if err != nil {
		return certificate.Point{}, err
	}
	// Beside the reference: the mean's noise, and a rest of movement that the
	// window hides, as a rectangular distribution over it.
	noise := uncertainty.TypeA(st.Scatter, min(st.Readings/2, independent))
	rest := uncertainty.Rectangular(math.Abs(st.Slope) * st.Window.Seconds() / 2)
	p := certificate.Point{
		Reference: ref.X, Indicated: st.Mean, Note: note,
		U: math.Sqrt(ref.U*ref.U + noise*noise + rest*rest),
	}
	if note = strings.TrimSpace(answers["note"]); note != "" {
		p.Note += ", " + note
	}
	return p, nil
}

// independent is how many readings of a window count as independent: filters
// and slow noise make neighbours alike.
const independent = 10

// Undo drops the last point or trial and tells whether there was one.
func (s *Session) Undo() bool {
	n := len(s.by)
	if n == 0 {
		return false
	}
	last := s.by[n-1]
	s.by = s.by[:n-1]
	if s.proc.Lag {
		s.trials = s.trials[:n-1]
		if last == stepName {
			s.curve = nil
		}
	} else {
		s.points = s.points[:n-1]
	}
	return true
}

// Points and Trials are what has been taken so far; a session has one or the
// other.
func (s *Session) Points() []certificate.Point { return s.points }

// Trials are the time constants.
func (s *Session) Trials() []certificate.Trial { return s.trials }

// Taken is how many points or trials there are.
func (s *Session) Taken() int { return len(s.by) }

// Before is the certificate that the result is compared with; nil: none.
func (s *Session) Before() *certificate.Certificate {
	if s.proc.Lag {
		return s.opt.PreviousLag
	}
	return s.opt.Previous
}

// Kind is the correction that the points would be fitted with.
func (s *Session) Kind() certificate.Kind {
	if s.opt.Kind != "" {
		return s.opt.Kind
	}
	return kindFor(s.opt.Role, s.opt.Logarithmic, len(s.points))
}

// Result fits the points and makes the certificate as of now. The error says
// why the points make none and what to do.
func (s *Session) Result(now time.Time) (certificate.Certificate, error) {
	var fit certificate.Fit
	var tau certificate.Lag
	var err error
	drift := driftOf(s.opt.Role)
	if s.proc.Lag {
		// A tie differs from the next more than it ages.
		fit, drift = certificate.LagFit(), 0
		tau, err = certificate.SolveLag(s.trials)
	} else {
		fit, err = certificate.Solve(s.points, s.Kind())
	}
	if err != nil {
		return certificate.Certificate{}, err
	}
	months := s.opt.Months
	if months == 0 {
		months = 12
	}
	s.used = s.used[:0]
	for _, p := range s.by {
		if len(s.used) == 0 || s.used[len(s.used)-1] != p {
			s.used = append(s.used, p)
		}
	}
	c := certificate.Certificate{
		Channel: s.opt.Channel, Role: s.opt.Role.String(), Procedure: strings.Join(s.used, ", "),
		Date: now.Truncate(time.Second), Due: now.AddDate(0, months, 0).Truncate(time.Second),
		Who: s.opt.Who, Instrument: s.opt.Instrument, Barometer: s.barometer, Room: s.opt.Room,
		Points: append([]certificate.Point(nil), s.points...), Fit: fit, Note: s.opt.Note,
		Drift: drift, Trials: append([]certificate.Trial(nil), s.trials...), Lag: tau,
	}
	c.Compare(s.Before())
	return c, c.Check()
}

// driftOf is how far a channel may wander in a year: common practice, not
// measured. Type K wire heated daily, gauges that see mercury and oil, and a
// passive transformer.
func driftOf(r frame.Role) float64 {
	switch r {
	case frame.Pressure:
		return 0.02
	case frame.Current:
		return 0.005
	}
	return 1 // K
}
