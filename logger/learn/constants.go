package learn

import (
	"fmt"
	"math"
	"time"

	"tipoff/logger/model"
)

// Value is what is known of one constant.
type Value struct {
	Constant model.Constant
	// X is the value in the constant's unit, NaN if no run tells of it; Why then
	// says why.
	X   float64
	Why string
	// U is the standard uncertainty: relative for a constant that is positive, else
	// absolute, as in [model.Info]. OfRuns is the part that more runs make smaller.
	U, OfRuns float64
	Runs      int      // runs that tell of it
	Without   []string // of the constants' runs those that do not
	// Known and KnownU are what is known without the runs, from Basis.
	Known, KnownU float64
	Basis         string
	// Beats: from the runs it is known better than without them.
	Beats bool
}

// Left is a run that was not used.
type Left struct{ Run, Why string }

// Constants are what a bench's runs have taught.
type Constants struct {
	Version int // 1 for the first; 0: not kept yet
	Made    time.Time
	Since   string // earliest run that counts; "": the archive's first
	Held    bool   // put in force by hand: learning does not replace it by itself
	From    int    // the version of which it is a copy; 0: none
	// LagCorrected: the constants are those of glass readings that are corrected
	// for the sensor's lag.
	LagCorrected bool
	Runs         []string // that were used, oldest first
	Left         []Left
	Scatter      float64 // how runs scatter, over what is usual
	Values       [model.NumConstants]Value
	Params       model.Params // for logger/model and logger/plan
}

// common is the standard uncertainty that all runs of a bench share, so that no
// number of runs makes it smaller: what gauge and thermocouple are out, and what
// the model leaves out. Same coordinate as [model.Info.Spread]. Set on the plants
// of seeds 1 to 12, of pump and manifold 101 to 130, so that it covers what they differ by; the rest is common practice.
var common = [model.NumConstants]float64{
	model.Heating:          0.12, // seating, place of the sensor, gauge, what the wall gives off into the air
	model.PressureExponent: 0.06,
	model.CurrentExponent:  0.05,
	model.BoreExponent:     0.08,
	model.Convection:       0.12, // emissivity of the glass, seating
	model.Lag:              0.05,
	model.ShellPower:       0.10,
	model.ShellWarmup:      0.10,
	model.Outgassing:       0.30, // all water of one bond
	model.HoldPressure:     0.15, // it is no pressure times length exactly
	model.PumpSpeed:        0.02, // the pump is not as fast at each pressure; the hand is in what the runs say
	model.ManifoldVolume:   0.03, // gas moves on while it is read; how hot it is is in what the runs say
}

// MostRuns is how many runs, the newest, are learned from: a bench of a
// thousand runs ago is another bench.
const MostRuns = 1000

// Combine puts together what runs taught, oldest first. said is what the owner
// says of the bench, as the prior. It returns nil if no run teaches anything.
func Combine(runs []*Taught, said model.Bench) *Constants {
	if len(runs) == 0 {
		return nil
	}
	runs = runs[max(0, len(runs)-MostRuns):]
	c := &Constants{LagCorrected: runs[len(runs)-1].LagCorrected, Scatter: 1}
	said.LagCorrected = c.LagCorrected
	prior := model.Handbook(said)
	var voices []*voice
	for _, t := range runs {
		v := listen(t, c.LagCorrected)
		if v != nil {
			voices = append(voices, v)
			continue
		}
		why := t.Why
		if why == "" {
			why = "it says nothing beyond the handbook"
		}
		c.Left = append(c.Left, Left{t.Run, why})
	}
	j, ok := combine(voices, &prior)
	if !ok {
		j = &joint{scatter: 1}
	}
	used := map[string]bool{}
	var kept []*voice
	for _, v := range j.voices {
		if v.weight == 0 {
			c.Left = append(c.Left, Left{v.run.Run, v.odd(j)})
			continue
		}
		kept = append(kept, v)
		used[v.run.Run] = true
		c.Runs = append(c.Runs, v.run.Run)
	}
	c.Scatter = j.scatter
	c.Params = prior
	c.Params.Runs = c.Runs
	if ok {
		c.set(j)
	}
	for i := range c.Values {
		id := model.Constant(i)
		c.Values[i] = Value{Constant: id, X: math.NaN(), U: math.NaN(), OfRuns: math.NaN(), Known: prior.Value(id), KnownU: prior.Spread(id),
			Basis: basis(id, said)}
	}
	for i, id := range together {
		v := &c.Values[id]
		for _, o := range kept {
			if o.info[i][i] > tells {
				v.Runs++
			} else {
				v.Without = append(v.Without, o.run.Run)
			}
		}
		if v.Runs == 0 {
			v.Why, v.Without = silent(id), nil
			continue
		}
		v.take(c.Params.Value(id), math.Sqrt(j.cov.At(i, i))*scale(i))
	}
	c.byEye(kept)
	c.plant(runs, used, &prior)
	c.hold(runs, used, &prior)
	if len(c.Runs) == 0 {
		return nil
	}
	return c
}

