package plant

import (
	"math/rand/v2"
	"time"
)

// Style is how somebody works today.
type Style uint8

// The styles.
const (
	Careful       Style = iota
	SkipsLeakTest       // goes straight from evacuation to air
	TwoPreheats         // dries and pumps out twice: phosphor coats
	LosesArc            // pulls the pressure too low, takes his foot off, strikes again
	Hurried             // too much air and current, watches too late, lowers the pressure too little
	Flushes             // one more flush
	NumStyles     int   = iota
)

// Habit is what one run is meant to be. Pressures in Pa, currents in A rms as
// the choke allows, temperatures in °C.
type Habit struct {
	Style         Style
	Idle          time.Duration // before the main stopcock is opened
	Reaction      time.Duration // between seeing and doing
	AirDry        float64
	DryCurrent    float64
	DryTarget     float64
	AirBombard    float64
	GlassCurrent  float64
	ShellCurrent  float64
	ShellPressure float64
	ShellColour   float64       // wanted, °C
	ShellHold     time.Duration // at that colour
	Target        float64
	Ceiling       float64       // gives up on the shells here
	Evacuate      time.Duration // at least
	LeakTest      time.Duration
	PumpOut       time.Duration
	FinalPump     time.Duration
	FlushTo       float64
	FlushBelow    float64 // °C
	Flushes       int
	Fill          float64 // at 20 °C
	FillBelow     float64 // °C
	Preheats      int
	Look          time.Duration // at the gauge and with the spark coil, before the torch
	Torch         time.Duration // to melt the tubulation shut
}

// HabitFor draws how t is processed in the given style.
func HabitFor(t Tube, style Style, seed uint64) Habit {
	r := rand.New(rand.NewPCG(seed, 0x6861626974))
	vary := func(x, rel float64) float64 { return x * (1 + rel*(2*r.Float64()-1)) }
	secs := func(lo, hi float64) time.Duration {
		return time.Duration((lo + (hi-lo)*r.Float64()) * 1e9).Round(100 * time.Millisecond)
	}
	glass := 7.5 * t.Rating // small electrodes take more over their rating, trade.md §4
	if t.Rating < 0.045 {
		glass = 9 * t.Rating
	}
	h := Habit{
		Style: style, Idle: secs(45, 100), Reaction: secs(0.8, 1.8),
		AirDry: vary(2.6*Torr, 0.2), DryCurrent: vary(0.55*glass, 0.1), DryTarget: vary(105, 0.06),
		AirBombard: vary(1.9*Torr, 0.15), GlassCurrent: vary(0.95*glass, 0.06),
		ShellCurrent: vary(shellCurrent(t), 0.05), ShellPressure: vary(0.75*Torr, 0.12),
		ShellColour: vary(965, 0.01), ShellHold: secs(32, 45),
		Target: t.Target + 6*(r.Float64()-0.5), Ceiling: t.Ceiling,
		Evacuate: secs(75, 130), LeakTest: secs(60, 110), PumpOut: secs(50, 80), FinalPump: secs(60, 90),
		FlushTo: vary(5*Torr, 0.1), FlushBelow: 95, Flushes: 1,
		Fill: vary(t.Fill, 0.015), FillBelow: vary(38, 0.05), Preheats: 1,
	}
	h.Look, h.Torch = secs(12, 35), secs(10, 18)
	switch style {
	case SkipsLeakTest:
		h.LeakTest = 0
	case TwoPreheats:
		h.Preheats = 2
	case Flushes:
		h.Flushes = 2
	case Hurried:
		h.LeakTest, h.Reaction = secs(20, 30), secs(2.2, 2.8)
		h.PumpOut, h.Idle = secs(20, 30), secs(30, 45)
		h.AirDry, h.AirBombard = vary(3.4*Torr, 0.1), vary(4.2*Torr, 0.06)
		h.GlassCurrent *= 1.25
		h.DryCurrent *= 1.3
		h.ShellPressure = vary(1.25*Torr, 0.06)
		h.Ceiling = t.Ceiling + 60
		h.Flushes = 0
		h.FillBelow = vary(52, 0.05)
	}
	return h
}

// shellCurrent makes half of current times fall outweigh what the shell
// radiates at orange. At a gauge's 0.75 Torr the hot gas is as thin as 0.33 Torr
// of cold gas.
func shellCurrent(t Tube) float64 {
	need := shellEmissive * stefan * t.ShellArea * fourth(1010)
	i := 0.1
	for 0.5*i*cathodeFall(0.33, i, t.ShellArea)*intoShell < need {
		i += 0.005
	}
	return i
}

// Script is an [Operator] who takes one tube through all steps, reacting to
// what the instruments show.
type Script struct {
	habit Habit
	rng   *rand.Rand

	stage   stage
	entered time.Duration
	due     time.Duration // a decision taken, carried out then; 0: none
	preheat int
	flushed int
	atHeat  time.Duration // time at shell colour
	last    time.Duration
	slipped bool // LosesArc has done its slip
	sipEnd  time.Duration
	glass   float64 // as last read, and how fast it rises, °C/s
	rate    float64
	started bool
	done    bool
}

// NewScript returns an operator for one tube.
func NewScript(h Habit, seed uint64) *Script {
	return &Script{habit: h, rng: rand.New(rand.NewPCG(seed, 0x736372697074))}
}

