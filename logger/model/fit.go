package model

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"tipoff/logger/phase"
)

// Sample is one moment of a recorded run; NaN where there is no reading.
type Sample struct {
	T        float64 // s, rising
	Phase    phase.ID
	Pressure float64 // Pa
	Glass    float64 // °C
	Current  float64 // A rms
	Shell    float64 // °C, of an electrode shell; most benches have no such sensor
}

// Series is a run as the fit takes it.
type Series struct {
	Run     string // its ID, for the record
	Tube    Tube
	Room    float64 // °C; NaN: what the glass read before the first arc
	Samples []Sample
	Shells  Shells
}

// Shells is what people saw of the shells in a run.
type Shells struct {
	Glow []float64 // s, when they were first seen to glow, on the samples' clock
	// Done: the run was good, so that the shells were bright when its last arc went off.
	Done bool
}

// Residual tells how a run agreed with the model.
type Residual struct {
	Run    string
	Used   bool
	Why    string  // why it was not used
	Points int     // glass readings that were compared
	RMS    float64 // of reading less model after the fit, °C; NaN if there was none
	Before float64 // the same before the fit, with the constants known until then, °C
	Moved  float64 // largest change of a constant, in its standard uncertainties before
}

const (
	arcCurrent = 0.015 // A, above which the arc burns
	// The model's own error stays the same for a while; readings nearer than
	// that say nothing new.
	remembers = 15.0 // s
	readError = 1.0  // °C, of a reading
	ownError  = 0.02 // of the rise above the room: the model's own
	huber     = 2.0  // standard deviations beyond which a reading counts less
	// A run that stays this far from the model after the fit is another story:
	// a sensor that fell off, a fan, a card of another tube.
	worstRMS    = 18.0
	farthest    = 4.0 // standard deviations, both from what was known and from the handbook
	leastPoints = 20  // glass readings with the arc on
	gapInRun    = 5.0
	// In a lit shop iron is first seen to glow a little above Draper's 525 °C, which is for
	// the dark: physics.md 7.1 has 480 to 600 by three tables. Between eyes and shops, and
	// with a hand that is a second or two late, it is that uncertain.
	glowing, glowingU = 570.0, 45.0
	brightU           = 60.0 // °C, of when shells count as bright
	afterArc          = 25.0 // s for which the cooling is followed; later a fan may be on
)

// Fit moves the constants from prior by the runs, oldest first, each in turn:
// before each run the constants' uncertainty grows by what they differ from
// run to run, so that an old run counts less than a new one, and the
// uncertainty never falls below what one bench shows from evening to evening. A
// run that has too little in it, or that the model cannot follow, is left out
// and says so in its Residual.
func Fit(runs []Series, prior Params) (Params, []Residual) {
	p := prior
	p.Runs = append([]string(nil), prior.Runs...)
	all := make([]Residual, 0, len(runs))
	for i := range runs {
		next, res := fitOne(&runs[i], p)
		if res.Used {
			p = next
		}
		all = append(all, res)
	}
	return p, all
}

func fitOne(s *Series, prior Params) (Params, Residual) {
	res := Residual{Run: s.Run, RMS: math.NaN(), Before: math.NaN()}
	if !s.Tube.Valid() {
		res.Why = "the tube card lacks a measure"
		return prior, res
	}
	o := observe(s)
	if res.Points = len(o.glass); res.Points < leastPoints {
		res.Why = "too few readings of glass, pressure and current with the arc on"
		return prior, res
	}
	start := prior
	if len(prior.Runs) > 0 {
		start = prior.ForNextRun()
	}
	theta, cov, ok := o.solve(&start)
	if !ok {
		res.Why = "the fit did not settle"
		return prior, res
	}
	res.Before, res.RMS = o.rms(&start.Theta), o.rms(&theta)
	for i := range theta {
		if u := start.Spread(Constant(i)); u > 0 {
			res.Moved = max(res.Moved, math.Abs(theta[i]-start.Theta[i])/u)
		}
	}
	wild := 0.0
	for i := range theta {
		off := min(math.Abs(theta[i]-start.Theta[i])/start.Spread(Constant(i)), math.Abs(theta[i]-infos[i].coordinate(infos[i].Mean))/infos[i].Spread)
		wild = max(wild, off)
	}
	if wild > farthest {
		res.Why = "it would need constants that no bench has: was the sensor on the glass, and is it the card's tube?"
		return prior, res
	}
	if !(res.RMS <= worstRMS) {
		res.Why = "the model cannot follow the glass: was the sensor on it, and is it the card's tube?"
		return prior, res
	}
	res.Used = true
	out := Params{Theta: theta, Cov: cov, Runs: append(append([]string(nil), prior.Runs...), s.Run)}
	return out, res
}