// set puts what came of the runs together into the parameters.
func (c *Constants) set(j *joint) {
	p := &c.Params
	wider := max(0, j.scatter*j.scatter-1)
	for a, i := range together {
		p.Theta[i] = j.theta[a] * scale(a)
		for b, k := range together {
			p.Cov[i][k] = j.cov.At(a, b) * (scale(a) * scale(b)) // exactly symmetric
		}
		between := i.Info().Between
		p.Cov[i][i] += wider * between * between // the next run scatters like these
	}
}

// byEye widens what is known of the shells if nobody but people saw them: one pair of eyes
// in one shop sees them glow at its own temperature, by 45 °C of 550 for all runs.
func (c *Constants) byEye(kept []*voice) {
	for _, o := range kept {
		if o.run.ShellSensor {
			return
		}
	}
	for _, id := range []model.Constant{model.ShellPower, model.ShellWarmup} {
		if v := &c.Values[id]; v.Runs > 0 {
			v.U = math.Hypot(v.U, 0.08)
			v.Beats = v.U < v.KnownU
		}
	}
}

func (v *Value) take(x, ofRuns float64) {
	v.X, v.OfRuns = x, ofRuns
	v.U = math.Hypot(ofRuns, common[v.Constant])
	v.Beats = v.U < v.KnownU
}

// odd says what is odd about a run that was left out: the constant that it would
// have most different.
func (v *voice) odd(j *joint) string {
	worst, at := 0.0, 0
	for i, c := range together {
		x := math.Abs(v.run.Fit.Theta[c]/scale(i)-j.theta[i]) / math.Hypot(math.Sqrt(v.run.Fit.Cov[c][c])/scale(i), c.Info().Between/scale(i))
		if x > worst {
			worst, at = x, i
		}
	}
	c := together[at]
	p := v.run.Fit
	mean := model.Params{}
	mean.Theta[c] = j.theta[at] * scale(at)
	text := fmt.Sprintf("too far from the other runs; most in %s: %.3g against %.3g", c.Info().ID, p.Value(c), mean.Value(c))
	if unit := c.Info().Unit; unit != "" {
		text += " " + unit
	}
	if v.run.Glows > 0 && (c == model.ShellPower || c == model.ShellWarmup) {
		text += ". Did its shells begin to glow when it is marked? If not, take the mark back (tipoff observe " + v.run.Run + " --withdraw N): the run teaches again"
	}
	return text
}

// silent says why no run tells of a constant.
func silent(c model.Constant) string {
	switch c {
	case model.ShellPower, model.ShellWarmup:
		return "no run has a sensor on a shell, a mark of when the shells began to glow, or a mark as good"
	case model.ManifoldVolume:
		return "no run shows a pump-down with cold gas or the jump of the pressure when the arc strikes in the shut tube"
	case model.BoreExponent:
		return "all tubes had one bore"
	case model.PumpSpeed:
		return "no run shows a pump-down with cold gas"
	case model.HoldPressure:
		return "no arc burned steadily"
	case model.Outgassing:
		return "no first bombard with the tube shut is in the runs"
	}
	return "no run tells of it apart from the others"
}

