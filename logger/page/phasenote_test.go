package page

import (
	"strings"
	"testing"

	"tipoff/logger/phase"
)

// What no channel tells apart is said beside the phase, with what would tell.
func TestPhaseNote(t *testing.T) {
	for _, c := range []struct {
		is, or phase.ID
		want   string
	}{
		{phase.Fill, phase.TipOff, "contact on the torch"},
		{phase.Flush, phase.Fill, "or fill: gas that is let in"},
		{phase.Bombard, phase.Dry, "or dry: without a glass temperature"},
		{phase.Fill, phase.Fill, ""},
		{phase.Shells, phase.Idle, ""}, // not told by whoever made the snapshot
	} {
		if got := phaseNote(c.is, c.or); !strings.Contains(got, c.want) || (got == "") != (c.want == "") {
			t.Errorf("%v or %v: %q, want %q", c.is, c.or, got, c.want)
		}
	}
}
