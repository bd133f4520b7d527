package learn

import (
	"fmt"
	"math"
	"slices"
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
// of seeds 1 to 12 so that it covers what they differ by; the rest is common practice.
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
	model.PumpSpeed:        0.12, // a hand opens the stopcock while the pressure falls
	model.ManifoldVolume:   0.12, // how hot the lit gas is
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
	c.pump(runs, used)
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
	return fmt.Sprintf("too far from the other runs; most in %s: %.3g against %.3g %s", c.Info().ID, p.Value(c), mean.Value(c), c.Info().Unit)
}

// silent says why no run tells of a constant.
func silent(c model.Constant) string {
	switch c {
	case model.ShellPower, model.ShellWarmup:
		return "no run has a sensor on a shell"
	case model.ManifoldVolume:
		return "no run shows the jump of the pressure when the arc strikes in the shut tube"
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
	owner := map[model.Constant]float64{model.ManifoldVolume: said.ManifoldVolume, model.PumpSpeed: said.PumpSpeed, model.HoldPressure: said.OpenCircuit,
		model.Convection: said.Convection}
	if owner[c] > 0 {
		return "bench.toml"
	}
	return "handbook"
}

// pump sets the pump's speed from the rates at which it empties tube and
// manifold.
func (c *Constants) pump(runs []*Taught, used map[string]bool) {
	v := &c.Values[model.PumpSpeed]
	vm := c.Params.Value(model.ManifoldVolume)
	var x, u, share []float64
	var who []string
	for _, t := range runs {
		if !used[t.Run] {
			continue
		}
		if t.Pump == nil {
			v.Without = append(v.Without, t.Run)
			continue
		}
		x = append(x, math.Log(t.Pump.Rate*(vm+t.Pump.Volume)))
		u = append(u, t.Pump.U/t.Pump.Rate)
		share = append(share, vm/(vm+t.Pump.Volume))
		who = append(who, t.Run)
	}
	if len(x) == 0 {
		v.Why, v.Without = silent(model.PumpSpeed), nil
		return
	}
	m := MeanOf(x, u, model.PumpSpeed.Info().Between)
	for i, out := range m.Out {
		if out {
			v.Without = append(v.Without, who[i])
		}
	}
	slices.Sort(v.Without)
	v.Runs = len(x) - (len(v.Without) - (len(c.Runs) - len(x)))
	// The volume's doubt is the speed's, as far as the volume is the manifold's.
	a := median(share)
	cov := &c.Params.Cov
	const s, vol = model.PumpSpeed, model.ManifoldVolume
	uv := a * math.Sqrt(cov[vol][vol])
	c.Params.Theta[s] = m.X
	for _, k := range together {
		cov[s][k] = a * cov[vol][k]
		cov[k][s] = cov[s][k]
	}
	cov[s][s] = m.U*m.U + uv*uv
	v.take(math.Exp(m.X), math.Hypot(m.U, uv))
	v.U = math.Hypot(v.U, a*common[vol])
	v.Beats = v.U < v.KnownU
}

// hold sets the most air at which the arc holds.
func (c *Constants) hold(runs []*Taught, used map[string]bool, prior *model.Params) {
	v := &c.Values[model.HoldPressure]
	var held, lost []float64
	for _, t := range runs {
		if !used[t.Run] {
			continue
		}
		if t.Held == 0 && len(t.Lost) == 0 {
			v.Without = append(v.Without, t.Run)
			continue
		}
		v.Runs++
		lost = append(lost, t.Lost...)
		if t.Held > 0 {
			held = append(held, t.Held)
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
