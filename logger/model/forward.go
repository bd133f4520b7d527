package model

import (
	"math"
	"math/rand/v2"
	"slices"

	"tipoff/logger/phase"
)

// Plan is what the operator means to do, from the first air to the arc's end.
type Plan struct {
	DryPressure float64 // air at the first strike, Pa
	DryCurrent  float64 // A
	DryUntil    float64 // reading of the glass at which the first bombard ends, °C
	PumpOut     float64 // s
	Pressure    float64 // air for the main bombard, Pa
	Current     float64 // A
	ShellsAt    float64 // reading of the glass at which the pressure is lowered, °C
	ShellPressure,
	ShellCurrent float64
	ShellHold float64 // s with the arc on after lowering, at least
	Glow      float64 // of it with the shells orange, at least, s
	Reach     float64 // reading of the glass that the arc goes on for, °C
	StopAt    float64 // reading of the glass at which the arc goes off whatever else, °C
	Reaction  float64 // s between seeing and doing
}

// Point is one moment of a predicted run.
type Point struct {
	T        float64 // s from the first strike
	Phase    phase.ID
	Pressure float64 // as the gauge shows it, Pa
	Glass    float64 // as the sensor reads it, °C
	Wall     float64 // the glass under the sensor, °C
	Shell    float64 // °C
	Current  float64 // A
}

// Outcome is what a predicted run comes to.
type Outcome struct {
	Peak       float64 // highest reading of the glass, °C
	Wall       float64 // highest glass under the sensor, °C
	Rate       float64 // fastest rise of the glass under the sensor, °C/s
	MainRate   float64 // mean rise of the glass in the main bombard, °C/s
	DryPeak    float64 // highest reading in the first bombard, °C
	DryTime    float64 // s
	MainTime   float64 // main bombard, from strike to lowering, s
	ShellTime  float64 // with the arc on after lowering, s
	Glow       float64 // of that with the shells orange, s
	Shell      float64 // hottest shell, °C
	GlowAt     float64 // s from the main strike to orange shells; NaN if never
	Total      float64 // main strike to arc off, s
	Stalled    bool    // the glass did not get to where a step of the plan ends
	StoppedHot bool    // StopAt ended the run before the shells had their time
}

// Step is the time from point to point, s.
const Step = 0.5

const (
	longestStage  = 400.0 // s after which a stage that gets nowhere is given up
	coolShown     = 30.0  // s shown after the arc's end
	pumpedTo      = 0.4   // Pa, what a pump in order comes to: 3 micron (trade.md 5)
	lowering      = 7.0   // s in which the pressure is lowered, to 1/e (common practice)
	ramp          = 4.0   // s in which a choke is drawn out, to 1/e
	sipAbove      = 1.35  // times the wanted pressure at which gas is sipped off
	reactionDelay = 1.0   // s, what an operator needs who says nothing else (trade.md 9: 1 to 2 s)
)

// drawn is the share of the way that a choke is drawn in a step.
var drawn = 1 - math.Exp(-Step/ramp)

// Run runs the model forward with the best constants. Points are appended to
// dst, which may be nil; with no dst wanted pass keep false.
func Run(plan *Plan, tube *Tube, room float64, p *Params, keep bool) (Outcome, []Point) {
	return run(plan, tube, room, &p.Theta, keep)
}

// stage is what the simulated operator is at.
type stage uint8

const (
	drying stage = iota
	pumpingOut
	bombarding
	shelling
	resting
)

var phaseOf = [...]phase.ID{phase.Dry, phase.PumpOut, phase.Bombard, phase.Shells, phase.FinalPump}

type runner struct {
	plan  *Plan
	m     machine
	speed float64
	y     state
	in    input
	stage stage
	t     float64
	since float64 // when the stage began
	act   float64 // a decision taken is carried out then; NaN: none
	aim   float64 // pressure that the operator steers for
	main  float64 // when the main bombard began
	from  float64 // glass at that time
	out   Outcome
}

