package page

import (
	"fmt"
	"math"

	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/status"
)

// stopAt says at which reading of the gauge the gas that is let in now is the fill
// at 20 °C, "" if the glass or the fill is not known.
func stopAt(s *status.Snapshot) string {
	if s.Envelope == nil || s.Layout == nil {
		return ""
	}
	glass := s.Frame.Of(s.Layout, frame.Glass)
	gauge := s.Envelope.FillGaugeAt(glass.X)
	if !glass.Good() || math.IsNaN(gauge) {
		return ""
	}
	return fmt.Sprintf("; with the glass at %s stop at %s on the gauge", envelope.Say(glass.X, "°C"), envelope.Say(gauge, "Pa"))
}
