package model

import (
	"math"
	"slices"

	"tipoff/logger/phase"
)

// grid is the time step on which a run is compared with the model, s.
const grid = 1.0

// reading is one value that the fit compares.
type reading struct {
	step  int // of the grid
	value float64
	sigma float64
	share float64 // of a reading's worth: what neighbours do not already say
}

// observations are what a run says, drawn up once.
type observations struct {
	tube    Tube
	room    float64
	first   float64 // reading of the glass at the first grid step
	in      []input
	restart []float64 // reading from which the model starts anew there; NaN: goes on
	glass   []reading
	shell   []reading
	glow    []reading // when shells were first seen to glow
	done    int       // grid step at which they were bright at least; -1: not known
	pumps   []float64 // 1/s, steepest falls of ln p
	strikes []strike
	dried   *drying1
	held    float64 // highest pressure with the arc on, as times length in a usual tube by the handbook, Pa m; 0: none
}

type strike struct{ before, after, current, glass float64 }

// drying1 is the shut tube's gas from one moment of the first bombard to a later one.
type drying1 struct {
	from, to     int // grid steps
	p0, p1       float64
	i0, i1       float64
	read0, read1 float64
}

func observe(s *Series) *observations {
	o := &observations{tube: s.Tube, room: s.Room, done: -1}
	if o.room != o.room {
		o.room = roomOf(s.Samples)
	}
	first, last := arcSpan(s.Samples)
	if first < 0 || o.room != o.room {
		return o
	}
	o.strikesIn(s.Samples)
	o.pumpsIn(s.Samples)
	o.sample(s.Samples, first, last)
	o.seen(&s.Shells, s.Samples[first].T, s.Samples[last].T)
	return o
}

// roomOf is the least of what the glass read before the first arc.
func roomOf(samples []Sample) float64 {
	room := math.NaN()
	for i := range samples {
		x := &samples[i]
		if x.Current > arcCurrent {
			break
		}
		if x.Glass == x.Glass && !(x.Glass >= room) {
			room = x.Glass
		}
	}
	return room
}

