package plan

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"tipoff/logger/envelope"
	"tipoff/logger/model"
)

// Options are what a plan is made for beside tube and bench.
type Options struct {
	Room float64 // °C; 0: the bench's
}

// Chosen is a plan and what the model expects of it.
type Chosen struct {
	Plan       model.Plan
	Room       float64
	Tube       model.Tube
	Guessed    bool // the shells were guessed from the rating
	Prediction model.Prediction
	// Confidence is the share of the model's drawn runs that end inside all
	// limits that the plan can do something about.
	Confidence float64
	// Doubts name the limits that drawn runs miss, the most often missed first.
	Doubts []Doubt
	// Runs are how many runs taught the constants; 0: the handbook's alone.
	Runs int
}

// Doubt is a limit that some drawn runs miss.
type Doubt struct {
	Limit string  // its ID
	Title string  // as the envelope names it, lower case
	Share float64 // of the runs that miss it
}

// bounds are the limits that a plan has to keep, with guard bands.
type bounds struct {
	target, ceiling     float64 // °C, readings
	reach, stop         float64
	rate                float64 // °C/s
	dryLow, dryHigh     float64
	airLow, airHigh     float64 // Pa
	shellLow, shellHigh float64
	current             float64 // A
	shellTime           float64 // s
	titleOf             map[string]string
}

// guard bands, as shares: a gauge is a few per cent out and a hand is no
// closer; the phase is found some seconds late.
const (
	ofPressure = 0.10
	ofCurrent  = 0.07
	ofRate     = 0.12
	lateBy     = 8.0 // s
	reaction   = 1.5 // s, of the operator (trade.md 9: 1 to 2)
	glassU     = 4.5 // standard uncertainty of a glass reading at target, °C: a tied thermocouple
	// usualAir is what practice begins with, Pa: the middle of what trade.md 1
	// gives for the main bombard.
	usualAir = 2.0 * torr
	mostAir  = 3.2 * torr
	// unseen is by how much of its rise above the room the hottest place of the glass
	// may be hotter than the reading: a tie that sees 0.9 of the rise is usual
	// (handbook, b), and no tube heats evenly.
	unseen = 0.16
	// leastGlass is the least current, as a share of the most, with which glass is
	// usually heated (table electrode: 0.27 to 0.4).
	leastGlass = 0.35
	// goodOrange is by how much a shell at work should be hotter than where the coating
	// begins to turn, °C, and topOrange by how much it should have been for a moment
	// (physics.md 7.1).
	goodOrange = 75.0
	topOrange  = 120.0
)

// errLack is what stops a plan for lack of knowledge.
var errLack = errors.New("too little is known")

// boundsOf takes the limits from the envelope; the error says what is missing. taught
// tells that runs of this bench have taught the model.
func boundsOf(e *envelope.Envelope, o *Options, taught bool) (bounds, error) {
	b := bounds{titleOf: map[string]string{}}
	var lack []string
	get := func(id string) envelope.Limit {
		l, ok := e.Limit(id)
		if !ok || l.Unknown != "" {
			why := "there is no such limit"
			if ok {
				why = l.Unknown
			}
			lack = append(lack, strings.ToLower(l.Title)+": "+why)
		}
		b.titleOf[id] = strings.ToLower(l.Title)
		return l
	}
	target, ceiling := get(envelope.GlassTarget), get(envelope.GlassCeiling)
	rate, dry := get(envelope.HeatingRate), get(envelope.PreheatEnd)
	air, shell := get(envelope.StrikeWindow), get(envelope.ShellWindow)
	current, hold := get(envelope.CurrentLimit), get(envelope.ShellTime)
	if len(lack) > 0 {
		return b, fmt.Errorf("%w: %s", errLack, strings.Join(lack, " "))
	}
	b.target, b.ceiling, b.rate = target.Low, ceiling.High, rate.High*(1-ofRate)
	// The target shall be clearly reached and the ceiling clearly not. As
	// places away from the sensor run hotter, and a junction reads low, the
	// lower end is aimed at.
	room := b.ceiling - b.target
	const u = glassU
	b.reach = b.target + min(2*u, 0.3*room)
	b.stop = b.ceiling - min(2*math.Hypot(u, ceiling.U), 0.4*room)
	if taught {
		// Now the shells can be planned to be done while the glass is well below its
		// ceiling, so that also the places stay below it that no sensor sees. What the
		// handbook alone knows is too little for that: the shells would often be cut short.
		b.reach = b.target + min(u, 0.3*room)
		b.stop = min(b.stop, max(b.ceiling-unseen*(b.ceiling-o.room(e)), b.reach+2*u))
	}
	b.dryLow, b.dryHigh = dry.Low+u, dry.High-2*u
	b.airLow, b.airHigh = air.Low*(1+ofPressure), min(air.High*(1-ofPressure), mostAir)
	b.shellLow, b.shellHigh = shell.Low*(1+2*ofPressure), shell.High*(1-2*ofPressure)
	if s, ok := e.Limit(envelope.SputterPressure); ok && s.Unknown == "" {
		b.shellLow = max(b.shellLow, s.Low*(1+2*ofPressure))
	}
	b.current = current.High * (1 - ofCurrent)
	b.shellTime = hold.Low
	if b.airHigh < b.airLow {
		return b, fmt.Errorf("with a tenth of room on either side the arc of this tube holds up to %s of air and wants at least %s: the bombarder is too small for it",
			envelope.Say(b.airHigh, "Pa"), envelope.Say(b.airLow, "Pa"))
	}
	return b, nil
}

