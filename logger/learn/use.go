package learn

import (
	"fmt"
	"math"
	"strings"

	"tipoff/calib/unit"
	"tipoff/logger/envelope"
	"tipoff/logger/model"
)

// Words is a value with its standard uncertainty, in the units of people.
func (v *Value) Words() string {
	if v.Runs == 0 {
		return "not known"
	}
	return say(v.Constant, v.X, v.U)
}

// Doubt is the standard uncertainty in the constant's unit.
func (v *Value) Doubt() float64 { return absolute(v.Constant, v.X, v.U) }

// KnownWords is what is known without the runs.
func (v *Value) KnownWords() string { return say(v.Constant, v.Known, v.KnownU) }

// third is the ending of a verb that n runs do.
func third(n int) string {
	if n == 1 {
		return "s"
	}
	return ""
}

// HandbookWords is what the handbook says, whatever the owner says of the bench.
func (c *Constants) HandbookWords(id model.Constant) string {
	h := model.Handbook(model.Bench{LagCorrected: c.LagCorrected})
	return say(id, h.Value(id), h.Spread(id))
}

func say(c model.Constant, x, u float64) string {
	f := c.Info()
	name, k := f.Unit, 1.0
	switch name {
	case "m³":
		name, k = "L", 1000
	case "m³/s":
		name, k = "L/s", 1000
	case "Pa·m":
		name, k = "Torr m", 1/unit.Torr
	case "Pa·m³/m²":
		name, k = "Torr L/m²", 1000/unit.Torr
	}
	text := fmt.Sprintf("%.3g", k*x)
	if name != "" {
		text += " " + name
	}
	if f.Positive {
		return text + fmt.Sprintf(" ± %.2g %%", 100*u)
	}
	return text + fmt.Sprintf(" ± %.2g", u)
}

// Because says in one sentence why a constant's value is used or not.
func (v *Value) Because() string {
	switch {
	case v.Runs == 0:
		return v.Why + "; " + v.Basis + " stands"
	case v.Beats:
		return fmt.Sprintf("%s of this bench know%s it to %s, %s to %s", count(v.Runs), third(v.Runs), spread(v.Constant, v.U), v.Basis, spread(v.Constant, v.KnownU))
	}
	return fmt.Sprintf("%s know%s it to %s only; %s, to %s, stands", count(v.Runs), third(v.Runs), spread(v.Constant, v.U), v.Basis, spread(v.Constant, v.KnownU))
}

func spread(c model.Constant, u float64) string {
	if c.Info().Positive {
		return fmt.Sprintf("%.2g %%", 100*u)
	}
	return fmt.Sprintf("%.2g", u)
}

func count(n int) string {
	if n == 1 {
		return "1 run"
	}
	return fmt.Sprintf("%d runs", n)
}

// PerWatt is the part of the column's power that heats the glass, with its standard
// uncertainty: the heating over field and current, the field by the tables, as
// nobody reads the tube's voltage. NaN if no run tells of the heating. t nil: the
// program's tables.
func (c *Constants) PerWatt(t *envelope.Tables) (x, u float64) {
	v := &c.Values[model.Heating]
	field, uf := t.ColumnField(model.UsualBore)
	x = v.X / (field * model.UsualCurrent)
	return x, x * math.Hypot(v.U, uf/field)
}

// PerWattWords says so in one sentence, "" if no run tells of the heating.
func (c *Constants) PerWattWords(t *envelope.Tables) string {
	x, u := c.PerWatt(t)
	if x != x {
		return ""
	}
	field, uf := t.ColumnField(model.UsualBore)
	return fmt.Sprintf("Of each watt of the column %.2g ± %.1g W heats the glass: %s at 1 Torr and %.1g A, with a field of %.2g ± %.1g V/cm by the handbook, as nobody reads the tube's voltage; standard uncertainties.",
		x, u, c.Values[model.Heating].Words(), model.UsualCurrent, field/100, uf/100)
}

// What constants are used for beside advice and rehearsal, which start from all
// of them together.
const (
	InLimits    = "limits"
	InForesight = "foresight"
)

