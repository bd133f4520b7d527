package envelope

import (
	"slices"
	"strings"
	"testing"
	"time"

	"tipoff/logger/phase"
)

// What was still to be reached when the recorder was stopped is not known; what cannot
// be mended any more, and what went by without being reached, is outside.
func TestRunThatEndsInTheMiddle(t *testing.T) {
	whole := good()
	fill := slices.IndexFunc(whole, func(s stage) bool { return s.phase == phase.Fill })
	low := []stage{{phase.Fill, 20, 4, 40, 0, false}, {phase.Fill, 20, 4, 40, 0, true}}
	with := func(n int, more ...stage) []stage { return append(slices.Clone(whole[:n]), more...) }
	for name, c := range map[string]struct {
		run  []stage
		id   string
		want Verdict
		text string
	}{
		"in the fill":                  {with(fill, low[0]), FillPressure, NotKnown, "ended while filling, at 3.74 Torr"}, // 4 Torr × 293.15/313.15 = 3.745
		"in a steady fill":             {with(fill, low...), FillPressure, NotKnown, "ended while filling, at 3.74 Torr"},
		"tipped off low":               {with(fill, append(low, stage{phase.TipOff, 5, 4, 40, 0, true})...), FillPressure, Outside, "too low"},
		"pumped out again":             {with(fill, append(low, stage{phase.Vent, 5, 760, 40, 0, true})...), FillPressure, Outside, "too low"},
		"in the fill, too much":        {with(fill, stage{phase.Fill, 20, 14, 40, 0, false}, stage{phase.Fill, 20, 14, 40, 0, true}), FillPressure, Outside, "too high"},
		"in the fill, full":            {with(fill + 2), FillPressure, Within, "9"},
		"pumping":                      {with(11, stage{phase.FinalPump, 20, 0.2, 240, 0, true}), BasePressure, NotKnown, "ended while pumping, at 0.2 Torr"},
		"pumped and vented":            {with(11, stage{phase.FinalPump, 20, 0.2, 240, 0, true}, stage{phase.Vent, 5, 760, 200, 0, true}), BasePressure, Outside, "too high"},
		"bombarding":                   {with(8, stage{phase.Bombard, 20, 2.4, 150, 300, false}), GlassTarget, NotKnown, "ended while bombarding, at 150 °C"},
		"bombarded, and given up":      {with(8, stage{phase.Bombard, 20, 2.4, 150, 300, false}, stage{phase.FinalPump, 20, 0.002, 140, 0, true}), GlassTarget, Outside, "too cold"},
		"bombarding, and hot too soon": {with(8, stage{phase.Bombard, 20, 2.4, 330, 300, false}), GlassCeiling, Outside, "too hot"},
	} {
		by, list, _, _ := judged(t, c.run, 100*time.Millisecond, tight)
		f := by[c.id]
		if f.Verdict != c.want || !strings.Contains(f.Text, c.text) {
			t.Errorf("%s: %s, %q", name, f.Verdict, f.Text)
		}
		if v, text := Overall(list); c.want == NotKnown && v == Outside {
			t.Errorf("%s: %q", name, text)
		}
	}
}
