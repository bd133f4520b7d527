package plantcare

import (
	"fmt"
	"math"

	"tipoff/logger/envelope"
	"tipoff/logger/phase"
)

// Judge examines a run for all that it shows of the plant, and judges by it the limit
// on the rate of rise if the run's leak test gave no verdict.
func Judge(env *envelope.Envelope, obs []phase.Observation, readings []envelope.Uncertainties, segments []phase.Segment, findings []envelope.Finding) []Stretch {
	u := make([]float64, len(readings))
	for i := range readings {
		u[i] = readings[i].Pressure
	}
	volume, manifold := unknown, env.Bench.ManifoldVolume
	if manifold > 0 && env.Known {
		volume = Volume(manifold + envelope.Volume(env.Card))
	}
	all := Examine(obs, u, segments, volume)
	if env.Known {
		all = append(all, Filled(obs, u, segments, manifold, envelope.Volume(env.Card))...)
	}
	if s := best(all); s != nil {
		r := s.Rise
		where := "shut"
		if s.gas() {
			where += " with gas in"
		}
		where += " for " + envelope.Say(r.To-r.From, "s")
		if s.Together > 0 {
			where += fmt.Sprintf(", in %d stretches,", s.Together)
		}
		envelope.JudgeIsolated(findings, envelope.Isolated{Rate: r.Rate.X, U: r.Rate.U, At: s.From, Phase: s.Phase, Where: where})
	}
	return all
}

// best is the stretch that knows the rise best, nil if there is none.
func best(all []Stretch) *Stretch {
	var b *Stretch
	least := math.Inf(1)
	for i := range all {
		if s := &all[i]; s.Rise != nil && s.Rise.Rate.U < least {
			b, least = s, s.Rise.Rate.U
		}
	}
	return b
}