func run(plan *Plan, tube *Tube, room float64, theta *[NumConstants]float64, keep bool) (Outcome, []Point) {
	r := runner{plan: plan, m: newMachine(tube, room, theta), act: math.NaN()}
	r.speed = infos[PumpSpeed].value(theta[PumpSpeed])
	r.in.pressure = math.NaN()
	r.out.GlowAt = math.NaN()
	r.y = state{glass: room, read: room, shell: room, wall: infos[Outgassing].value(theta[Outgassing]) * math.Pi * tube.Bore * tube.Length}
	r.enter(drying)
	if plan.DryPressure <= 0 {
		r.enter(bombarding)
	}
	var points []Point
	for r.stage != resting || r.t-r.since < coolShown {
		if keep {
			points = append(points, r.point())
		}
		before := r.y.glass
		r.steer()
		r.m.step(&r.y, &r.in, Step)
		r.y.amount = max(r.y.amount, pumpedTo*(r.m.vm+r.m.vt))
		r.t += Step
		r.note(before)
		r.decide()
		if r.stage == resting && !keep && r.y.read < r.y.glass+5 && r.t-r.since > 10 {
			break
		}
	}
	if keep {
		points = append(points, r.point())
	}
	return r.out, points
}

func (r *runner) point() Point {
	return Point{T: r.t, Phase: phaseOf[r.stage], Pressure: r.m.pressure(&r.y, r.m.drive(r.in.current)), Glass: r.y.read,
		Wall: r.y.glass, Shell: r.y.shell, Current: r.in.current}
}

func (r *runner) enter(s stage) {
	r.stage, r.since, r.act = s, r.t, math.NaN()
	switch s {
	case drying, bombarding:
		// Air is let in cold, before the strike.
		r.aim, r.in.current = r.plan.DryPressure, 0
		if s == bombarding {
			r.aim, r.main, r.from = r.plan.Pressure, r.t, r.y.glass
		}
		r.y.amount = r.aim * (r.m.vm + r.m.vt*roomK/(r.y.glass+zeroC))
	case shelling:
		r.aim = r.plan.ShellPressure
	}
}

// steer does what hands do within a stage: draw the choke, hold the pressure.
func (r *runner) steer() {
	p := r.plan
	want := 0.0
	switch r.stage {
	case drying:
		want = p.DryCurrent
	case bombarding:
		want = p.Current
	case shelling:
		want = p.ShellCurrent
	}
	if want == 0 {
		r.in.current = 0
	} else {
		if r.in.current += (want - r.in.current) * drawn; math.Abs(r.in.current-want) < 1e-3*want {
			r.in.current = want
		}
	}
	gauge := r.m.pressure(&r.y, r.m.drive(r.in.current))
	r.in.pump, r.in.air = 0, 0
	switch r.stage {
	case drying, bombarding:
		if gauge > sipAbove*r.aim {
			r.in.pump = 0.1 * r.speed
		}
	case shelling:
		// Lower, then hold with stopcock and a little air.
		v := r.m.vm + r.m.vt*roomK/(r.y.glass+500+zeroC)
		if gauge > r.aim {
			r.in.pump = min(r.speed, v/lowering*(gauge-r.aim)/gauge*2)
		} else {
			r.in.air = v / lowering * (r.aim - gauge)
		}
	default:
		r.in.pump = r.speed
	}
}