// arcSpan is the first and last sample with the arc on, -1 if none.
func arcSpan(samples []Sample) (first, last int) {
	first, last = -1, -1
	for i := range samples {
		switch samples[i].Phase {
		case phase.Fill, phase.TipOff, phase.Vent, phase.Age:
			continue // a lamp that burns is no bombard
		}
		if samples[i].Current > arcCurrent {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	return first, last
}

// sample puts the run on the grid, from just before the first strike to some
// time after the last arc.
func (o *observations) sample(samples []Sample, first, last int) {
	begin, end := samples[first].T, samples[last].T+afterArc
	o.first = math.NaN()
	book := Handbook(Bench{})
	var p, i, t float64
	i = 0
	p = samples[first].Pressure
	t = begin
	k := first
	seen := begin // last glass reading
	for ; t <= end && k < len(samples); t += grid {
		// Means over the grid step.
		var sp, si, sg, ss float64
		var np, ni, ng, ns int
		var off bool
		for ; k < len(samples) && samples[k].T < t+grid; k++ {
			x := &samples[k]
			if x.Pressure == x.Pressure {
				sp, np = sp+x.Pressure, np+1
			}
			if x.Current == x.Current {
				si, ni = si+x.Current, ni+1
			}
			if x.Glass == x.Glass {
				sg, ng = sg+x.Glass, ng+1
			}
			if x.Shell == x.Shell {
				ss, ns = ss+x.Shell, ns+1
			}
		}
		if np > 0 {
			p = sp / float64(np)
		}
		if ni > 0 {
			i = si / float64(ni)
		}
		if i < arcCurrent {
			i, off = 0, true
		}
		n := len(o.in)
		o.in = append(o.in, input{current: i, pressure: max(p, 0.1)})
		again := math.NaN()
		if ng > 0 {
			g := sg / float64(ng)
			if o.first != o.first {
				o.first = g
			}
			if t-seen > gapInRun {
				again = g
			}
			seen = t
			rise := max(0, g-o.room)
			share := grid / remembers
			if off {
				share /= 2 // of cooling there is much and it says little
			}
			o.glass = append(o.glass, reading{n, g, math.Hypot(readError, ownError*rise), share})
		}
		if ns > 0 {
			o.shell = append(o.shell, reading{n, ss / float64(ns), 40, grid / remembers})
		}
		o.restart = append(o.restart, again)
		if i > 0 && p > 0 { // without a reading of the pressure nothing is known to have held
			o.held = max(o.held, p*UsualLength/book.HoldShare(o.tube.Length, o.tube.Bore, i))
		}
	}
	o.dryingIn()
}

// strikesIn finds how the pressure jumps when the arc strikes in the shut tube:
// the hot gas pushes into the manifold, which tells the manifold's volume.
func (o *observations) strikesIn(samples []Sample) {
	for i := 1; i < len(samples); i++ {
		a, b := &samples[i-1], &samples[i]
		if !(a.Current <= arcCurrent && b.Current > arcCurrent) || !(a.Pressure > 50) {
			continue
		}
		// The arc must have been out for a second, and the pressure steady.
		j := i
		for j > 0 && samples[i].T-samples[j].T < 1 {
			j--
		}
		if math.Abs(samples[j].Pressure-a.Pressure) > 0.02*a.Pressure || samples[j].Current > arcCurrent {
			continue
		}
		k := i
		for k+1 < len(samples) && samples[k].T-b.T < 1.2 {
			k++
		}
		x := &samples[k]
		if x.Current > arcCurrent && x.Pressure > 0 && a.Glass == a.Glass {
			o.strikes = append(o.strikes, strike{a.Pressure, x.Pressure, x.Current, a.Glass})
		}
	}
}

// pumpsIn finds the steepest steady fall of each pump-out with the arc off.
func (o *observations) pumpsIn(samples []Sample) {
	const window = 2.0 // s
	best, in := 0.0, false
	j := 0
	finish := func() {
		if best > 0.05 {
			o.pumps = append(o.pumps, best)
		}
		best = 0
	}
	for i := range samples {
		x := &samples[i]
		pumping := (x.Phase == phase.PumpOut || x.Phase == phase.FinalPump) && x.Current <= arcCurrent
		if !pumping {
			if in {
				finish()
			}
			in, j = false, i+1
			continue
		}
		in = true
		for x.T-samples[j].T > window {
			j++
		}
		y := &samples[j]
		if x.T-y.T > window*0.8 && x.Pressure > 5 && y.Pressure < 400 {
			best = max(best, math.Log(y.Pressure/x.Pressure)/(x.T-y.T))
		}
	}
	if in {
		finish()
	}
}

// dryingIn finds the stretch from shortly after the first strike to the highest
// pressure before the stopcock is first turned.
func (o *observations) dryingIn() {
	const settle = 4
	if len(o.in) < settle+10 || len(o.glass) < settle {
		return
	}
	read := make([]float64, len(o.in))
	last := o.first
	g := 0
	for n := range o.in {
		for g < len(o.glass) && o.glass[g].step <= n {
			last = o.glass[g].value
			g++
		}
		read[n] = last
	}
	top := settle
	for n := settle; n < len(o.in) && o.in[n].current > 0; n++ {
		if o.in[n].pressure < 0.98*o.in[top].pressure {
			break
		}
		if o.in[n].pressure >= o.in[top].pressure {
			top = n
		}
	}
	if top-settle < 8 {
		return
	}
	a, b := &o.in[settle], &o.in[top]
	o.dried = &drying1{settle, top, a.pressure, b.pressure, a.current, b.current, read[settle], read[top]}
}

// seen puts what people saw of the shells on the grid; begin and end are the first and
// last moment with the arc on.
func (o *observations) seen(s *Shells, begin, end float64) {
	for _, t := range slices.Sorted(slices.Values(s.Glow)) {
		// Only a shell with the arc on begins to glow, and it begins once: who says so later
		// says the same again, of shells that are hotter by then.
		if n := int((t - begin) / grid); t >= begin && n < len(o.in) && o.in[n].current > 0 {
			o.glow = append(o.glow, reading{n, glowing, glowingU, 1})
			break
		}
	}
	if n := int((end - begin) / grid); s.Done && n < len(o.in) {
		o.done = n
	}
}
