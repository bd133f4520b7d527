package learn

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/interp"

	"tipoff/logger/model"
	"tipoff/logger/vacuum"
)

// volumes are those of the manifold, m³, for which each run's pump-down is fitted; what
// lies between is interpolated.
var volumes = [...]float64{0.1e-3, 0.17e-3, 0.28e-3, 0.45e-3, 0.7e-3, 1.1e-3, 1.8e-3, 3e-3}

// Pump is what the first pump-down of a run shows: the pump's speed for each of the
// manifold's [volumes].
type Pump [len(volumes)]vacuum.Drawn

const (
	// What is known of how hot the lit gas is over what the model has, as a logarithm:
	// 0.6 to 0.9 of the column's power goes into the glass where the model has 0.75
	// (handbook 5), the sensor sees 0.9 to 0.99 of it (handbook 7), and hot air conducts
	// as well as it does to a tenth.
	hotter, hotterU = 0.08, 0.16
	// A jump is read to jumpRead, and its gas as hot as the bench's usually is to jumpHot.
	jumpRead, jumpHot = 0.008, 0.10
	// wider is a jump that tells of something else, mistaken of all: so many times as wide.
	wider = 6.0
	// What the model of pump-down and jump leaves out is the same in all runs of a bench, so
	// that more than so many say nothing new of the manifold's volume.
	mostPumps, mostJumps = 6.0, 8.0
	mostMisfit           = 6.0 // about 2.5 standard deviations
	// sameHand is the part of a pump-down's variance that all have in common: one hand
	// opens one stopcock.
	sameHand = 0.5
)

// scatters are by how much the pump's speed may differ from run to run, all as likely.
var scatters = [...]float64{0.01, 0.02, 0.04, 0.08, 0.16}

// drawnOf is a pump-down as a function of the logarithm of the manifold's volume.
type drawnOf struct {
	run              *Taught
	speed, u, misfit interp.NaturalCubic
	least            float64 // misfit
	x, v             float64 // at the volume looked at
}

func (d *drawnOf) at(logV float64) {
	logV = min(max(logV, math.Log(volumes[0])), math.Log(volumes[len(volumes)-1]))
	d.x = d.speed.Predict(logV) + math.Log(math.Exp(logV)+d.run.Volume)
	u := math.Exp(d.u.Predict(logV))
	d.v = u * u
}

func newDrawnOf(t *Taught) (*drawnOf, bool) {
	var at, s, u, m [len(volumes)]float64
	for i, v := range volumes {
		d := &t.Pump[i]
		at[i], s[i], u[i], m[i] = math.Log(v), d.LogSpeed-math.Log(v+t.Volume), math.Log(d.U), d.Misfit
	}
	d := &drawnOf{run: t, least: slices.Min(m[:])}
	ok := d.speed.Fit(at[:], s[:]) == nil && d.u.Fit(at[:], u[:]) == nil && d.misfit.Fit(at[:], m[:]) == nil
	return d, ok
}

// plant is what pump-downs and jumps say together of the manifold's volume and the pump's
// speed: logarithms and their covariance.
type plantOf struct {
	logV, logS    float64
	varV, varS, c float64 // c: covariance
	pumps, jumps  map[string]bool
	out           map[string]bool // pump-downs that are too far from the others
}