// note keeps what the outcome is made of.
func (r *runner) note(before float64) {
	o := &r.out
	o.Peak, o.Wall = max(o.Peak, r.y.read), max(o.Wall, r.y.glass)
	o.Rate = max(o.Rate, (r.y.glass-before)/Step)
	switch r.stage {
	case drying:
		o.DryPeak, o.DryTime = max(o.DryPeak, r.y.read), r.t
	case pumpingOut:
		o.DryPeak = max(o.DryPeak, r.y.read)
	case bombarding, shelling:
		o.Shell = max(o.Shell, r.y.shell)
		o.Total = r.t - r.main
		if r.stage == bombarding {
			o.MainTime = r.t - r.main
			o.MainRate = (r.y.glass - r.from) / o.MainTime
		} else {
			o.ShellTime = r.t - r.since
		}
		if r.y.shell >= r.m.of.ShellBright {
			if r.stage == shelling {
				o.Glow += Step
			}
			if o.GlowAt != o.GlowAt {
				o.GlowAt = r.t - r.main
			}
		}
	}
}

// decide is the operator: sees the reading, acts after the reaction time.
func (r *runner) decide() {
	p, in := r.plan, r.t-r.since
	stalled := in > longestStage
	switch r.stage {
	case drying:
		if r.due(r.y.read >= p.DryUntil || stalled) {
			r.out.Stalled = r.out.Stalled || stalled
			r.enter(pumpingOut)
		}
	case pumpingOut:
		if in >= p.PumpOut {
			r.enter(bombarding)
		}
	case bombarding:
		if r.due(r.y.read >= p.ShellsAt || stalled) {
			r.out.Stalled = r.out.Stalled || stalled
			r.enter(shelling)
		}
	case shelling:
		done := in >= p.ShellHold && r.out.Glow >= p.Glow && r.y.read >= p.Reach
		hot := r.y.read >= p.StopAt
		long := in > 3*max(p.ShellHold, p.Glow)
		if r.due(done || hot || long) {
			r.out.StoppedHot = hot && !done
			r.enter(resting)
			r.in.current = 0
		}
	}
}

// due is true a reaction time after cond was first seen.
func (r *runner) due(cond bool) bool {
	if r.act != r.act {
		if !cond {
			return false
		}
		r.act = r.t + r.plan.reaction()
	}
	return r.t >= r.act
}

func (p *Plan) reaction() float64 {
	if p.Reaction > 0 {
		return p.Reaction
	}
	return reactionDelay
}

// Draws is how many runs a prediction is made of beside the best one.
const Draws = 100

// Prediction is a predicted run with its uncertainty.
type Prediction struct {
	Points []Point // with the best constants
	Low    []Point // 2.5 % of the drawn runs lie below, moment by moment
	High   []Point // 2.5 % lie above
	Best   Outcome
	Drawn  []Outcome // in no order
}

// Forward runs plan forward with the constants' uncertainty, by drawing them
// from their covariance with a fixed seed. Trace false leaves out the points.
func Forward(plan *Plan, tube *Tube, room float64, p *Params, trace bool) Prediction {
	next := p.ForNextRun()
	var out Prediction
	out.Best, out.Points = run(plan, tube, room, &p.Theta, trace)
	root := cholesky(&next.Cov)
	rng := rand.New(rand.NewPCG(1, 0x70726564))
	all := make([][]Point, 0, Draws)
	for range Draws {
		theta := draw(&next.Theta, root, rng)
		o, pts := run(plan, tube, room, &theta, trace)
		out.Drawn = append(out.Drawn, o)
		all = append(all, pts)
	}
	if trace {
		out.band(all)
	}
	return out
}

