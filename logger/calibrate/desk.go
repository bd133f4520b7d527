package calibrate

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"tipoff/calib"
	"tipoff/calib/certificate"
	"tipoff/logger/chart"
	"tipoff/logger/frame"
)

// Channel is a channel that can be calibrated.
type Channel struct {
	Name        string
	Role        frame.Role
	Logarithmic bool // as [Options.Logarithmic]
}

// Desk keeps the calibrations of a running bench, one for each channel at most.
// Its methods may be called from several goroutines.
type Desk struct {
	dir      string
	now      func() time.Time
	channels []Channel
	// runs finds the folder of a recorded run by what a person calls it; nil: there
	// are no runs.
	runs func(name string) (dir string, err error)
	// drift says how a channel drifts while the bench runs, "" if it does not as far
	// as is known; nil: nobody looks.
	drift func(channel string) string

	mu       sync.Mutex
	sessions []*Session                 // by channel, nil: none
	applied  []*certificate.Certificate // by channel, as [Options.Applied]
	open     int
}

// NewDesk makes the desk of a bench. Certificates go to dir; now is the wall
// time; runs finds the folder of a recorded run, nil if there are none. Channels
// whose role has no procedure are left out.
func NewDesk(dir string, channels []Channel, now func() time.Time, runs func(string) (string, error)) *Desk {
	d := &Desk{dir: dir, now: now, runs: runs}
	for _, c := range channels {
		if len(For(c.Role)) > 0 {
			d.channels = append(d.channels, c)
		}
	}
	d.sessions = make([]*Session, len(d.channels))
	d.applied = make([]*certificate.Certificate, len(d.channels))
	return d
}

// Drift names who can say how a channel drifts while the bench runs; it says "" if
// that is not known of. Call it before the pages are served.
func (d *Desk) Drift(says func(channel string) string) { d.drift = says }

// Applied tells the desk that the readings of a channel are corrected by a
// certificate from now on; nil: by none.
func (d *Desk) Applied(channel string, c *certificate.Certificate) {
	i := d.find(channel)
	if i < 0 {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.applied[i] = c
	if s := d.sessions[i]; s != nil {
		s.opt.Applied = c
		s.Restart() // readings by both must not make one point
	}
}

// RawTimes tells when the raw number of a channel was read that a frame holds. It
// is what a sampler knows.
type RawTimes interface {
	RawAt(channel int) time.Duration
}

// Feed gives the open sessions a frame. It allocates nothing, and returns at
// once where no session is open.
func (d *Desk) Feed(l *frame.Layout, f *frame.Frame, times RawTimes) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.open == 0 {
		return
	}
	for i, s := range d.sessions {
		if s == nil {
			continue
		}
		for k := range l.Channels {
			if l.Channels[k].Name == d.channels[i].Name {
				s.Step(f.At, &f.Readings[k], times.RawAt(k))
			}
		}
	}
}

// find is the index of a channel, or -1.
func (d *Desk) find(name string) int {
	for i := range d.channels {
		if d.channels[i].Name == name {
			return i
		}
	}
	return -1
}

func (d *Desk) begin(i int, o Options, procedure string) error {
	c := d.channels[i]
	// A certificate that cannot be read is told of on the pages; it must not
	// stand in the way of a new one.
	o.Previous, _ = certificate.Latest(d.dir, c.Name)
	o.PreviousLag, _ = certificate.LatestLag(d.dir, c.Name)
	o.Channel, o.Role, o.Logarithmic = c.Name, c.Role, c.Logarithmic
	d.mu.Lock()
	o.Applied = d.applied[i]
	d.mu.Unlock()
	s, err := New(o, procedure)
	if err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.sessions[i] != nil {
		return fmt.Errorf("channel %s is being calibrated already", c.Name)
	}
	d.sessions[i] = s
	d.open++
	return nil
}

// abandon closes a channel's session.
func (d *Desk) abandon(i int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.sessions[i] != nil {
		d.sessions[i] = nil
		d.open--
	}
}

