package page

import (
	"strings"
	"testing"
	"time"

	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// What no channel tells apart is said beside the phase, with what would tell.
func TestPhaseNote(t *testing.T) {
	bare := frame.NewLayout(time.Second, []frame.Channel{{Name: "k1", Role: frame.Contact, Purpose: frame.Contactor}})
	torch := frame.NewLayout(time.Second, []frame.Channel{{Name: "torch", Role: frame.Contact, Purpose: frame.Torch}})
	for _, c := range []struct {
		l      *frame.Layout
		is, or phase.ID
		want   string
	}{
		{nil, phase.Fill, phase.TipOff, "A contact on the torch would"},
		{bare, phase.Fill, phase.TipOff, "A contact on the torch would"},
		{torch, phase.Fill, phase.TipOff, "the torch's contact does not tell"},
		{bare, phase.Flush, phase.Fill, "or fill: gas that is let in"},
		{bare, phase.Bombard, phase.Dry, "or dry: without a glass temperature"},
		{torch, phase.Fill, phase.Fill, ""},
		{bare, phase.Shells, phase.Idle, ""}, // not told by whoever made the snapshot
	} {
		if got := phaseNote(c.l, c.is, c.or); !strings.Contains(got, c.want) || (got == "") != (c.want == "") {
			t.Errorf("%v or %v: %q, want %q", c.is, c.or, got, c.want)
		}
	}
}