// plantFrom finds them by Bayes' rule on a grid over the manifold's volume and how hot the
// lit gas is. Tubes of different volumes tell one from the other: the pump
// empties a large one more slowly by what it adds to the manifold, and its gas
// raises the pressure the more.
func plantFrom(runs []*Taught, priorV, priorVU, priorS, priorSU float64) *plantOf {
	p := &plantOf{pumps: map[string]bool{}, jumps: map[string]bool{}, out: map[string]bool{}}
	var pumps []*drawnOf
	type jump struct {
		model.Jump
		tube float64
	}
	var jumps []jump
	for _, t := range runs {
		if t.Pump != nil {
			if d, ok := newDrawnOf(t); ok {
				pumps = append(pumps, d)
				p.pumps[t.Run] = true
			}
		}
		for _, j := range t.Jumps {
			jumps = append(jumps, jump{j, t.Volume})
			p.jumps[t.Run] = true
		}
	}
	const nV, nH = 81, 25
	var logV, logL, meanS, varS [nV]float64
	use := pumps
	for turn := range 2 {
		top := math.Inf(-1)
		for i := range nV {
			x := priorV + 4*priorVU*(2*float64(i)/(nV-1)-1)
			logV[i] = x
			l := -0.5 * math.Pow((x-priorV)/priorVU, 2)
			// The gas's heat is integrated over.
			if len(jumps) > 0 {
				var each [nH]float64
				worth := min(1, mostJumps/float64(len(jumps)))
				most := math.Inf(-1)
				for k := range nH {
					z := 3 * (2*float64(k)/(nH-1) - 1)
					times := math.Exp(hotter + z*hotterU)
					s := -0.5 * z * z
					for _, j := range jumps {
						e := math.Log(j.Expect(j.tube, math.Exp(x), times))
						u := math.Hypot(jumpRead, jumpHot*e)
						s += worth * (logMixture((math.Log(j.Ratio)-e)/u) - math.Log(u))
					}
					each[k] = s
					most = max(most, s)
				}
				sum := 0.0
				for _, s := range each {
					sum += math.Exp(s - most)
				}
				l += most + math.Log(sum)
			}
			var lp float64
			lp, meanS[i], varS[i] = speedAt(use, x, priorS, priorSU)
			logL[i] = l + lp
			top = max(top, logL[i])
		}
		var w, v1, v2, s1, s2, vs float64
		for i := range nV {
			q := math.Exp(logL[i] - top)
			w, v1, v2 = w+q, v1+q*logV[i], v2+q*logV[i]*logV[i]
			s1, s2, vs = s1+q*meanS[i], s2+q*(meanS[i]*meanS[i]+varS[i]), vs+q*meanS[i]*logV[i]
		}
		p.logV, p.logS = v1/w, s1/w
		p.varV, p.varS, p.c = v2/w-p.logV*p.logV, s2/w-p.logS*p.logS, vs/w-p.logV*p.logS
		if turn > 0 || len(pumps) < 3 {
			break
		}
		// Runs whose pump-down is too far from the others are left out.
		x, u := make([]float64, len(pumps)), make([]float64, len(pumps))
		for i, d := range pumps {
			d.at(p.logV)
			x[i], u[i] = d.x, math.Sqrt(d.v)
		}
		use = nil
		for i, out := range MeanOf(x, u, model.PumpSpeed.Info().Between).Out {
			if out {
				p.out[pumps[i].run.Run] = true
			} else {
				use = append(use, pumps[i])
			}
		}
		if len(use) == len(pumps) {
			break
		}
	}
	return p
}

// speedAt is what the pump-downs say if the manifold has a volume: the logarithm of their
// likelihood, and the pump's speed with its variance.
func speedAt(pumps []*drawnOf, logV, prior, priorU float64) (l, mean, variance float64) {
	misfit := 0.0
	worth := min(1, mostPumps/float64(max(1, len(pumps))))
	for _, d := range pumps {
		d.at(logV)
		misfit += min(mostMisfit, d.misfit.Predict(logV)-d.least) // one run does not decide
	}
	var ls, ms, vs [len(scatters)]float64
	top := math.Inf(-1)
	for k, t := range scatters {
		// The prior is one more reading of the speed.
		w := 1 / (priorU * priorU)
		sum, wide, common := w*prior, w*w*priorU*priorU, 0.0
		lk := 0.0
		for _, d := range pumps {
			v := d.v + t*t
			sum += d.x / v
			w += 1 / v
			wide += (v - sameHand*d.v) / (v * v)
			common += math.Sqrt(sameHand*d.v) / v
			lk -= 0.5 * math.Log(v)
		}
		m := sum / w
		lk -= 0.5*math.Log(w) + 0.5*math.Pow((m-prior)/priorU, 2)
		for _, d := range pumps {
			v := d.v + t*t
			lk -= 0.5 * (d.x - m) * (d.x - m) / v
		}
		ls[k], ms[k], vs[k] = lk, m, wide/(w*w)+common*common/(w*w)
		top = max(top, lk)
	}
	var q, q1, q2 float64
	for k := range scatters {
		x := math.Exp(ls[k] - top)
		q, q1, q2 = q+x, q1+x*ms[k], q2+x*(ms[k]*ms[k]+vs[k])
	}
	mean = q1 / q
	return worth * (top + math.Log(q) - misfit/2), mean, q2/q - mean*mean
}

// logMixture is the logarithm of a standard normal density, mixed with a wider one for
// what is another story.
func logMixture(z float64) float64 {
	a, b := math.Log(1-mistaken)-z*z/2, math.Log(mistaken/wider)-z*z/2/(wider*wider)
	return max(a, b) + math.Log1p(math.Exp(-math.Abs(a-b))) // never the logarithm of 0
}
