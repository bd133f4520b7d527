package sampler

import (
	"fmt"
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
// keep one for a minute where one of hundredths cannot for three seconds.
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
	// arc: the gas gets as much hotter, and the glass gives off more.
	gaugeStill = 20 * time.Second
	gaugeWarms = 10.0
	// A thermocouple may show its terminals' temperature, within dangling °C, for
	// danglingFor in an arc: the weakest gives the glass more in that time.
	dangling    = 1.0
	danglingFor = 20 * time.Second
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

	flat   time.Duration              // since when a thermocouple shows its terminals' temperature, negative if not
	refOf  time.Duration              // the since that ref and glass belong to
	ref    [frame.MaxChannels]float64 // values of the others of its role then
	glass  float64                    // hottest glass then
	before calib.Value                // its value in the last frame
	at     time.Duration              // of that frame
	recent [contradictWindow]float64  // of glass: its value each second, a ring
	filled int                        // entries of recent so far
}

// add takes a sample that is a reading.
func (p *pulse) add(at time.Duration, raw, aux float64) {
	gap := at - p.last
	p.last = at
	if p.begun && raw == p.raw && (aux == p.aux || aux != aux) && gap < silence {
		p.same++
		return
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
	second   time.Duration // when glass was last put into pulse.recent
	told     bool          // contradiction
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
		if r.Value.Good() && !s.owner[i].Recorded && !p.frozen && p.same >= leastSame {
			p.frozen = s.stands(i, at, f, hottest)
		}
		switch {
		case r.Value.Good() && s.dangles(i, at):
			r.Value = without(r.Value.Q | calib.SensorFault)
			r.Indicated = r.Value
		case p.frozen:
			r.Value = without(r.Value.Q | calib.Frozen)
			r.Indicated = r.Value
		case r.Value.Good():
			s.bound(i, at, r)
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
	for i := range d.pulses {
		if s.layout.Channels[i].Role != frame.Current {
			continue
		}
		v := f.Readings[i].Value
		if !v.Good() {
			continue
		}
		known = true
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
		if s.fine[i] && inArc >= gaugeStill && math.Abs(hottest-p.glass) > gaugeWarms {
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

// dangles tells of a thermocouple that shows no more than its terminals although
// an arc heats the glass: it has broken where the chip cannot tell, is shorted, or
// hangs in the air.
func (s *Sampler) dangles(i int, at time.Duration) bool {
	p := &s.doubts.pulses[i]
	role := s.layout.Channels[i].Role
	if s.aux[i] == 0 || role != frame.Glass && role != frame.Shell || p.aux != p.aux ||
		math.Abs(p.raw*s.scale[i]-p.aux*s.aux[i]) > dangling {
		p.flat = -1
		return false
	}
	if p.flat < 0 {
		p.flat = at
	}
	return s.doubts.arcSince >= 0 && at-max(p.flat, s.doubts.arcSince) >= danglingFor
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

// A transformer that is not plugged in shows 0 A, as no current does. But glass
// that heats without current is heated by something: contradictRise in
// contradictWindow seconds, long after any current that was seen, so that the
// heat of the last one has come through. A torch does that too, hence the value is
// marked and told, not taken away.
const (
	contradictWindow = 11 // entries a second apart: 10 s
	contradictRise   = 10.0
	contradictIdle   = 20 * time.Second
	idleAmps         = 0.02
)

func (s *Sampler) contradict(at time.Duration, f *frame.Frame) {
	d := &s.doubts
	tick := at-d.second >= time.Second
	if tick {
		d.second = at
	}
	rise := math.Inf(-1)
	for i := range d.pulses {
		p, v := &d.pulses[i], f.Readings[i].Value
		if s.layout.Channels[i].Role != frame.Glass {
			continue
		}
		if !v.Good() {
			p.filled = 0
			continue
		}
		if tick {
			copy(p.recent[1:], p.recent[:len(p.recent)-1])
			p.recent[0] = v.X
			p.filled = min(p.filled+1, contradictWindow)
		}
		if p.filled == contradictWindow {
			rise = max(rise, v.X-p.recent[contradictWindow-1])
		}
	}
	heats := d.idle >= 0 && at-d.idle >= contradictIdle && rise >= contradictRise
	for i := range d.pulses {
		if heats && s.layout.Channels[i].Role == frame.Current && f.Readings[i].Value.Good() {
			f.Readings[i].Value.Q |= calib.Contradicted
		}
	}
	if heats == d.told {
		return
	}
	d.told = heats
	for i := range s.layout.Channels {
		ch := &s.layout.Channels[i]
		switch {
		case ch.Role != frame.Current:
		case heats:
			s.health.Set(s.kinds.Contradiction, ch.Name, "",
				fmt.Sprintf("glass gained %.0f °C in 10 s, and %s shows no current", rise, ch.Device),
				"is its current transformer plugged in, and its lead whole? A torch on the glass does this too", at)
		default:
			s.health.Clear(s.kinds.Contradiction, ch.Name, at)
		}
	}
}
