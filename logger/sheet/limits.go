package sheet

import (
	"fmt"
	"slices"

	"tipoff/logger/chart"
	"tipoff/logger/envelope"
)

// Limits is what the chart of a tube's limits before its run shows. Limits that
// rest on common practice are marked as such.
func Limits(env *envelope.Envelope) *chart.Run {
	r := &chart.Run{Title: "Limits for " + env.Card.Name, Subtitle: tubeWords(env)}
	for _, l := range env.Limits {
		q, ok := roles[l.Role]
		if !ok || l.Unknown != "" || slices.Contains(moments, l.ID) {
			continue
		}
		note := fmt.Sprintf(" (%s)", l.Basis)
		r.Limits = append(r.Limits, chart.Limit{
			Title: l.Title, Quantity: q, Low: l.Low, High: l.High, U: l.U, Phases: l.Phases, Note: note,
			Goal: slices.Contains(goals, l.ID),
		})
	}
	return r
}
