package calibrate

import (
	"fmt"
	"math"
	"sync"
	"time"

	"tipoff/calib"
	"tipoff/calib/certificate"
	"tipoff/logger/frame"
)

// Channel is a channel that can be calibrated.
type Channel struct {
	Name        string
	Role        frame.Role
	Logarithmic bool                     // as [Options.Logarithmic]
	Applied     *certificate.Certificate // as [Options.Applied]
}

// Desk keeps the calibrations of a running bench, one for each channel at most.
// Its methods may be called from several goroutines.
type Desk struct {
	dir      string
	now      func() time.Time
	channels []Channel

	mu       sync.Mutex
	sessions []*Session // by channel, nil: none
	open     int
}

// NewDesk makes the desk of a bench. Certificates go to dir; now is the wall
// time. Channels whose role has no procedure are left out.
func NewDesk(dir string, channels []Channel, now func() time.Time) *Desk {
	d := &Desk{dir: dir, now: now}
	for _, c := range channels {
		if len(For(c.Role)) > 0 {
			d.channels = append(d.channels, c)
		}
	}
	d.sessions = make([]*Session, len(d.channels))
	return d
}

// Feed gives the open sessions a frame. It allocates nothing, and returns at
// once where no session is open.
func (d *Desk) Feed(l *frame.Layout, f *frame.Frame) {
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
				r := &f.Readings[k]
				s.Step(f.At, r.Value, r.Raw)
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
	before, _ := certificate.Latest(d.dir, c.Name)
	o.Channel, o.Role, o.Logarithmic, o.Applied, o.Previous = c.Name, c.Role, c.Logarithmic, c.Applied, before
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
	err = d.with(i, func(s *Session) error {
		if len(s.points) != points {
			return fmt.Errorf("the points have changed since this page was made (%d, now %d); look again", points, len(s.points))
		}
		c, err = s.Result(d.now())
		return err
	})
	if err != nil {
		return "", err
	}
	if path, err = certificate.Write(d.dir, c); err != nil {
		return "", err
	}
	d.abandon(i)
	return path, nil
}

// noRoom stands for a room temperature that nobody noted.
var noRoom = math.NaN()

var noReading = calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.NoReading}