// Done tells whether the tube is off and the manifold at atmosphere again.
func (s *Script) Done() bool { return s.done }

type stage uint8

const (
	resting stage = iota
	evacuating
	leakTesting
	admittingAir
	drying
	pumpingOut
	airAgain
	bombarding
	shelling
	finalPumping
	cooling
	flushIn
	flushOut
	filling
	settling
	sealing
	sealed
	venting
	finished
)

func (s *Script) enter(st stage, at time.Duration) {
	s.stage, s.entered, s.due = st, at, 0
}

// soon is true one reaction time after cond was first seen.
func (s *Script) soon(at time.Duration, cond bool) bool {
	if s.due == 0 {
		if !cond {
			return false
		}
		s.due = at + time.Duration(float64(s.habit.Reaction)*(0.7+0.6*s.rng.Float64()))
	}
	return at >= s.due
}

// throttle opens a valve wide while the reading is far from its aim and gently near it.
func throttle(reading, aim float64) float64 {
	x := 3 * (aim - reading) / aim
	return min(1, max(0.06, x))
}

// Watch implements [Operator].
func (s *Script) Watch(at time.Duration, see Sight, c *Controls) {
	if !s.started {
		s.started, s.entered, s.last = true, at, at
	}
	dt := at - s.last
	s.last = at
	in := at - s.entered
	switch s.stage {
	case resting, evacuating, leakTesting:
		s.before(at, in, see, c)
	case admittingAir, airAgain:
		s.strike(at, in, see, c)
	case drying, pumpingOut:
		s.dry(at, in, see, c)
	case bombarding, shelling:
		s.heat(at, dt, see, c)
	default:
		s.after(at, in, see, c)
	}
}

func (s *Script) before(at, in time.Duration, see Sight, c *Controls) {
	h := &s.habit
	switch s.stage {
	case resting:
		c.Phase, c.Vent = "idle", 1 // open to the room
		if in >= h.Idle {
			c.Phase, c.Main, c.Vent = "evacuate", 0.15, 0
			s.enter(evacuating, at)
		}
	case evacuating:
		// Slowly at first: dust and coating must not fly.
		c.Main = min(1, 0.15+in.Seconds()/12)
		if s.soon(at, see.Gauge < 0.03*Torr && in > h.Evacuate) {
			c.Main = 0
			if h.LeakTest > 0 {
				c.Phase = "leak-test"
				s.enter(leakTesting, at)
			} else {
				s.admit(at, c)
			}
		}
	case leakTesting:
		if s.soon(at, in >= h.LeakTest) {
			s.admit(at, c)
		}
	}
}

func (s *Script) admit(at time.Duration, c *Controls) {
	c.Phase, c.Main, c.Air = "admit-air", 0, 1
	s.enter(admittingAir, at)
	if s.preheat >= s.habit.Preheats {
		s.stage = airAgain
	}
}

// strike lets air in, shuts the valve and steps on the switch until the arc burns.
func (s *Script) strike(at, in time.Duration, see Sight, c *Controls) {
	h := &s.habit
	aim, choke := h.AirDry, h.DryCurrent
	if s.stage == airAgain {
		aim, choke = h.AirBombard, h.GlassCurrent
	}
	if c.Air > 0 {
		c.Air = throttle(see.Gauge, aim)
		if see.Gauge >= 0.985*aim {
			c.Air = 0
			s.due = 0
			s.entered = at
		}
		return
	}
	c.Main = 0
	if !c.Bombard {
		if s.soon(at, in > 2*time.Second) {
			c.Bombard, c.Choke = true, choke*0.6
			s.entered = at
		}
		return
	}
	if see.Lit {
		if s.stage == airAgain {
			c.Phase, s.glass = "bombard", see.Glass
			s.enter(bombarding, at)
		} else {
			c.Phase = "dry"
			s.enter(drying, at)
		}
		return
	}
	if in > 4*time.Second { // no strike: a little less air
		c.Main = 0.08
		if in > 5500*time.Millisecond {
			c.Main = 0
			s.entered = at
		}
	}
}

func (s *Script) dry(at, in time.Duration, see Sight, c *Controls) {
	h := &s.habit
	switch s.stage {
	case drying:
		c.Choke = min(h.DryCurrent, c.Choke+0.004)
		s.sip(at, see, c, 1.6*h.AirDry, 1.15*h.AirDry)
		if s.soon(at, see.Glass >= h.DryTarget || in > 150*time.Second) {
			c.Bombard, c.Main, c.Phase = false, 0.4, "pump-out"
			s.preheat++
			s.enter(pumpingOut, at)
		}
	case pumpingOut:
		c.Main = min(1, c.Main+0.02)
		if s.soon(at, see.Gauge < 0.08*Torr && in >= h.PumpOut) {
			s.admit(at, c)
		}
	}
}

// sip opens the main stopcock a little while the pressure is above high, until
// it is down to low.
func (s *Script) sip(at time.Duration, see Sight, c *Controls, high, low float64) {
	switch {
	case c.Main > 0 && see.Gauge <= low:
		c.Main = 0
	case c.Main == 0 && see.Gauge > high:
		c.Main = 0.06
	case c.Main > 0 && at > s.sipEnd:
		// Not falling fast enough: open a little more.
		c.Main = min(0.25, c.Main*1.15)
		s.sipEnd = at + time.Second
	}
}
