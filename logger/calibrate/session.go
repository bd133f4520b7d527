package calibrate

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"tipoff/calib"
	"tipoff/calib/certificate"
	"tipoff/calib/uncertainty"
	"tipoff/calib/unit"
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
	// Previous is the certificate to compare with; nil if there is none.
	Previous *certificate.Certificate
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
	by        []string // procedure of each point
	barometer float64
	settle    settling
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
	s.proc = p
	s.settle.reset()
	return nil
}

// Procedure is the one in use.
func (s *Session) Procedure() Procedure { return s.proc }

// Options are those of New.
func (s *Session) Options() Options { return s.opt }

// Step takes one reading: monotonic time, value, raw number. It allocates
// nothing.
func (s *Session) Step(at time.Duration, v calib.Value, raw float64) {
	if s.opt.Applied != nil && v.Good() {
		v.X = s.opt.Applied.Fit.Undo(v.X)
	}
	s.settle.step(at, v, raw)
}

// Restart forgets the readings so far: what comes now belongs to a new setting.
func (s *Session) Restart() { s.settle.reset() }

// State says what the reading does now.
func (s *Session) State() State { return s.settle.state() }

// Take makes a point of the settled reading and the answers to the procedure's
// questions. The error says why it is not taken.
func (s *Session) Take(answers map[string]string) (certificate.Point, error) {
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
	s.points, s.by = append(s.points, p), append(s.by, s.proc.Name)
	s.settle.reset() // the next point needs a reading of its own
	return p, nil
}

// independent is how many readings of a window count as independent: filters
// and slow noise make neighbours alike.
const independent = 10

// Undo drops the last point and tells whether there was one.
func (s *Session) Undo() bool {
	n := len(s.points)
	if n == 0 {
		return false
	}
	s.points, s.by = s.points[:n-1], s.by[:n-1]
	return true
}

// Points are the points taken so far.
func (s *Session) Points() []certificate.Point { return s.points }

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
	fit, err := certificate.Solve(s.points, s.Kind())
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
		Drift: driftOf(s.opt.Role),
	}
	c.Compare(s.opt.Previous)
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

// State is what the reading does.
type State struct {
	Settled  bool
	Why      string // why not settled, or since when it is
	Last     calib.Value
	Raw      float64 // NaN if none
	Mean     float64 // of the newer half of the window
	Scatter  float64 // standard deviation about the straight line
	Slope    float64 // per second
	Readings int
	Window   time.Duration
	unit     unit.Dimension
}

// settling watches a window of readings.
type settling struct {
	role     frame.Role
	window   time.Duration
	at       [1024]time.Duration
	x        [1024]float64
	start, n int
	last     calib.Value
	raw      float64
	since    time.Duration // settled since; -1 not
	// Limits: absolute + fraction of the mean. move is over the window.
	moveAbs, moveFraction       float64
	scatterAbs, scatterFraction float64
}

// init sets the window and limits. They are common practice: short against what
// can be held (the arc burns through its choke for seconds, not minutes), long
// against the sensor's lag.
func (s *settling) init(r frame.Role) {
	s.role = r
	s.last = noReading
	s.raw = math.NaN()
	switch r {
	case frame.Pressure:
		s.window = 15 * time.Second
		s.moveAbs, s.moveFraction = 0.3, 0.01
		s.scatterAbs, s.scatterFraction = 0.5, 0.02
	case frame.Current:
		s.window = 4 * time.Second
		s.moveAbs, s.moveFraction = 1e-3, 0.01
		s.scatterAbs, s.scatterFraction = 2e-3, 0.03
	default:
		s.window = 30 * time.Second
		s.moveAbs, s.scatterAbs = 0.2, 0.5
	}
	s.reset()
}

func (s *settling) reset() { s.start, s.n, s.since = 0, 0, -1 }

// gap is the longest pause between readings that a window bridges.
const gap = 2 * time.Second

