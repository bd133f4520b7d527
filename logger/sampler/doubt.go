package sampler

import (
	"math"
	"time"

	"tipoff/calib"
	"tipoff/logger/frame"
)

// What one channel alone cannot tell, the others can: a code that stands still
// is no news at rest, and impossible while the arc burns or while another sensor
// of the same kind moves. So frozen readings are found without a setting and
// without calling a quiet one dead. How long a code may stand goes by how fine
// the channel's codes are, as seen so far: a thermometer of whole degrees may
// keep one for a minute where one of hundredths cannot for three seconds. A channel
// whose codes have been seen to be in motion by noise needs no other (noise).
// The figures are our own choice unless marked.
const (
	// arcAmps is the current that heats: bombarding takes 0.1 A and more, a
	// finished tube at work 20 to 60 mA (common practice), and rests.
	arcAmps = 0.1
	// lively is how young the code of the channel must be that shows the arc.
	lively = time.Second
	// silence is how long a channel must be away to be looked at afresh.
	silence = 2 * time.Second
	// leastSame is how many equal samples are no chance.
	leastSame = 10
	// stillest is how long the finest code may stand in an arc, perKelvin and
	// perShare what is added for each kelvin, or for a code as large as the
	// current itself.
	stillest  = 3 * time.Second
	perKelvin = 40 * time.Second
	ownArc    = 5 * time.Second
	perShare  = 2500 * time.Second
	// otherMoved is by how much another sensor must have moved to show that this
	// one should have: °C, and a share of a current.
	otherMoved, otherShare = 15.0, 0.2
	grains                 = 30 // and as many of this one's codes
	// A gauge's code may stand for gaugeStill while glass gains gaugeWarms in an
	// arc: the gas gets as much hotter, and the glass gives off more. A code that is
	// finer than fineGauge of the pressure sees that.
	gaugeStill = 10 * time.Second
	gaugeWarms = 5.0
	fineGauge  = 0.005
)

// pulse follows the codes of one channel.
type pulse struct {
	raw, aux float64
	since    time.Duration // first sample with the present code
	last     time.Duration // latest sample
	same     int           // samples with it
	grain    float64       // least step between two codes so far, 0 if none
	begun    bool
	frozen   bool // until the code changes

	refOf  time.Duration              // the since that ref and glass belong to
	ref    [frame.MaxChannels]float64 // values of the others of its role then
	glass  float64                    // hottest glass then
	before calib.Value                // its value in the last frame
	at     time.Duration              // of that frame

	noise  noise
	hangs  hanging
	slopes slopes
}

// add takes a sample that is a reading; arc tells whether an arc burns.
func (p *pulse) add(at time.Duration, raw, aux float64, arc bool) {
	gap := at - p.last
	p.last = at
	if p.begun && raw == p.raw && (aux == p.aux || aux != aux) && gap < silence {
		p.same++
		p.noise.stands(arc)
		return
	}
	switch {
	case p.noise.off:
	case !p.begun || gap >= silence:
		p.noise.restart(raw, arc)
	default:
		p.noise.moves(p.raw, raw, p.grain, p.frozen, arc)
	}
	if step := math.Abs(raw - p.raw); p.begun && step > 0 && (p.grain == 0 || step < p.grain) {
		p.grain = step
	}
	p.raw, p.aux, p.since, p.same = raw, aux, at, 1
	p.begun, p.frozen = true, false
}

// doubts is what is known across channels.
type doubts struct {
	pulses   []pulse
	arcSince time.Duration // negative: no arc
	idle     time.Duration // since when no current channel shows a current, negative if one does or none can tell
	amps     float64       // largest good current
	quarrel  quarrel
}

// doubt marks or takes back readings of the frame that cannot be.
func (s *Sampler) doubt(at time.Duration, f *frame.Frame) {
	d := &s.doubts
	s.followArc(at, f)
	hottest := math.NaN()
	for i := range s.layout.Channels {
		if v := f.Readings[i].Value; s.layout.Channels[i].Role == frame.Glass && v.Good() && !(v.X <= hottest) {
			hottest = v.X
		}
	}
	for i := range d.pulses {
		p, r := &d.pulses[i], &f.Readings[i]
		if p.refOf != p.since || !p.begun {
			p.refOf, p.glass = p.since, hottest
			for j := range d.pulses {
				p.ref[j] = f.Readings[j].Value.X
			}
		}
		s.followHanging(i, at, f)
		if r.Value.Good() && !s.owner[i].Recorded && !p.frozen && p.same >= leastSame {
			p.frozen = s.stands(i, at, f, hottest)
		}
		switch {
		case r.Value.Good() && p.hangs.now == lost:
			r.Value = without(r.Value.Q | calib.SensorFault)
			r.Indicated = r.Value
		case p.frozen:
			r.Value = without(r.Value.Q | calib.Frozen)
			r.Indicated = r.Value
		case r.Value.Good():
			s.bound(i, at, r)
		}
		if p.hangs.now == doubtful && r.Value.Good() {
			r.Value.Q |= calib.Contradicted
		}
		p.before, p.at = r.Value, at
	}
	s.contradict(at, f)
}

func without(q calib.Quality) calib.Value {
	return calib.Value{X: math.NaN(), U: math.NaN(), Q: q}
}