// errNoSession answers a step of a calibration that is not open any more.
type errNoSession string

func (e errNoSession) Error() string {
	return fmt.Sprintf("channel %s is not being calibrated; begin first", string(e))
}

// with runs f on the open session of channel i.
func (d *Desk) with(i int, f func(*Session) error) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.sessions[i] == nil {
		return errNoSession(d.channels[i].Name)
	}
	return f(d.sessions[i])
}

// keep writes the certificate of channel i, if it still has the number of
// points that the person saw, and closes the session.
func (d *Desk) keep(i, points int) (path string, err error) {
	var c certificate.Certificate
	var picture bytes.Buffer
	err = d.with(i, func(s *Session) error {
		if s.Taken() != points {
			return fmt.Errorf("the points have changed since this page was made (%d, now %d); look again", points, s.Taken())
		}
		if c, err = s.Result(d.now()); err != nil {
			return err
		}
		return s.Picture(&picture, chart.SVG, &c)
	})
	if err != nil {
		return "", err
	}
	if path, err = Keep(d.dir, c, picture.Bytes()); err != nil {
		return "", err
	}
	d.abandon(i)
	return path, nil
}

// Keep writes a certificate into dir and its picture, SVG, beside it, and returns
// the certificate's path. Neither overwrites a file.
func Keep(dir string, c certificate.Certificate, picture []byte) (path string, err error) {
	if path, err = certificate.Write(dir, c); err != nil {
		return "", err
	}
	f, err := os.OpenFile(strings.TrimSuffix(path, ".toml")+".svg", os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o444)
	if err != nil {
		return path, fmt.Errorf("the certificate is kept in %s, but not its picture: %w", path, err)
	}
	_, err = f.Write(picture)
	if err = errors.Join(err, f.Close()); err != nil {
		return path, fmt.Errorf("the certificate is kept in %s, but not its picture: %w", path, err)
	}
	return path, nil
}

// takeRun adds the time constant that the record of a run shows. Reading it takes
// a moment, in which the bench goes on.
func (d *Desk) takeRun(i int, name string) error {
	if d.runs == nil {
		return errors.New("there are no recorded runs here")
	}
	name = strings.TrimSpace(name)
	if name == "" {
		return errors.New(`run: found nothing; allowed: the ID of a run, its unique beginning, or "last"`)
	}
	dir, err := d.runs(name)
	if err != nil {
		return err
	}
	t, _, err := TrialFromRun(dir, d.channels[i].Name)
	if err != nil {
		return err
	}
	return d.with(i, func(s *Session) error { return s.AddTrial(t) })
}

// noRoom stands for a room temperature that nobody noted.
var noRoom = math.NaN()

var noReading = calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.NoReading}

// standing says in words how a channel's certificates stand.
func (d *Desk) standing(i int, last, tau *certificate.Certificate) string {
	d.mu.Lock()
	applied := d.applied[i]
	d.mu.Unlock()
	var words []string
	for _, c := range []*certificate.Certificate{last, tau} {
		if c == nil {
			continue
		}
		if over, _ := c.DueIn(d.now()); over {
			words = append(words, "overdue since "+c.Due.Format("2006-01-02"))
		}
		if c.Drifting {
			words = append(words, "drifts: had moved when it was calibrated last")
		}
	}
	if d.drift != nil {
		// What is told while the bench runs holds what the certificate says, too.
		if text := d.drift(d.channels[i].Name); text != "" {
			words = slices.DeleteFunc(words, func(w string) bool { return strings.HasPrefix(w, "drifts: ") })
			words = append(words, "drifts: "+text)
		}
	}
	if last != nil && (applied == nil || !bytes.Equal(applied.Encode(), last.Encode())) {
		words = append(words, "the newest is not in force yet: it comes into force within a second, or after the run that is being recorded")
	}
	return strings.Join(words, "; ")
}