// amount is the gas in tube and manifold, Pa·m³ at 20 °C, at a gauge reading.
func (m *machine) amount(p, current, glass float64) float64 {
	y := state{glass: glass}
	y.amount = 1
	// The pressure for one unit depends only weakly on the amount, through the
	// gas's heating: two turns are enough.
	for range 2 {
		unit := m.pressure(&y, m.drive(current)) / y.amount
		y.amount = p / unit
	}
	return y.amount
}

// follow runs the model through the run's own currents and pressures and gives
// reading and shell at each grid step, and the share of the water still there.
func (o *observations) follow(theta *[NumConstants]float64, at func(n int, y *state)) {
	m := newMachine(&o.tube, o.room, theta)
	y := state{glass: o.first, read: o.first, shell: o.first, wall: 1}
	if y.glass != y.glass {
		return
	}
	for n := range o.in {
		if a := o.restart[n]; a == a {
			y.glass, y.read = a, a
		}
		// A grid value is the mean over the step: compared with its middle.
		in := o.in[n]
		m.step(&y, &in, grid/2)
		at(n, &y)
		m.step(&y, &in, grid/2)
	}
}

func (o *observations) rms(theta *[NumConstants]float64) float64 {
	sum, k := 0.0, 0
	o.follow(theta, func(n int, y *state) {
		for k < len(o.glass) && o.glass[k].step == n {
			d := o.glass[k].value - y.read
			sum += d * d
			k++
		}
	})
	return math.Sqrt(sum / float64(len(o.glass)))
}

// residuals appends all weighted residuals for theta, in the same order each
// time. Each has unit variance if the model is right.
func (o *observations) residuals(dst []float64, theta *[NumConstants]float64) []float64 {
	followed, left := o.followed(nil, theta)
	return o.others(append(dst, followed...), theta, left)
}

// moves tells which constants the followed run depends on; the others only
// enter what [observations.others] compares.
func (o *observations) moves(c Constant) bool {
	switch c {
	case Heating, PressureExponent, CurrentExponent, BoreExponent, Convection, Lag:
		return true
	case ShellPower, ShellWarmup:
		return len(o.shell) > 0 || len(o.glow) > 0 || o.done >= 0
	}
	return false
}

// followed appends the weighted residuals of glass, then of shells; left is the
// share of the wall's water that left in the first bombard's watched stretch.
func (o *observations) followed(dst []float64, theta *[NumConstants]float64) (out []float64, left float64) {
	g, s := 0, 0
	var shells []float64
	glow := 0
	var left0, left1 float64
	o.follow(theta, func(n int, y *state) {
		for ; g < len(o.glass) && o.glass[g].step == n; g++ {
			r := &o.glass[g]
			dst = append(dst, (r.value-y.read)/r.sigma*math.Sqrt(r.share))
		}
		for ; s < len(o.shell) && o.shell[s].step == n; s++ {
			r := &o.shell[s]
			shells = append(shells, (r.value-y.shell)/r.sigma*math.Sqrt(r.share))
		}
		for ; glow < len(o.glow) && o.glow[glow].step == n; glow++ {
			r := &o.glow[glow]
			shells = append(shells, (r.value-y.shell)/r.sigma)
		}
		if n == o.done {
			// Not less than bright; more says nothing.
			shells = append(shells, max(0, o.tube.ShellBright-y.shell)/brightU)
		}
		if o.dried != nil {
			if n == o.dried.from {
				left0 = y.wall
			}
			if n == o.dried.to {
				left1 = y.wall
			}
		}
	})
	return append(dst, shells...), left0 - left1
}

// others appends the residuals of pump, strikes, water and held pressure.
func (o *observations) others(dst []float64, theta *[NumConstants]float64, left float64) []float64 {
	m := newMachine(&o.tube, o.room, theta)
	v := m.vm + m.vt
	for _, k := range o.pumps {
		// A stopcock opened by hand and the tubulation make it seem slower.
		dst = append(dst, (math.Log(k)-(theta[PumpSpeed]-math.Log(v)))/0.3)
	}
	for _, x := range o.strikes {
		// The lit gas is as hot as its heat makes it at the pressure that it has then.
		j := Jump{Wall: x.glass, Hot: m.hotter(m.drive(x.current), x.after)}
		dst = append(dst, math.Log(x.after/x.before/j.Expect(m.vt, m.vm, 1))/0.04)
	}
	if d := o.dried; d != nil {
		gain := m.amount(d.p1, d.i1, d.read1) - m.amount(d.p0, d.i0, d.read0)
		gain = max(gain, 0.02*m.amount(d.p0, d.i0, d.read0))
		pool := math.Exp(theta[Outgassing]) * math.Pi * o.tube.Bore * o.tube.Length
		dst = append(dst, math.Log(gain/max(1e-9, pool*left))/0.5)
	}
	if o.held > 0 {
		// The arc held at this: the limit is not lower.
		dst = append(dst, max(0, math.Log(o.held)-theta[HoldPressure])/0.05)
	}
	return dst
}

