package plant

import "time"

// Recipe is a plan for one tube as a person has it on a slip of paper.
// Pressures in Pa as the gauge shows them, currents in A rms, temperatures in
// °C as the instrument shows them.
type Recipe struct {
	AirDry, DryCurrent, DryUntil   float64
	PumpOut                        time.Duration
	AirBombard, BombardCurrent     float64
	ShellsAt                       float64 // the pressure is lowered
	ShellPressure, ShellCurrent    float64
	ShellHold                      time.Duration // after lowering, at least
	Glow                           time.Duration // of it with orange shells, at least
	Reach                          float64       // the arc goes on at least so far
	StopAt                         float64       // the arc goes off whatever else
	Flushes                        int
	FlushTo, FlushBelow, FillBelow float64
	Fill                           float64 // at 20 °C
}

// Follower is an [Operator] who works by a recipe: an ordinary [Script] whose
// bombard follows the slip. He sees instruments and colour, never the truth,
// and does everything his reaction time too late.
type Follower struct {
	Script
	recipe Recipe
	glowed time.Duration

	// Instruments, if set, replaces what stands on the gauges by what a logger
	// shows of them.
	Instruments func(at time.Duration, see *Sight)
}

// NewFollower returns an operator for one tube. h is the habit for all that the
// recipe leaves open, above all the reaction time.
func NewFollower(r Recipe, h Habit, seed uint64) *Follower {
	h.Style, h.Preheats = Careful, 1
	h.AirDry, h.DryCurrent, h.DryTarget, h.PumpOut = r.AirDry, r.DryCurrent, r.DryUntil, r.PumpOut
	h.AirBombard, h.GlassCurrent = r.AirBombard, r.BombardCurrent
	h.ShellPressure, h.ShellCurrent, h.ShellHold = r.ShellPressure, r.ShellCurrent, r.ShellHold
	h.Flushes, h.FlushTo, h.FlushBelow, h.FillBelow, h.Fill = r.Flushes, r.FlushTo, r.FlushBelow, r.FillBelow, r.Fill
	return &Follower{Script: *NewScript(h, seed), recipe: r}
}

// Watch implements [Operator].
func (f *Follower) Watch(at time.Duration, see Sight, c *Controls) {
	if f.Instruments != nil {
		f.Instruments(at, &see)
	}
	if f.stage != bombarding && f.stage != shelling {
		if f.stage == venting {
			see.Gauge /= 0.93 // a gauge some per cent out still shows when the room is let in
		}
		f.Script.Watch(at, see, c)
		return
	}
	dt := at - f.last
	f.last = at
	switch {
	case !see.Lit:
		f.restrike(at, see, c)
	case f.stage == bombarding:
		f.bombard(at, see, c)
	default:
		f.shells(at, dt, see, c)
	}
}

func (f *Follower) bombard(at time.Duration, see Sight, c *Controls) {
	h, r := &f.habit, &f.recipe
	c.Air = 0
	c.Choke = toward(c.Choke, h.GlassCurrent, see.Current, 0.006)
	f.sip(at, see, c, 1.35*h.AirBombard, h.AirBombard)
	if f.soon(at, see.Glass >= r.ShellsAt || at-f.entered > 400*time.Second) {
		c.Phase, c.Main = "shells", 0.12
		f.glowed = 0
		f.enter(shelling, at)
	}
}

// toward draws the choke until the meter shows the wanted current: the slip
// says what the meter is to show, not where the choke stands.
func toward(choke, want, shown, by float64) float64 {
	switch {
	case shown < 0.97*want:
		return min(2.5*want, choke+by)
	case shown > 1.03*want:
		return max(0, choke-by)
	}
	return choke
}

func (f *Follower) shells(at, dt time.Duration, see Sight, c *Controls) {
	h, r := &f.habit, &f.recipe
	// Too bright a shell is eased: white hot metal sputters and sags.
	want := h.ShellCurrent
	if see.Shell > h.ShellColour+60 {
		want = min(want, 0.97*see.Current)
	}
	c.Choke = toward(c.Choke, want, see.Current, 0.006)
	c.hold(see.Gauge/h.ShellPressure, 0.85, 0.95, 0.8, 0.9)
	if see.Shell >= 900 {
		f.glowed += dt
	}
	in := at - f.entered
	done := in >= r.ShellHold && f.glowed >= r.Glow && see.Glass >= r.Reach
	if f.soon(at, done || see.Glass >= r.StopAt || in > 3*max(r.ShellHold, r.Glow)) {
		c.Bombard, c.Air, c.Main, c.Phase = false, 0, 0.3, "final-pump"
		f.enter(finalPumping, at)
	}
}
