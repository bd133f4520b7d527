package envelope

import (
	"math"
	"time"

	"tipoff/logger/phase"
)

// paceLeast is how long the glass has to be heated above the preheat for a mean
// rate.
const paceLeast = 10 * time.Second

// pace is the mean rate at which the arc heats the glass from the end of the
// preheat on. Breaks in between are left out.
type pace struct {
	rise float64 // °C
	u    float64 // of a reading
	last float64
	on   bool
	at   time.Duration // of last
	time time.Duration
}

func (p *pace) follow(o phase.Observation, u Uncertainties, heats bool, from float64) {
	if !heats || !(o.Glass >= from) {
		if o.Glass == o.Glass || !heats {
			p.on = false
		}
		return
	}
	// What the glass gained while nobody saw it is left out as well.
	if p.on && o.At-p.at <= longest {
		p.rise += o.Glass - p.last
		p.time += o.At - p.at
	}
	p.on, p.last, p.at = true, o.Glass, o.At
	p.u = max(p.u, u.Glass)
}

// rate is the mean rate and its standard uncertainty, °C/s. What the sensor's
// scale is off by it is off in the rise.
func (p *pace) rate() (rate, u float64, ok bool) {
	if p.time < paceLeast {
		return math.NaN(), math.NaN(), false
	}
	s := p.time.Seconds()
	return p.rise / s, p.u / s, true
}

// oldGas follows what the pump left through flushes into the fill: each brings
// its share down by the pressure left over the pressure let in.
type oldGas struct {
	begun     bool
	up        bool    // gas has been let in
	low, lowU float64 // lowest pressure of the last seconds before gas was let in, Pa
	now, nowU float64 // lowest of the seconds that run
	since     time.Duration
	top       float64 // highest since gas was let in
	share     float64 // of the old gas in what there is now, before the present low
	doubt     float64 // squares of relative uncertainties
}

const (
	// letIn is by how much the pressure must grow, and above what (Pa), for it to
	// be gas that was let in, and not walls that give some off.
	letIn      = 20.0
	letInAbove = 0.3 * torr
	// lowFor is how far back the lowest pressure before the gas is looked for: what
	// has come off the walls with the pump shut is in the fill.
	lowFor = 5 * time.Second
)

func (g *oldGas) follow(o phase.Observation, u Uncertainties, arc bool) {
	if arc || !g.begun {
		*g = oldGas{begun: true, low: math.Inf(1), now: math.Inf(1), share: 1}
	}
	p := o.Pressure
	if arc || p != p {
		return
	}
	p = max(p, 1e-4)
	if !g.up {
		if o.At-g.since >= lowFor {
			g.low, g.lowU, g.now, g.since = g.now, g.nowU, math.Inf(1), o.At
		}
		if p < g.now {
			g.now, g.nowU = p, u.Pressure
		}
		if least := min(g.low, g.now); p > letIn*least && p > letInAbove {
			if g.now < g.low {
				g.low, g.lowU = g.now, g.nowU
			}
			g.up, g.top = true, p
		}
		return
	}
	g.top = max(g.top, p)
	if p < g.top/letIn { // pumped out again: it was a flush
		g.share *= min(1, g.low/g.top)
		g.doubt += (g.lowU / g.low) * (g.lowU / g.low)
		g.up, g.since, g.low, g.now, g.nowU = false, o.At, math.Inf(1), p, u.Pressure
	}
}

// left is the share of old gas in the gas that is in at a pressure, and its
// standard uncertainty; ok is false if no gas was seen to be let in.
func (g *oldGas) left(pressure float64) (share, u float64, ok bool) {
	if !g.up || !(pressure > 0) {
		return math.NaN(), math.NaN(), false
	}
	share = g.share * min(1, g.low/pressure)
	r := g.lowU / g.low
	return share, share * math.Sqrt(g.doubt+r*r), true
}

// ease puts another form of a limit in its place.
func (c *Checker) ease(l Limit) {
	if i := c.env.index(l.ID); i >= 0 && l.ID != "" {
		t := &c.tracks[i]
		if t.limit = l; t.have {
			t.bad = t.beyond(t.worst)
		}
	}
}

// missedTarget tells whether the glass clearly did not get to its target.
func (c *Checker) missedTarget() bool {
	i := c.env.index(GlassTarget)
	if i < 0 {
		return false
	}
	t := &c.tracks[i]
	return t.have && verdict(&t.limit, t.worst, t.worstU) == Outside && t.worst < t.limit.Low
}

func (c *Checker) judgeOther(t *track, o phase.Observation, u Uncertainties, p phase.ID, dt time.Duration) {
	switch t.kind {
	case pacing:
		if r, ur, ok := c.pace.rate(); ok {
			t.keep(r, ur, o.At, p)
			t.value, t.u = r, ur
		}
	case meanOn:
		t.value, t.u = o.Current, u.Current
		if c.arc && o.Current == o.Current && o.At-c.since >= settleShells {
			c.sums.onS += dt.Seconds()
			c.sums.onI += dt.Seconds() * o.Current
			if c.sums.onS >= holdTime.Seconds() {
				t.keep(c.sums.onI/c.sums.onS, u.Current, o.At, p)
			}
		}
	case diluting:
		if x, ux, ok := c.gas.left(o.Pressure); ok {
			t.keep(x, ux, o.At, p)
			t.value, t.u = x, ux
		}
	case waiting:
		if o.Pressure != o.Pressure {
			return // the phase is then a guess
		}
		t.keep((o.At - c.since).Seconds(), math.Hypot(timeU, c.tipOffU), o.At, p)
		t.value, t.u = t.worst, t.worstU
	case lastly:
		t.value, t.u = o.Glass, u.Glass
		if o.Glass == o.Glass {
			t.keep(o.Glass, u.Glass, o.At, p)
		}
	}
}
