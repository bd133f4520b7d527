package sheet

import (
	"fmt"
	"math"
	"slices"

	"tipoff/logger/chart"
	"tipoff/logger/envelope"
)

// Limits is what the chart of a tube's limits before its run shows. Limits that
// rest on common practice are marked as such.
func Limits(env *envelope.Envelope) *chart.Run {
	r := &chart.Run{Title: "Limits for " + env.Card.Name, Subtitle: env.Card.Words()}
	for _, l := range env.Limits {
		q, ok := roles[l.Role]
		if !ok || l.Unknown != "" || slices.Contains(moments, l.ID) {
			if l.Unknown == "" {
				r.Also = append(r.Also, fmt.Sprintf("%s %s (%s)", l.Title, l.Bounds(), l.Basis))
			}
			continue
		}
		note := fmt.Sprintf(" (%s)", l.Basis)
		low, high := l.Doubt()
		if most, ok := env.Limit(envelope.CurrentLimit); l.ID == envelope.ShellCurrent && ok && l.High == most.High && l.Low == l.Low {
			l.High = math.NaN() // that line is there already
		}
		r.Limits = append(r.Limits, chart.Limit{
			Title: l.Title, Quantity: q, Low: l.Low, High: l.High, ULow: low, U: high, Phases: l.Phases, Note: note,
			Goal: slices.Contains(goals, l.ID),
		})
	}
	return r
}