func (o *Options) room(e *envelope.Envelope) float64 {
	if o.Room != 0 {
		return o.Room
	}
	return e.Bench.Room()
}

// Choose finds the plan for the tube of an envelope on the bench of params. The
// error says in words what is missing or in the way.
func Choose(e *envelope.Envelope, params *model.Params, o Options) (*Chosen, error) {
	if !e.Known {
		return nil, fmt.Errorf("%w: there is no tube card", errLack)
	}
	c := &Chosen{Room: o.room(e), Runs: len(params.Runs)}
	c.Tube, c.Guessed = TubeOf(e.Card, e.Bench.Tables)
	if !c.Tube.Valid() {
		return nil, fmt.Errorf("%w: the card does not say %s", errLack, strings.Join(e.Card.Gaps(), ", "))
	}
	b, err := boundsOf(e, &o, c.Runs > 0)
	if err != nil {
		return nil, err
	}
	if hold := params.HoldAt(c.Tube.Length, c.Tube.Bore); hold < b.airHigh {
		b.airHigh = max(b.airLow, hold*0.9)
	}
	s := search{b: &b, c: c, p: params}
	s.find()
	c.judge(&b, params)
	return c, nil
}

// search goes over pressures and currents with the best constants and keeps the
// plan with the least cost. How sure it is of the heating sets how much slower
// than the limit it goes.
type search struct {
	b    *bounds
	c    *Chosen
	p    *model.Params
	best float64
}

func (s *search) find() {
	s.best = math.Inf(1)
	// The heating may be this much more than thought (95 %).
	u := s.heatSpread()
	most := s.b.rate / math.Exp(1.65*u)
	wanted := min(0.6*most, 3)
	wanted = max(wanted, min(most, 1.2))
	for _, way := range []struct{ ps, sure float64 }{
		{0.68, 0}, {0.75, 0.5}, {0.75, 0}, {0.95, 0.5},
	} {
		ps := max(s.b.shellLow, min(s.b.shellHigh, way.ps*torr))
		is := s.shellCurrent(ps, way.sure)
		for _, air := range spread(s.b.airLow, s.b.airHigh, 3) {
			last := 0.0
			for _, rate := range []float64{0.7 * wanted, wanted, 1.3 * wanted} {
				i := s.currentFor(min(rate, most), air)
				if i > 1.02*last {
					s.try(air, i, ps, is)
				}
				last = i
			}
		}
	}
}

// heatSpread is the standard uncertainty of the heating's logarithm at the
// pressures and currents of a bombard of this tube.
func (s *search) heatSpread() float64 {
	next := s.p.ForNextRun()
	var g [model.NumConstants]float64
	g[model.Heating] = 1
	g[model.PressureExponent] = math.Log(usualAir / torr)
	g[model.CurrentExponent] = math.Log(0.6 * s.b.current / model.UsualCurrent)
	g[model.BoreExponent] = math.Log(s.c.Tube.Bore / model.UsualBore)
	v := 0.0
	for i := range g {
		for j := range g {
			v += g[i] * next.Cov[i][j] * g[j]
		}
	}
	return math.Sqrt(max(0, v))
}

func spread(lo, hi float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = lo + (hi-lo)*float64(i)/float64(n-1)
	}
	return out
}

