package plant

import "time"

// heat is the main bombardment and the shells.
func (s *Script) heat(at, dt time.Duration, see Sight, c *Controls) {
	h := &s.habit
	if dt > 0 {
		s.rate += 0.03 * ((see.Glass-s.glass)/dt.Seconds() - s.rate)
	}
	s.glass = see.Glass
	if !see.Lit {
		s.restrike(at, see, c)
		return
	}
	if s.stage == bombarding {
		c.Air = 0
		c.Choke = min(h.GlassCurrent, c.Choke+0.006)
		s.sip(at, see, c, 1.35*h.AirBombard, 1.0*h.AirBombard)
		if h.Style == LosesArc && !s.slipped && see.Glass > 0.39*h.Target {
			c.Main = 1 // a heavy hand on the stopcock
			if see.Gauge < 0.1*Torr {
				s.slipped = true
				c.Bombard = false // the column pales, and he takes his foot off
			}
		}
		// Careful hands lower the pressure some degrees early: the thermocouple
		// lags, and the shells' minute adds to the glass.
		early := 9 + 4*s.rate
		if h.Style == Hurried {
			early = 0
		}
		if s.soon(at, see.Glass >= h.Target-early) {
			c.Phase, c.Main = "shells", 0.12
			s.atHeat = 0
			s.enter(shelling, at)
		}
		return
	}
	// Shells: hold the pressure with the stopcock while gas comes, raise the
	// current by the choke.
	// Choke out until the shells have their colour, then back to hold it.
	if see.Shell < h.ShellColour+25 {
		c.Choke = min(h.ShellCurrent, c.Choke+0.008)
	} else if see.Shell > h.ShellColour+60 {
		c.Choke = max(0.6*h.ShellCurrent, c.Choke-0.004)
	}
	c.hold(see.Gauge/h.ShellPressure, 0.7, 0.9, 0.55, 0.75)
	if see.Shell >= h.ShellColour-25 {
		s.atHeat += dt
	}
	if s.soon(at, s.atHeat >= h.ShellHold || see.Glass >= h.Ceiling-9 || at-s.entered > 150*time.Second) {
		c.Bombard, c.Air, c.Main, c.Phase = false, 0, 0.3, "final-pump"
		s.enter(finalPumping, at)
	}
}

// hold keeps a pressure with the stopcock: x is the gauge over what is wanted. Below
// shut the stopcock is shut, below ease it is eased; below air some air is let in
// until it is above enough.
func (c *Controls) hold(x, shut, ease, air, enough float64) {
	switch {
	case x > 1.3:
		c.Main = min(0.3, c.Main+0.012)
	case x > 1.05:
		c.Main = min(0.3, c.Main+0.003)
	case x < shut:
		c.Main = 0
	case x < ease:
		c.Main = max(0, c.Main-0.012)
	}
	if x < air {
		c.Air = 0.05
	} else if x > enough {
		c.Air = 0
	}
}

// restrike brings back an arc that has gone out: foot off, a little air, foot on.
func (s *Script) restrike(at time.Duration, see Sight, c *Controls) {
	aim := s.habit.AirBombard
	if s.stage == shelling {
		aim = s.habit.ShellPressure
	}
	c.Main = 0
	if see.Gauge < 0.8*aim {
		s.slipped = true
		c.Bombard = false
		c.Air = throttle(see.Gauge, aim)
		s.sipEnd = at + 1500*time.Millisecond
		return
	}
	c.Air = 0
	if at >= s.sipEnd {
		c.Bombard = true
	}
}

// after is everything from the end of the arc to the open manifold.
func (s *Script) after(at, in time.Duration, see Sight, c *Controls) {
	h := &s.habit
	switch s.stage {
	case finalPumping:
		c.Main = min(1, c.Main+0.04)
		if see.Gauge < 1.3 && in > 5*time.Second {
			c.Phase = "cool"
			s.enter(cooling, at)
		}
	case cooling:
		c.Main = 1
		c.Fan = in > 30*time.Second
		if s.flushed < h.Flushes {
			if s.soon(at, see.Glass < h.FlushBelow && in > h.FinalPump/2) {
				c.Main, c.Gas, c.Phase = 0, 1, "flush"
				s.enter(flushIn, at)
			}
			return
		}
		if s.soon(at, see.Glass < h.FillBelow) {
			c.Main, c.Gas, c.Fan, c.Phase = 0, 1, false, "fill"
			s.enter(filling, at)
		}
	case flushIn:
		if c.Gas > 0 {
			c.Gas = throttle(see.Gauge, h.FlushTo)
		}
		if see.Gauge >= 0.98*h.FlushTo {
			c.Gas = 0
		}
		if s.soon(at, c.Gas == 0 && in > 25*time.Second) {
			c.Main = 0.2
			s.flushed++
			s.enter(flushOut, at)
		}
	case flushOut:
		c.Main = min(1, c.Main+0.03)
		if see.Gauge >= 2 || in < 20*time.Second {
			return
		}
		if s.flushed < h.Flushes && see.Glass < h.FlushBelow {
			c.Main, c.Gas = 0, 1 // the next flush at once
			s.enter(flushIn, at)
			return
		}
		c.Phase = "cool"
		s.enter(cooling, at)
		s.entered -= 40 * time.Second // the fan stays on
	default:
		s.finish(at, in, see, c)
	}
}

func (s *Script) finish(at, in time.Duration, see Sight, c *Controls) {
	h := &s.habit
	switch s.stage {
	case filling:
		// The manifold is at room temperature: so much must the gauge show.
		aim := h.Fill * (see.Ambient + zeroCelsius) / reference
		c.Gas = throttle(see.Gauge, aim)
		if see.Gauge >= 0.996*aim {
			c.Gas = 0
			s.enter(settling, at)
		}
	case settling: // look at the gauge, light the torch
		if in > h.Look {
			c.Torch, c.Phase = true, "tip-off"
			s.enter(sealing, at)
		}
	case sealing:
		if in > h.Torch {
			c.Sealed, c.Torch = true, false
			s.enter(sealed, at)
		}
	case sealed:
		if in > 25*time.Second {
			c.Vent, c.Phase = 1, "vent"
			s.enter(venting, at)
		}
	case venting:
		if see.Gauge > 0.98*Atmosphere {
			c.Phase = "idle"
			s.enter(finished, at)
		}
	case finished:
		if in > 5*time.Second {
			c.Vent = 0
			s.done = true
		}
	}
}