func (s *settling) step(at time.Duration, v calib.Value, raw float64) {
	s.last, s.raw = v, raw
	if !v.Good() || math.IsInf(v.X, 0) || v.Q&(calib.Clipped|calib.Spike) != 0 {
		s.reset()
		return
	}
	if s.n > 0 {
		before := s.at[(s.start+s.n-1)%len(s.at)]
		switch {
		case at < before || at-before > gap:
			s.reset()
		case at-before < s.window/time.Duration(len(s.at)-24):
			return // more readings than the window holds; these tell nothing new
		}
	}
	if s.n == len(s.at) {
		s.start, s.n = (s.start+1)%len(s.at), s.n-1
	}
	i := (s.start + s.n) % len(s.at)
	s.at[i], s.x[i] = at, v.X
	s.n++
	for s.n > 0 && at-s.at[s.start] > s.window {
		s.start, s.n = (s.start+1)%len(s.at), s.n-1
	}
	if settled, _, _, _, _ := s.judge(); !settled {
		s.since = -1
	} else if s.since < 0 {
		s.since = at
	}
}

// least is how many readings a window must hold.
const least = 8

func (s *settling) span() time.Duration {
	if s.n == 0 {
		return 0
	}
	return s.at[(s.start+s.n-1)%len(s.at)] - s.at[s.start]
}

// judge fits a straight line to the window.
func (s *settling) judge() (settled bool, mean, slope, scatter float64, full bool) {
	mean, slope, scatter = math.NaN(), math.NaN(), math.NaN()
	if s.n == 0 {
		return false, mean, slope, scatter, false
	}
	n := float64(s.n)
	t0 := s.at[s.start]
	var st, sx float64
	for k := range s.n {
		i := (s.start + k) % len(s.at)
		st += (s.at[i] - t0).Seconds()
		sx += s.x[i]
	}
	mt := st / n
	mean = sx / n
	var stt, stx, sxx float64
	for k := range s.n {
		i := (s.start + k) % len(s.at)
		dt, dx := (s.at[i]-t0).Seconds()-mt, s.x[i]-mean
		stt, stx, sxx = stt+dt*dt, stx+dt*dx, sxx+dx*dx
	}
	if stt == 0 || s.n < 3 {
		return false, mean, slope, scatter, false
	}
	slope = stx / stt
	// What the window began with may still hold the tail of the last change:
	// the reading is the mean of the window's newer half.
	var newer float64
	for k := s.n / 2; k < s.n; k++ {
		newer += s.x[(s.start+k)%len(s.at)]
	}
	mean = newer / float64(s.n-s.n/2)
	scatter = math.Sqrt(math.Max(0, sxx-slope*stx) / (n - 2))
	full = s.n >= least && s.span() >= s.window*9/10
	settled = full &&
		math.Abs(slope)*s.window.Seconds() <= s.moveAbs+s.moveFraction*math.Abs(mean) &&
		scatter <= s.scatterAbs+s.scatterFraction*math.Abs(mean)
	return settled, mean, slope, scatter, full
}

func (s *settling) state() State {
	settled, mean, slope, scatter, full := s.judge()
	value, difference := dimensions(s.role)
	st := State{Settled: settled, Last: s.last, Raw: s.raw, Mean: mean, Slope: slope, Scatter: scatter,
		Readings: s.n, Window: s.window, unit: value}
	move := math.Abs(slope) * s.window.Seconds()
	switch {
	case !s.last.Good():
		st.Why = "no good reading: " + s.last.Q.String()
	case s.n == 0:
		st.Why = "the reading is marked: " + s.last.Q.String()
		if s.last.Q&(calib.Clipped|calib.Spike) == 0 {
			st.Why = "waiting for new readings"
		}
	case !full:
		st.Why = fmt.Sprintf("watching for %.0f of %.0f s", s.span().Seconds(), s.window.Seconds())
	case settled:
		st.Why = fmt.Sprintf("steady for %.0f s", (s.window + s.at[(s.start+s.n-1)%len(s.at)] - s.since).Seconds())
	case move > s.moveAbs+s.moveFraction*math.Abs(mean):
		word := "rises"
		if slope < 0 {
			word = "falls"
		}
		st.Why = fmt.Sprintf("it %s by %s in %.0f s; settled is up to %s", word, show(move, difference), s.window.Seconds(), show(s.moveAbs+s.moveFraction*math.Abs(mean), difference))
	default:
		st.Why = fmt.Sprintf("it scatters by %s; settled is up to %s", show(scatter, difference), show(s.scatterAbs+s.scatterFraction*math.Abs(mean), difference))
	}
	return st
}

// String is the reading and whether it has settled, on one line.
func (s State) String() string {
	word := "not settled"
	if s.Settled {
		word = "settled"
	}
	now := "no reading"
	if s.Last.Good() {
		now = show(s.Last.X, s.unit)
	}
	return fmt.Sprintf("%s, %s: %s", now, word, s.Why)
}