// currentFor is the current that heats the glass at rate when it is warm, 100 °C,
// at a pressure a little above what was let in.
func (s *search) currentFor(rate, air float64) float64 {
	lo, hi := 0.02, s.b.current
	for range 24 {
		mid := (lo + hi) / 2
		if model.HeatingRate(&s.c.Tube, s.p, s.c.Room, 100, mid, 1.2*air) < rate {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// shellCurrent is the current that keeps the shells at a good orange, even if the fall
// gives less than thought by sure standard deviations.
func (s *search) shellCurrent(pressure, sure float64) float64 {
	lo, hi := 0.05, s.b.current
	less := 1 - sure*s.p.Spread(model.ShellPower)
	for range 24 {
		mid := (lo + hi) / 2
		if model.ShellAtRest(&s.c.Tube, s.p, 200, mid*less, pressure) < s.c.Tube.ShellBright+goodOrange {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

func (s *search) plan(air, current, ps, is, shellsAt float64) model.Plan {
	b := s.b
	p := model.Plan{
		DryPressure: max(b.airLow, min(b.airHigh, usualAir)), DryCurrent: 0.65 * current, PumpOut: 60,
		Pressure: air, Current: current, ShellsAt: shellsAt, ShellPressure: ps, ShellCurrent: is,
		ShellHold: b.shellTime + lateBy, Glow: b.shellTime * 0.75, Reach: b.reach, Reaction: reaction,
	}
	rate := model.HeatingRate(&s.c.Tube, s.p, s.c.Room, 100, p.DryCurrent, 1.1*p.DryPressure)
	p.DryUntil = (b.dryLow+b.dryHigh)/2 - max(0, rate)*p.Reaction
	// While the shells are held the glass goes on for the operator's time and
	// what the sensor lags.
	rate = max(0, model.HeatingRate(&s.c.Tube, s.p, s.c.Room, b.reach, is, ps))
	p.StopAt = max(b.reach+3, b.stop-rate*(p.Reaction+s.p.Value(model.Lag)))
	return p
}

// try finds the reading at which to lower the pressure so that the glass ends
// where it is wanted, and keeps the plan if it is the best.
func (s *search) try(air, current, ps, is float64) {
	aim := s.b.reach + 3
	lo, hi := s.b.dryHigh-20, s.b.reach
	var p model.Plan
	var o model.Outcome
	at := func(x float64) {
		p = s.plan(air, current, ps, is, x)
		o, _ = model.Run(&p, &s.c.Tube, s.c.Room, s.p, false)
	}
	at(hi)
	if o.Peak > aim+2 {
		for range 5 {
			mid := (lo + hi) / 2
			if at(mid); o.Peak > aim {
				hi = mid
			} else {
				lo = mid
			}
		}
		at((lo + hi) / 2)
	}
	cost := s.cost(&p, &o)
	if cost < s.best {
		s.best, s.c.Plan = cost, p
	}
}

func (s *search) cost(p *model.Plan, o *model.Outcome) float64 {
	b := s.b
	sq := func(x float64) float64 { return x * x }
	over := func(x, scale float64) float64 { return 20 * sq(max(0, x)/scale) }
	c := over(b.target-o.Peak, 4) + over(o.Peak-b.stop, 4) + over(o.Rate-b.rate, 0.1*b.rate) +
		over(b.shellTime+3-o.ShellTime, 5) + over(p.Glow-o.Glow, 8)
	if o.Stalled {
		c += 100
	}
	// A bombard of one and a half to two minutes is what practice likes; the air in the
	// middle of what is allowed leaves room for a hand on either side.
	c += 0.5 * sq(max(0, math.Log(leastGlass*b.current/(1-ofCurrent)/p.Current)))
	c += sq((o.Total-110)/80) + 0.5*sq(math.Log(p.Pressure/usualAir)) +
		sq(math.Log(p.ShellPressure/(0.9*torr))) + 0.5*sq(max(0, s.c.Tube.ShellBright+topOrange-o.Shell)/60)
	if o.GlowAt == o.GlowAt {
		// Shells that glow long before the glass is warm sputter; long after, the glass waits.
		c += 0.5 * sq((o.GlowAt-o.MainTime)/40)
	}
	return c
}

// judge foretells the chosen plan with its uncertainty.
func (c *Chosen) judge(b *bounds, params *model.Params) {
	c.Prediction = model.Forward(&c.Plan, &c.Tube, c.Room, params, true)
	miss := []struct {
		id string
		is func(*model.Outcome) bool
	}{
		{envelope.GlassCeiling, func(o *model.Outcome) bool { return o.Peak > b.ceiling }},
		{envelope.GlassTarget, func(o *model.Outcome) bool { return o.Peak < b.target }},
		{envelope.HeatingRate, func(o *model.Outcome) bool { return o.Rate > b.rate/(1-ofRate) }},
		{envelope.PreheatEnd, func(o *model.Outcome) bool { return o.DryPeak < b.dryLow-5 || o.DryPeak > b.dryHigh+9 }},
		{envelope.ShellTime, func(o *model.Outcome) bool { return o.ShellTime < b.shellTime || o.Glow < c.Plan.Glow }},
	}
	inside := 0
	counts := make([]int, len(miss))
	for i := range c.Prediction.Drawn {
		good := true
		for k := range miss {
			if miss[k].is(&c.Prediction.Drawn[i]) {
				counts[k]++
				good = false
			}
		}
		if good {
			inside++
		}
	}
	n := float64(len(c.Prediction.Drawn))
	c.Confidence = float64(inside) / n
	for range miss {
		k := 0
		for j := range counts {
			if counts[j] > counts[k] {
				k = j
			}
		}
		if counts[k] == 0 {
			break
		}
		c.Doubts = append(c.Doubts, Doubt{miss[k].id, b.titleOf[miss[k].id], float64(counts[k]) / n})
		counts[k] = 0
	}
}