// Use tells what a constant is used for, "" if only advice and rehearsal start
// from it, and why.
func (c *Constants) Use(id model.Constant) (in, why string) {
	v := &c.Values[id]
	switch id {
	case model.HoldPressure, model.ManifoldVolume, model.Convection, model.ShellWarmup:
		if v.Beats {
			in = InLimits
		}
		return in, v.Because()
	case model.ShellPower:
		if w := &c.Values[model.ShellWarmup]; v.Beats && w.Beats {
			return InLimits, v.Because() + "; it goes with the warm-up"
		} else if v.Beats {
			return "", v.Because() + "; it goes with the warm-up, which is not used"
		}
		return "", v.Because()
	case model.Heating, model.PressureExponent, model.CurrentExponent, model.BoreExponent:
		switch {
		// Only readings that are corrected for the lag rise as the glass does.
		case !c.LagCorrected:
			return "", v.Because() + "; foresight wants glass readings that are corrected for the sensor's lag"
		case !c.Values[model.Heating].Beats && id == model.Heating:
			return "", v.Because()
		case !c.Values[model.Heating].Beats:
			return "", v.Because() + "; it goes with heating, which is not used"
		case id == model.Heating:
			return InForesight, v.Because()
		}
		return InForesight, v.Because() + "; it goes with heating"
	}
	return "", v.Because() + "; no limit depends on it"
}

// Sentence says what a run's sheet has from c, whose glass readings are corrected
// for the lag or not. A nil c is no constants.
func (c *Constants) Sentence(lagCorrected bool) string {
	if c == nil {
		return "Limits and advice go by the handbook and bench.toml: when the run began, no run before it had taught anything."
	}
	var in []string
	for i := range c.Values {
		if use, _ := c.Use(model.Constant(i)); use == InLimits {
			in = append(in, fmt.Sprintf("%s %s", model.Constant(i).Info().ID, c.Values[i].Words()))
		}
	}
	text := fmt.Sprintf("Version %d of what this bench's runs have taught, from %s.", c.Version, count(len(c.Runs)))
	if len(in) > 0 {
		text += " Limits use its " + strings.Join(in, ", ") + "."
	} else {
		text += " Limits use none of it, as none that they depend on is better known by it."
	}
	if c.LagCorrected == lagCorrected {
		return text + " Advice starts from all of it."
	}
	return text + " Advice does not start from it, as it is of glass readings with another correction for lag."
}

// For gives the envelope what the runs know better than bench and handbook. A
// nil c changes nothing.
func (c *Constants) For(b envelope.Bench) envelope.Bench {
	if c == nil {
		return b
	}
	if in, _ := c.Use(model.HoldPressure); in != "" {
		v := &c.Values[model.HoldPressure]
		b.Hold, b.HoldGoes = envelope.Learned{X: v.X, U: v.U * v.X, Runs: v.Runs}, c.holdGoes()
	}
	if in, _ := c.Use(model.ManifoldVolume); in != "" {
		v := &c.Values[model.ManifoldVolume]
		b.ManifoldVolume, b.ManifoldRuns, b.ManifoldU = v.X, v.Runs, v.U*v.X
	}
	if in, _ := c.Use(model.ShellWarmup); in != "" {
		v := &c.Values[model.ShellWarmup]
		b.Warmup = envelope.Learned{X: v.X, U: v.U * v.X, Runs: v.Runs}
		// It goes with the power that it was learned beside.
		if p := &c.Values[model.ShellPower]; p.Beats {
			b.FallRises = envelope.Learned{X: p.X, U: p.U * p.X, Runs: p.Runs}
		}
	}
	if in, _ := c.Use(model.Convection); in != "" {
		v := &c.Values[model.Convection]
		b.Convection = envelope.Learned{X: v.X, U: v.U * v.X, Runs: v.Runs}
	}
	if v := &c.Values[model.PumpSpeed]; v.Beats {
		b.PumpSpeed = v.X
	}
	if in, _ := c.Use(model.Heating); in != "" {
		v := &c.Values[model.Heating]
		// What all runs of a bench share, gauge and usual seating, the next tube's reading
		// has too.
		b.Heating = envelope.Heating{PerMetre: v.X, Pressure: c.Params.Value(model.PressureExponent), Current: c.Params.Value(model.CurrentExponent),
			Bore: c.Params.Value(model.BoreExponent), U: math.Hypot(v.OfRuns, v.Constant.Info().Between)}
	}
	return b
}

// Prior is what a model knows of the bench: the constants' parameters, if they
// are of readings like these, else what the handbook and the bench's owner say. A
// nil c is no constants.
func (c *Constants) Prior(said model.Bench) model.Params {
	if c == nil || c.LagCorrected != said.LagCorrected {
		return model.Handbook(said)
	}
	return c.Params
}

// holdGoes is how the most air at which the arc holds goes with the tube.
func (c *Constants) holdGoes() envelope.Scaling {
	l, b := c.Params.HoldPowers()
	a := c.Params.Value(model.PressureExponent)
	return envelope.Scaling{FromBore: model.UsualBore, Length: l, Bore: b, Doubt: c.Params.Spread(model.PressureExponent) / (a * a)}
}