// band is the middle 95 % of the drawn runs at each moment of the best one,
// aligned by phase: what one run is at the middle of its bombard is set beside
// what the others are at the middle of theirs. Side by side by the clock they
// would only show that some are slower.
func (o *Prediction) band(all [][]Point) {
	o.Low, o.High = slices.Clone(o.Points), slices.Clone(o.Points)
	best := stretches(o.Points)
	others := make([][][2]int, len(all))
	for k := range all {
		others[k] = stretches(all[k])
	}
	at := make([]*Point, 0, len(all))
	x := make([]float64, 0, len(all))
	for s, b := range best {
		for i := b[0]; i < b[1]; i++ {
			share := float64(i-b[0]) / float64(max(1, b[1]-b[0]-1))
			at = at[:0]
			for k, pts := range all {
				if s < len(others[k]) {
					c := others[k][s]
					at = append(at, &pts[c[0]+int(share*float64(c[1]-c[0]-1)+0.5)])
				}
			}
			for _, get := range []func(*Point) *float64{
				func(p *Point) *float64 { return &p.Glass }, func(p *Point) *float64 { return &p.Wall },
				func(p *Point) *float64 { return &p.Shell }, func(p *Point) *float64 { return &p.Pressure },
				func(p *Point) *float64 { return &p.Current },
			} {
				x = x[:0]
				for _, p := range at {
					x = append(x, *get(p))
				}
				slices.Sort(x)
				*get(&o.Low[i]), *get(&o.High[i]) = quantile(x, 0.025), quantile(x, 0.975)
			}
		}
	}
}

// stretches are the phases of a predicted run, [from, to) into its points. All
// runs of a plan go through the same phases.
func stretches(points []Point) (out [][2]int) {
	for i := range points {
		if i == 0 || points[i].Phase != points[i-1].Phase {
			out = append(out, [2]int{i, i})
		}
		out[len(out)-1][1] = i + 1
	}
	return out
}

// Quantile is the q-quantile of a number of the drawn outcomes, 0 ≤ q ≤ 1.
func (o *Prediction) Quantile(q float64, of func(*Outcome) float64) float64 {
	x := make([]float64, len(o.Drawn))
	for i := range o.Drawn {
		x[i] = of(&o.Drawn[i])
	}
	slices.Sort(x)
	return quantile(x, q)
}

// quantile of sorted x, between ranks in a straight line.
func quantile(x []float64, q float64) float64 {
	at := q * float64(len(x)-1)
	i := int(at)
	if i+1 >= len(x) {
		return x[len(x)-1]
	}
	return x[i] + (at-float64(i))*(x[i+1]-x[i])
}

// cholesky is the lower root of a covariance; a direction without variance
// gives a row of zeros.
func cholesky(c *[NumConstants][NumConstants]float64) *[NumConstants][NumConstants]float64 {
	var l [NumConstants][NumConstants]float64
	for i := range l {
		for j := range i + 1 {
			s := c[i][j]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			switch {
			case i == j:
				l[i][i] = math.Sqrt(max(0, s))
			case l[j][j] > 0:
				l[i][j] = s / l[j][j]
			}
		}
	}
	return &l
}

// draw takes constants at random, at most three standard deviations off in
// each independent direction.
func draw(mean *[NumConstants]float64, root *[NumConstants][NumConstants]float64, rng *rand.Rand) [NumConstants]float64 {
	var z [NumConstants]float64
	for i := range z {
		z[i] = max(-3, min(3, rng.NormFloat64()))
	}
	out := *mean
	for i := range out {
		for j := range i + 1 {
			out[i] += root[i][j] * z[j]
		}
	}
	return out
}

// HeatingRate is how fast the glass rises at a temperature, current and gauge
// pressure, °C/s.
func HeatingRate(t *Tube, p *Params, room, glass, current, pressure float64) float64 {
	m := newMachine(t, room, &p.Theta)
	y := state{glass: glass, read: glass, shell: glass}
	d := m.slope(&y, &input{current: current, pressure: pressure, drive: m.drive(current)})
	return d.glass
}

// ShellAtRest is the temperature to which a shell comes at a current and gauge
// pressure in glass of the given temperature, °C.
func ShellAtRest(t *Tube, p *Params, glass, current, pressure float64) float64 {
	m := newMachine(t, glass, &p.Theta)
	w := 0.5 * current * m.fall(current, pressure) * t.IntoShell
	return math.Pow(w/(t.ShellEmissivity*stefan*t.ShellArea)+fourth(glass), 0.25) - zeroC
}
