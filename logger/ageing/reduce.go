package ageing

import (
	"fmt"
	"math"
	"time"

	"tipoff/calib"
	"tipoff/logger/frame"
)

// The names of the channels that hold the least and the greatest of a channel since
// the last recorded frame.
const (
	LeastOf    = "-min"
	GreatestOf = "-max"
	// computed is their driver.
	computed = "computed"
)

const (
	// darkShare is the share of the wanted current below which the tube is out, and
	// darkFor how long it has to be before that is told.
	darkShare = 0.2
	darkFor   = time.Second
	// unsaidCurrent stands for the wanted current where nobody said it, A: tubes run
	// at 15 mA and more.
	unsaidCurrent = 15e-3
)

// Reducer makes the frames of an ageing run from those of the bench. One goroutine
// uses it; Step allocates nothing.
type Reducer struct {
	// Layout is that of the frames it gives.
	Layout *frame.Layout

	from    *frame.Layout
	every   time.Duration
	current int // channel of the tube's current; -1 none
	sums    [frame.MaxChannels]sum
	extreme [frame.MaxChannels]int // channel of the bench that a channel is the extreme of
	seq     uint64
	began   time.Duration
	next    time.Duration
	out     frame.Frame

	wanted   float64 // A
	lit      bool
	darkFrom time.Duration
	dark     bool
	wasLit   time.Duration // time that it has burnt
	last     time.Duration
	glow     glow
}

type sum struct {
	x, u, ix, iu float64
	q, bad, iq   calib.Quality
	least, most  float64
	good, known  int
	samples      int32
}

// NewReducer makes one for a bench's layout. It fails if the request names a channel
// that the bench does not have.
func NewReducer(l *frame.Layout, r *Request) (*Reducer, error) {
	// One that has burnt before a power cut is to burn after it.
	d := &Reducer{from: l, every: r.Every, current: l.Index(frame.Current), wanted: r.Current, lit: r.Done > 0}
	d.glow.channel = l.Index(frame.Light)
	if d.wanted <= 0 {
		d.wanted = unsaidCurrent
	}
	if r.Channel != "" {
		d.current = -1
		for i, c := range l.Channels {
			if c.Name == r.Channel && c.Role == frame.Current {
				d.current = i
			}
		}
		if d.current < 0 {
			return nil, fmt.Errorf("key channel: found %q; allowed: a channel of the bench with role \"current\"", r.Channel)
		}
	}
	channels := append([]frame.Channel(nil), l.Channels...)
	add := func(i int) {
		if i < 0 || len(channels)+2 > frame.MaxChannels {
			return
		}
		c := l.Channels[i]
		for _, end := range []string{LeastOf, GreatestOf} {
			d.extreme[len(channels)] = i
			channels = append(channels, frame.Channel{Name: c.Name + end, Role: c.Role, Driver: computed, Device: "of " + c.Name, Optional: true})
		}
	}
	add(l.Index(frame.Light))
	add(d.current)
	d.Layout = frame.NewLayout(r.Every, channels)
	d.clear()
	return d, nil
}

func (d *Reducer) clear() {
	for i := range d.sums {
		d.sums[i] = sum{least: math.Inf(1), most: math.Inf(-1)}
	}

}

// Change is what a step found of the tube.
type Change uint8

// The changes.
const (
	NoChange  Change = iota
	WentOut          // its current is gone, for a second by now
	CameBack         // its current is back
	LightGone        // it burns, and its light has collapsed
	LightBack
)

// Step takes a frame of the bench. f is a frame to record if it is not nil, valid
// until the next Step.
func (d *Reducer) Step(in *frame.Frame) (f *frame.Frame, c Change) {
	if d.next == 0 {
		d.began, d.last, d.next = in.At, in.At, in.At+d.every
		d.darkFrom = in.At
	}
	if c = d.follow(in); c == NoChange {
		c = d.glow.follow(in, d.current < 0 || d.lit && !d.dark && in.Readings[d.current].Value.Good())
	}
	for i := range d.from.Channels {
		d.sums[i].add(&in.Readings[i])
	}

	if in.At < d.next {
		return nil, c
	}
	for d.next <= in.At {
		d.next += d.every
	}
	d.seq++
	// Frame has a large array: it is filled in place.
	o := &d.out
	o.Seq, o.At, o.Gas, o.GasKnown = d.seq, in.At, in.Gas, in.GasKnown
	n := len(d.from.Channels)
	for i := range d.Layout.Channels {
		if i < n {
			d.sums[i].mean(&o.Readings[i])
			continue
		}
		of := d.extreme[i]
		v := o.Readings[of].Value
		r := frame.Reading{Value: v, Raw: math.NaN(), Aux: math.NaN(), Samples: 0}
		if v.Good() {
			r.Value.X = d.sums[of].least
			if (i-n)%2 == 1 {
				r.Value.X = d.sums[of].most
			}
		}
		r.Indicated = r.Value
		o.Readings[i] = r
	}
	d.clear()
	return o, c
}

// follow notes whether the tube burns.
func (d *Reducer) follow(in *frame.Frame) Change {
	if d.current < 0 {
		return NoChange
	}
	v := in.Readings[d.current].Value
	if !v.Good() {
		d.last = in.At
		return NoChange // not known: what was true last stays true
	}
	if v.X > darkShare*d.wanted {
		if d.lit {
			d.wasLit += in.At - d.last
		}
		d.last, d.lit, d.darkFrom = in.At, true, in.At
		if d.dark {
			d.dark = false
			return CameBack
		}
		return NoChange
	}
	d.last = in.At
	if d.lit && !d.dark && in.At-d.darkFrom >= darkFor {
		d.dark, d.lit = true, false
		return WentOut
	}
	return NoChange
}

// Burnt is how long the tube has burnt; without a current channel the time since the
// first frame.
func (d *Reducer) Burnt() time.Duration {
	if d.current < 0 {
		return d.last - d.began
	}
	return d.wasLit
}

// Dark tells whether the tube had burnt and is out.
func (d *Reducer) Dark() bool { return d.dark }

// Dim tells whether the light has collapsed while the tube burns.
func (d *Reducer) Dim() bool { return d.glow.gone && !d.dark }

func (s *sum) add(r *frame.Reading) {
	s.samples += r.Samples
	if !r.Value.Good() {
		s.bad |= r.Value.Q
		return
	}
	s.good++
	s.x += r.Value.X
	s.ix += r.Indicated.X
	if r.Value.U == r.Value.U {
		s.known++
		s.u += r.Value.U
		s.iu += r.Indicated.U
	}
	s.q |= r.Value.Q
	s.iq |= r.Indicated.Q
	s.least, s.most = math.Min(s.least, r.Value.X), math.Max(s.most, r.Value.X)
}

// mean fills in the mean of the good values. Its uncertainty is the mean of theirs:
// what they have in common, the calibration, does not average out, and is most of it.
func (s *sum) mean(r *frame.Reading) {
	*r = frame.Reading{Raw: math.NaN(), Aux: math.NaN(), Samples: s.samples}
	if s.good == 0 {
		q := s.bad
		if q&calib.Invalid == 0 {
			q |= calib.NoReading
		}
		r.Value = calib.Value{X: math.NaN(), U: math.NaN(), Q: q}
		r.Indicated = r.Value
		return
	}
	n := float64(s.good)
	u, iu := math.NaN(), math.NaN()
	if s.known > 0 {
		u, iu = s.u/float64(s.known), s.iu/float64(s.known)
	}
	r.Value = calib.Value{X: s.x / n, U: u, Q: s.q}
	r.Indicated = calib.Value{X: s.ix / n, U: iu, Q: s.iq}
}