// basis says where a constant is known from without the runs.
func basis(c model.Constant, said model.Bench) string {
	owner := map[model.Constant]float64{model.ManifoldVolume: said.ManifoldVolume, model.PumpSpeed: said.PumpSpeed, model.HoldPressure: said.Hold, model.ShellPower: said.FallRises,
		model.Convection: said.Convection}
	if owner[c] > 0 {
		return "bench.toml"
	}
	return "handbook"
}

// plant sets the pump's speed and the manifold's volume.
func (c *Constants) plant(runs []*Taught, used map[string]bool, prior *model.Params) {
	const s, vol = model.PumpSpeed, model.ManifoldVolume
	var heard []*Taught
	for _, t := range runs {
		if used[t.Run] {
			heard = append(heard, t)
		}
	}
	// By the runs alone; if the owner knows the volume better, the speed by hers.
	book := model.Handbook(model.Bench{})
	p := plantFrom(heard, book.Theta[vol], book.Spread(vol), book.Theta[s], book.Spread(s))
	hers := p
	if owner := prior.Spread(vol); owner <= math.Hypot(math.Sqrt(p.varV), common[vol]) {
		hers = plantFrom(heard, prior.Theta[vol], owner, prior.Theta[s], prior.Spread(s))
	}
	for _, t := range heard {
		if p.pumps[t.Run] && !p.out[t.Run] {
			c.Values[s].Runs++
		} else {
			c.Values[s].Without = append(c.Values[s].Without, t.Run)
		}
		if p.jumps[t.Run] || p.pumps[t.Run] && !p.out[t.Run] {
			c.Values[vol].Runs++
		} else {
			c.Values[vol].Without = append(c.Values[vol].Without, t.Run)
		}
	}
	theta, cov := &c.Params.Theta, &c.Params.Cov
	set := func(id model.Constant, known, used, knownVar, usedVar float64) {
		v := &c.Values[id]
		if v.Runs == 0 {
			v.Why, v.Without = silent(id), nil
			return
		}
		theta[id], cov[id][id] = used, usedVar
		v.take(math.Exp(known), math.Sqrt(knownVar))
	}
	set(s, hers.logS, hers.logS, hers.varS, hers.varS)
	set(vol, p.logV, hers.logV, p.varV, hers.varV)
	if c.Values[s].Runs > 0 && c.Values[vol].Runs > 0 {
		cov[s][vol], cov[vol][s] = hers.c, hers.c
	}
}

// hold sets the most air at which the arc holds: what the runs' tubes held and lost, as
// it would be in a usual tube.
func (c *Constants) hold(runs []*Taught, used map[string]bool, prior *model.Params) {
	v := &c.Values[model.HoldPressure]
	var held, lost []float64
	for _, t := range runs {
		if !used[t.Run] {
			continue
		}
		if t.Held.Pressure == 0 && len(t.Lost) == 0 {
			v.Without = append(v.Without, t.Run)
			continue
		}
		v.Runs++
		usual := func(b Burning) float64 {
			return b.Pressure * model.UsualLength / c.Params.HoldShare(t.Length, t.Bore, b.Current)
		}
		for _, b := range t.Lost {
			lost = append(lost, usual(b))
		}
		if t.Held.Pressure > 0 {
			held = append(held, usual(t.Held))
		}
	}
	if v.Runs == 0 {
		v.Why, v.Without = silent(model.HoldPressure), nil
		return
	}
	h := HoldOf(held, lost, prior.Theta[model.HoldPressure], prior.Spread(model.HoldPressure))
	p := &c.Params
	p.Theta[model.HoldPressure], p.Cov[model.HoldPressure][model.HoldPressure] = h.Log, h.U*h.U
	v.take(math.Exp(h.Log), h.U)
}
