package learn

import (
	"fmt"
	"math"

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

// KnownWords is what is known without the runs.
func (v *Value) KnownWords() string { return say(v.Constant, v.Known, v.KnownU) }

func say(c model.Constant, x, u float64) string {
	f := c.Info()
	unit, k := f.Unit, 1.0
	switch unit {
	case "m³":
		unit, k = "L", 1000
	case "m³/s":
		unit, k = "L/s", 1000
	case "Pa·m":
		unit, k = "Torr m", 1/torr
	case "Pa·m³/m²":
		unit, k = "Torr L/m²", 1000/torr
	}
	text := fmt.Sprintf("%.3g", k*x)
	if unit != "" {
		text += " " + unit
	}
	if f.Positive {
		return text + fmt.Sprintf(" ± %.2g %%", 100*u)
	}
	return text + fmt.Sprintf(" ± %.2g", u)
}

// torr is a Torr, Pa.
const torr = 101325.0 / 760

// Because says in one sentence why a constant's value is used or not.
func (v *Value) Because() string {
	switch {
	case v.Runs == 0:
		return v.Why + "; " + v.Basis + " stands"
	case v.Beats:
		return fmt.Sprintf("%s of this bench know it to %s, %s to %s", count(v.Runs), spread(v.Constant, v.U), v.Basis, spread(v.Constant, v.KnownU))
	}
	return fmt.Sprintf("%s know it to %s only; %s, to %s, stands", count(v.Runs), spread(v.Constant, v.U), v.Basis, spread(v.Constant, v.KnownU))
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

// For gives the envelope what the runs know better than bench and handbook. A
// nil c changes nothing.
func (c *Constants) For(b envelope.Bench) envelope.Bench {
	if c == nil {
		return b
	}
	if v := &c.Values[model.HoldPressure]; v.Beats {
		b.Hold = envelope.Learned{X: v.X, U: v.U * v.X, Runs: v.Runs}
	}
	if v := &c.Values[model.ManifoldVolume]; v.Beats {
		b.ManifoldVolume, b.ManifoldRuns = v.X, v.Runs
	}
	if v := &c.Values[model.PumpSpeed]; v.Beats {
		b.PumpSpeed = v.X
	}
	// Only readings that are corrected for the lag rise as the glass does.
	if v := &c.Values[model.Heating]; v.Beats && c.LagCorrected {
		b.Heating = envelope.Heating{PerMetre: v.X, Pressure: c.Params.Value(model.PressureExponent), Current: c.Params.Value(model.CurrentExponent),
			Bore: c.Params.Value(model.BoreExponent), U: math.Hypot(v.U, v.Constant.Info().Between)}
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