// followArc notes since when a current that lives shows the arc, and since when
// none does.
func (s *Sampler) followArc(at time.Duration, f *frame.Frame) {
	d := &s.doubts
	arc, off, known := false, true, false
	d.amps = 0
	for i := range d.pulses {
		if s.layout.Channels[i].Role != frame.Current {
			continue
		}
		v := f.Readings[i].Value
		if !v.Good() {
			continue
		}
		known = true
		d.amps = max(d.amps, v.X)
		arc = arc || v.X > arcAmps && at-d.pulses[i].since < lively
		off = off && v.X < idleAmps
	}
	if !arc {
		d.arcSince = -1
	} else if d.arcSince < 0 {
		d.arcSince = at
	}
	if !off || !known {
		d.idle = -1
	} else if d.idle < 0 {
		d.idle = at
	}
}

// stands tells whether channel i keeps a code that it cannot keep.
func (s *Sampler) stands(i int, at time.Duration, f *frame.Frame, hottest float64) bool {
	p, v := &s.doubts.pulses[i], f.Readings[i].Value
	role := s.layout.Channels[i].Role
	still := p.last - p.since
	if still < stillest {
		return false
	}
	if p.noise.missing(s.doubts.arcSince >= 0) {
		return true
	}
	inArc := time.Duration(0)
	if s.doubts.arcSince >= 0 {
		inArc = min(still, p.last-s.doubts.arcSince)
	}
	switch role {
	case frame.Glass, frame.Shell:
		grain := s.grain(i)
		if inArc >= stillest+time.Duration(grain*float64(perKelvin)) {
			return true
		}
		return s.moved(i, f, func(then, now calib.Value) bool {
			return math.Abs(now.X-then.X) > otherMoved+grains*grain
		})
	case frame.Current:
		share := math.Abs(p.grain / p.raw)
		if p.grain == 0 {
			share = 0.01
		}
		if v.X > arcAmps && still >= ownArc+time.Duration(min(share, 1)*float64(perShare)) {
			return true
		}
		return s.moved(i, f, func(then, now calib.Value) bool {
			return math.Abs(now.X-then.X) > max(arcAmps, otherShare*math.Abs(now.X))
		})
	case frame.Pressure:
		fine := s.fine[i] || p.grain > 0 && p.grain <= fineGauge*math.Abs(p.raw)
		if fine && inArc >= gaugeStill && math.Abs(hottest-p.glass) > gaugeWarms {
			return true
		}
		return s.moved(i, f, func(then, now calib.Value) bool {
			// Each by more than both do not know, and to where this one is not.
			u := math.Hypot(uncertain(v), uncertain(now))
			return math.Abs(now.X-then.X) > 5*u && math.Abs(now.X-v.X) > 3*u
		})
	}
	return false
}

// uncertain is a value's uncertainty, a tenth of it where nothing is known.
func uncertain(v calib.Value) float64 {
	if v.U == v.U {
		return v.U
	}
	return 0.1 * math.Abs(v.X)
}

// grain is the least step of a thermometer, °C.
func (s *Sampler) grain(i int) float64 {
	g := s.doubts.pulses[i].grain * s.scale[i]
	if s.layout.Channels[i].Integer {
		g = max(g, s.scale[i])
	}
	if g == 0 {
		g = 1
	}
	return g
}

// moved asks far of each other channel of i's role: its value when i's present
// code came, and now.
func (s *Sampler) moved(i int, f *frame.Frame, far func(then, now calib.Value) bool) bool {
	p := &s.doubts.pulses[i]
	for j := range s.doubts.pulses {
		now := f.Readings[j].Value
		if j == i || s.layout.Channels[j].Role != s.layout.Channels[i].Role || !now.Good() || s.doubts.pulses[j].frozen {
			continue
		}
		if then := (calib.Value{X: p.ref[j]}); then.X == then.X && far(then, now) {
			return true
		}
	}
	return false
}

// What cannot be. Soft glass runs at 700 °C, borosilicate at 820 °C; shells glow
// white at 1200 °C; nobody works in a room beyond -30 and 70 °C; air is at most
// 109 kPa (the highest ever measured at sea level, from memory), and a manifold of
// glass bears no pressure beyond it.
const (
	hottestGlass, hottestShell = 950.0, 1500.0
	coldestRoom, hottestRoom   = -30.0, 70.0
	mostPressure               = 120e3 // Pa
	mostUnknown                = 200e3 // Pa, where the gauge's uncertainty is not known
	mostCurrent                = 20.0  // A
	// gasFalls is the share that a pressure keeps at least within gasFast: the
	// pump takes a fifth, an empty tube behind a stopcock nine tenths.
	gasFalls = 1.0 / 30
	gasFast  = 250 * time.Millisecond
)

// bound judges a reading by what glass and gas can be and do.
func (s *Sampler) bound(i int, at time.Duration, r *frame.Reading) {
	v := r.Value
	var q calib.Quality
	high := func(most float64) {
		if v.X > most {
			q |= calib.OverRange
		}
	}
	low := func(least float64) {
		if v.X < least {
			q |= calib.UnderRange
		}
	}
	switch s.layout.Channels[i].Role {
	case frame.Glass:
		high(hottestGlass)
		low(coldestRoom)
	case frame.Shell:
		high(hottestShell)
		low(coldestRoom)
	case frame.Ambient:
		high(hottestRoom)
		low(coldestRoom)
	case frame.Current:
		high(mostCurrent)
	case frame.Pressure:
		if v.U == v.U {
			high(mostPressure + 3*v.U)
			low(-5 * v.U)
		} else {
			high(mostUnknown)
		}
		p := &s.doubts.pulses[i]
		if p.before.Good() && at-p.at <= gasFast && v.X > 0 && v.X < gasFalls*p.before.X-5*uncertain(v) {
			r.Value.Q |= calib.TooFast
		}
	}
	if q != 0 {
		r.Value = without(v.Q | q)
	}
}