// solve finds the most likely constants, given prior and run, by Gauss-Newton
// steps with Huber's weights and Marquardt's damping.
func (o *observations) solve(prior *Params) (theta [NumConstants]float64, cov [NumConstants][NumConstants]float64, ok bool) {
	const n = NumConstants
	theta = prior.Theta
	inv, ok := inverse(&prior.Cov)
	if !ok {
		return theta, cov, false
	}
	// The readings that stand for 15 s together are weighted by their own
	// deviation for Huber's rule, not by what is left of it.
	shrink := math.Sqrt(remembers / grid)
	base, left := o.followed(nil, &theta)
	r := o.others(append([]float64(nil), base...), &theta, left)
	glass := len(o.glass)
	weights := make([]float64, len(r))
	weigh := func(r []float64) {
		for i := range r {
			x := math.Abs(r[i])
			if i < glass {
				x *= shrink
			}
			weights[i] = 1
			if x > huber {
				weights[i] = huber / x
			}
		}
	}
	cost := func(r []float64, th *[n]float64) float64 {
		c := 0.0
		for i := range r {
			x, k := math.Abs(r[i]), huber
			if i < glass {
				k /= shrink
			}
			if x > k {
				c += 2*k*x - k*k
			} else {
				c += x * x
			}
		}
		for i := range n {
			for j := range n {
				c += (th[i] - prior.Theta[i]) * inv[i][j] * (th[j] - prior.Theta[j])
			}
		}
		return c
	}
	jac := make([][]float64, n)
	var h [n][n]float64
	now := cost(r, &theta)
	damp := 1e-3
	for range 25 {
		weigh(r)
		var grad [n]float64
		for j := range n {
			d := 1e-3
			up := theta
			up[j] += d
			if o.moves(Constant(j)) {
				jac[j] = o.residuals(jac[j][:0], &up)
			} else {
				jac[j] = o.others(append(jac[j][:0], base...), &up, left)
			}
			for i := range r {
				jac[j][i] = (jac[j][i] - r[i]) / d
			}
		}
		for a := range n {
			for b := range a + 1 {
				s := inv[a][b]
				for i := range r {
					s += weights[i] * jac[a][i] * jac[b][i]
				}
				h[a][b], h[b][a] = s, s
			}
			for i := range r {
				grad[a] += weights[i] * jac[a][i] * r[i]
			}
			for b := range n {
				grad[a] += inv[a][b] * (theta[b] - prior.Theta[b])
			}
		}
		better := false
		var size float64
		for range 8 {
			damped := h
			for i := range n {
				damped[i][i] *= 1 + damp
			}
			c, fine := inverse(&damped)
			if !fine {
				return theta, cov, false
			}
			try := theta
			size = 0
			for i := range n {
				d := 0.0
				for j := range n {
					d -= c[i][j] * grad[j]
				}
				try[i] += d
				size = max(size, math.Abs(d)/math.Sqrt(prior.Cov[i][i]))
			}
			bt, lt := o.followed(nil, &try)
			rt := o.others(append([]float64(nil), bt...), &try, lt)
			if x := cost(rt, &try); x < now {
				theta, r, base, left, now, better = try, rt, bt, lt, x, true
				damp = max(1e-6, damp/5)
				break
			}
			damp *= 5
		}
		if !better || size < 3e-3 {
			break
		}
	}
	cov, ok = inverse(&h)
	return theta, cov, ok
}

// inverse of a symmetric positive matrix.
func inverse(a *[NumConstants][NumConstants]float64) (out [NumConstants][NumConstants]float64, ok bool) {
	s := mat.NewSymDense(NumConstants, nil)
	for i := range a {
		for j := range i + 1 {
			s.SetSym(i, j, a[i][j])
		}
	}
	var c mat.Cholesky
	if !c.Factorize(s) {
		return out, false
	}
	var inv mat.SymDense
	if c.InverseTo(&inv) != nil {
		return out, false
	}
	for i := range out {
		for j := range out {
			out[i][j] = inv.At(i, j)
		}
	}
	return out, true
}
