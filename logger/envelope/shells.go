package envelope

import (
	"fmt"
	"math"
	"time"

	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

// warmUp is the share of the work on a shell that is to become bright.
const warmUp = 0.4

// shell is an electrode's shell as card and tables describe it.
type shell struct {
	area, mass, doubt float64 // m², kg; doubt: standard, as a share of the heat. area 0: not known
	guessed           bool    // the area, from the rating
	taught            int     // so many of the bench's runs tell how fast shells warm up; 0: the tables do
	warmup            float64 // by them: the heat capacity over that of card and tables

	fall, density, rises, into, emissive, heat, bright float64 // constant.csv, in SI but for density: A/m² at 1 Torr
}

func shellOf(t *tables, el *tube.Electrode, known bool) shell {
	s := shell{
		fall: t.value("cathode-fall"), density: t.value("normal-density"), rises: t.value("fall-rises"), into: t.value("into-shell"),
		emissive: t.value("shell-emissivity"), heat: t.value("shell-heat"), bright: t.value("shell-bright"),
	}
	switch {
	case !known:
	case el.ShellArea > 0:
		s.area, s.doubt = el.ShellArea, t.value("shell-known")
	case el.Rating > 0:
		s.guessed = true
		s.area = 1e-4 * (t.value("shell-area") + t.value("shell-area-rating")*el.Rating/milli)
		s.doubt = t.value("shell-guessed")
	}
	if s.mass = el.ShellMass; s.mass <= 0 {
		s.mass = t.value("shell-per-area") * s.area
	}
	return s
}

// learned puts in how fast the bench's own shells warm up.
func (s *shell) learned(t *tables, b *Bench) {
	if s.area == 0 {
		return
	}
	if b.FallRises.X > 0 {
		s.rises = b.FallRises.X
	}
	if w := b.Warmup; w.X > 0 {
		s.taught, s.warmup = w.Runs, w.X
		s.heat *= w.X
		// What is left open of the heat: how fast they warm up, and how they shine.
		emissive := t.constant["shell-emissivity"]
		s.doubt = min(s.doubt, math.Hypot(w.U/w.X, emissive.u/t.value("shell-emissivity")))
	}
}

// taughtBy says that the warm-up is the bench's own, "" if it is not.
func (s *shell) taughtBy() string {
	if s.taught == 0 {
		return ""
	}
	return fmt.Sprintf("; the shells take %.2g times the tables' heat to warm up, by %s of this bench", s.warmup, runs(s.taught))
}

// power is the heat that a shell gets of the arc, W, at a current (A) and a
// pressure (Torr): half of the fall's, as each electrode is cathode half of the
// time, less what does not stay in it.
func (s *shell) power(amps, torr float64) float64 {
	fall := s.fall * (1 + s.rises*math.Sqrt(amps/(s.density*torr*torr*s.area)))
	return 0.5 * amps * fall * s.into
}

// radiated is what a shell of a temperature gives to the glass about it, W.
func (s *shell) radiated(celsius, glass float64) float64 {
	k, g := celsius+zeroC, glass+zeroC
	return s.emissive * stefan * s.area * (k*k*k*k - g*g*g*g)
}

// warming is how long a cold shell takes to become bright, s; +Inf if it never
// does.
func (s *shell) warming(amps, torr, glass float64) float64 {
	const n = 200
	p, step, sum := s.power(amps, torr), (s.bright-roomGuess)/n, 0.0
	for i := range n {
		net := p - s.radiated(roomGuess+(float64(i)+0.5)*step, glass)
		if net <= 0 {
			return math.Inf(1)
		}
		sum += s.mass * s.heat * step / net
	}
	return sum
}

// shellTrack estimates an electrode's shell from current and pressure: half of
// I·V·intoShell of the cathode fall (each electrode is cathode half of the time),
// less what it radiates to the glass. It runs three shells, with the power one
// standard uncertainty less, as computed, and more. It allocates nothing.
type shellTrack struct {
	shell
	wanted        float64 // s bright
	last          time.Duration
	begun         bool
	glass         float64
	celsius, time [3]float64 // time: s bright
}

func newShellTrack(e *Envelope) shellTrack {
	s := shellTrack{shell: e.shell, wanted: 40, glass: roomGuess, celsius: [3]float64{roomGuess, roomGuess, roomGuess}}
	if l, ok := e.Limit(ShellTime); ok && l.Low > 0 {
		s.wanted = l.Low
	}
	return s
}

// step takes a frame. Without a current or pressure the shells stay as they are.
func (s *shellTrack) step(o phase.Observation) {
	dt := min((o.At - s.last).Seconds(), 2)
	s.last = o.At
	if !s.begun || s.area == 0 || dt <= 0 {
		s.begun = true
		return
	}
	if o.Glass == o.Glass {
		s.glass = o.Glass
	}
	if o.Current != o.Current || o.Pressure != o.Pressure {
		return
	}
	power := 0.0
	if o.Current > ArcCurrent {
		power = s.power(o.Current, max(0.05, o.Pressure/torr))
	}
	for i := range s.celsius {
		net := power*(1+float64(i-1)*s.doubt) - s.radiated(s.celsius[i], s.glass)
		s.celsius[i] += net * dt / (s.mass * s.heat)
		if s.celsius[i] >= s.bright {
			s.time[i] += dt
		}
	}
}

// done is the share of the shells' work that is done, %, and its standard
// uncertainty; NaN if the card says neither the shell's area nor the rating.
func (s *shellTrack) done() (percent, u float64) {
	if s.area == 0 {
		return math.NaN(), math.NaN()
	}
	low, mid, high := s.share(0), s.share(1), s.share(2)
	return mid, max(2, (high-low)/2)
}

func (s *shellTrack) share(i int) float64 {
	if s.time[i] > 0 {
		return 100 * (warmUp + (1-warmUp)*min(1, s.time[i]/s.wanted))
	}
	return 100 * warmUp * min(1, max(0, (s.celsius[i]-roomGuess)/(s.bright-roomGuess)))
}
