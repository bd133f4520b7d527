package calibrate

import (
	"fmt"
	"math"

	"tipoff/calib/gauge"
	"tipoff/calib/unit"
)

const utubeName = "utube"

// Oil is read at about this temperature, °C, and up to this level difference, m:
// more than a U-tube in a shop has.
const (
	usualOil  = 20.0
	mostLevel = 1.5
)

// levels says what level difference a pressure of pa makes, so that a slipped
// digit, a limb read alone or a leak past the oil shows before the point is taken.
func (s *Session) levels(pa float64) string {
	oil := gauge.DibutylPhthalate()
	text := ""
	add := func(pa float64, far string) {
		if h := oil.Height(pa, usualOil); h >= 0 && h <= mostLevel {
			if text != "" {
				text += ", or "
			}
			mm := "less than 1 mm"
			if h >= 1e-3 {
				mm = fmt.Sprintf("about %.0f mm", 1000*h)
			}
			text += mm + " with the far limb " + far
		}
	}
	add(math.Max(0, pa), "pumped out")
	if s.barometer > 0 {
		add(s.barometer-pa, "open")
	}
	if text == "" {
		return ""
	}
	return "the U-tube should show " + text
}

// levelsGuide is what to expect, for the steps.
func levelsGuide() string {
	oil := gauge.DibutylPhthalate()
	mm := func(torr float64) float64 { return 1000 * oil.Height(torr*unit.Torr, usualOil) }
	return fmt.Sprintf("With the far limb pumped out 1 Torr makes a level difference of %.0f mm, 5 Torr %.0f mm, 10 Torr %.0f mm and 20 Torr %.0f mm; one limb alone moves by half of it. Spread the points over the range.",
		mm(1), mm(5), mm(10), mm(20))
}
