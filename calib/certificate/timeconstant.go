package certificate

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"tipoff/calib/lag"
	"tipoff/calib/strict"
	"tipoff/calib/unit"
)

// TimeConstant is the kind of a certificate that says how fast a thermocouple
// follows the glass. It holds trials instead of points and corrects no value by
// itself; the channel's chain corrects the lag with it. It stands beside the
// newest certificate of another kind and does not replace it.
const TimeConstant Kind = "time-constant"

// Trial is one determination of a time constant.
type Trial struct {
	Tau  float64 // s
	U    float64 // s, standard uncertainty
	Note string  // "step of 71.3 K", "run 20261125-1"
}

// Lag is what trials say together, in seconds.
type Lag struct {
	Tau, U float64
}

// IsLag tells whether the certificate is of kind [TimeConstant].
func (c *Certificate) IsLag() bool { return c.Fit.Kind == TimeConstant }

// LagFit is the fit of a certificate of a time constant: it corrects nothing.
func LagFit() Fit { return Fit{Kind: TimeConstant, C: [3]float64{0, 1, 0}} }

// mostScatter is by what part of their mean trials may scatter. A tie is never
// quite like the last one; more than this, one of them was loose.
const mostScatter = 0.25

// shared is what all trials have in common, as a part of the time constant: a
// chip's straight line through the EMF of a thermocouple is bent by 3 % over 100 K
// (type K, NIST Monograph 175: 40.3 µV/K at 20 °C, 41.4 µV/K at 100 °C), which
// shifts the time constant of a step by some 1 %; and a frame holds its readings
// for up to its length. More trials do not reduce it.
const shared = 0.015

// SolveLag combines trials: the mean with weights 1/u². If they scatter more
// than their uncertainties explain, as those of several ties do, the uncertainty
// grows with it (Birge ratio); what all trials share joins it. A refusal is of type [*Refusal].
func SolveLag(trials []Trial) (Lag, error) {
	if len(trials) == 0 {
		return Lag{}, &Refusal{"too few trials: 0, and a time constant needs 1", "make a step, or take a recorded run", -1}
	}
	if len(trials) > maxPoints {
		return Lag{}, &Refusal{fmt.Sprintf("%d trials", len(trials)), fmt.Sprintf("keep to %d", maxPoints), -1}
	}
	lo, hi := lag.MinTau.Seconds(), lag.MaxTau.Seconds()
	var sum, weights float64
	for i, t := range trials {
		switch {
		case !finite(t.Tau, t.U):
			return Lag{}, &Refusal{fmt.Sprintf("trial %d holds a value that is not a number", i+1), "undo it and make it again", i}
		case !(t.U > 0):
			return Lag{}, &Refusal{fmt.Sprintf("trial %d has no uncertainty", i+1), "undo it and make it again", i}
		case t.Tau < lo || t.Tau > hi:
			return Lag{}, &Refusal{fmt.Sprintf("absurd: a time constant of %.3g s in trial %d, where %g s to %g s is believable", t.Tau, i+1, lo, hi),
				"seat the junction on the glass as on a job, and make the trial again", i}
		case t.U > t.Tau/2:
			return Lag{}, &Refusal{fmt.Sprintf("trial %d says %.3g s with an uncertainty of %.3g s, which is as good as nothing", i+1, t.Tau, t.U),
				"make it again with a larger step", i}
		}
		w := 1 / (t.U * t.U)
		sum += w * t.Tau
		weights += w
	}
	l := Lag{Tau: sum / weights, U: 1 / math.Sqrt(weights)}
	if len(trials) == 1 {
		l.U = math.Hypot(l.U, shared*l.Tau)
		return l, nil
	}
	var chi2, worst float64
	blame := 0
	for i, t := range trials {
		d := t.Tau - l.Tau
		chi2 += d * d / (t.U * t.U)
		if math.Abs(d) > worst {
			worst, blame = math.Abs(d), i
		}
	}
	dof := float64(len(trials) - 1)
	limit := (distuv.ChiSquared{K: dof}).Quantile(0.999)
	if chi2 > limit && worst > mostScatter*l.Tau {
		return Lag{}, &Refusal{fmt.Sprintf("scattered: the trials do not agree, trial %d is %.2g s from their mean of %.3g s", blame+1, worst, l.Tau),
			"undo it and make it again with the junction tied as on a job; it may have been loose", blame}
	}
	l.U = math.Hypot(l.U*math.Sqrt(math.Max(1, chi2/dof)), shared*l.Tau)
	return l, nil
}

// same tells whether the numbers are those of o, up to rounding in a file.
func (l Lag) same(o Lag) bool {
	return math.Abs(l.Tau-o.Tau) <= 1e-9*l.Tau && math.Abs(l.U-o.U) <= 1e-9*l.U
}

// lag writes the part of a file that other kinds have not.
func (e *encoder) lag(c *Certificate) {
	e.amount("tau", c.Lag.Tau, unit.Duration)
	e.amount("u", c.Lag.U, unit.Duration)
	for _, t := range c.Trials {
		e.b.WriteString("\n[[trial]]\n")
		e.amount("tau", t.Tau, unit.Duration)
		e.amount("u", t.U, unit.Duration)
		e.opt("note", t.Note)
	}
}

func (c *Certificate) parseLag(doc *strict.Doc, fit *strict.Table) {
	c.Fit = LagFit()
	c.Lag = Lag{Tau: fit.Quantity("tau", unit.Duration, 0, 1e4), U: fit.Quantity("u", unit.Duration, 0, 1e4)}
	for _, t := range doc.Tables("trial") {
		c.Trials = append(c.Trials, Trial{Tau: t.Quantity("tau", unit.Duration, 0, 1e4),
			U: t.Quantity("u", unit.Duration, 1e-12, 1e4), Note: t.OptString("note", "")})
	}
}

// checkLag tells whether the certificate's time constant follows from its trials.
func (c *Certificate) checkLag() error {
	switch {
	case len(c.Points) > 0:
		return fmt.Errorf("certificate: point: found %d points beside a time constant; allowed: trials only", len(c.Points))
	case c.Role != "glass" && c.Role != "shell":
		return fmt.Errorf("certificate: fit.kind: found %q for a %s channel; allowed: glass and shell channels", string(TimeConstant), c.Role)
	}
	l, err := SolveLag(c.Trials)
	if err != nil {
		return fmt.Errorf("certificate: trials: %w", err)
	}
	if !l.same(c.Lag) {
		return fmt.Errorf("certificate: fit: found numbers that do not follow from the trials; allowed: what the trials give: %.4g s ± %.2g s", l.Tau, l.U)
	}
	return nil
}
