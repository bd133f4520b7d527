package page

import (
	"testing"

	"tipoff/calib"
	"tipoff/logger/envelope"
)

// 9 Torr at 20 °C read 9 · 313.15/293.15 = 9.61 Torr at 40 °C (handbook item 10).
func TestStopAt(t *testing.T) {
	s := newBench().snap
	s.Envelope = &envelope.Envelope{Known: true, FillTarget: 9 * torr}
	s.Frame.Readings[1].Value = calib.Value{X: 40, U: 2}
	if got := stopAt(s); got != "; with the glass at 40 °C stop at 9.61 Torr on the gauge" {
		t.Errorf("%q", got)
	}
	s.Frame.Readings[1].Value = calib.Value{X: 40, Q: calib.NoReading}
	if got := stopAt(s); got != "" {
		t.Errorf("without a reading of the glass: %q", got)
	}
	s.Frame.Readings[1].Value = calib.Value{X: 40, U: 2}
	s.Envelope = &envelope.Envelope{Known: true, FillTarget: nan}
	if got := stopAt(s); got != "" {
		t.Errorf("without a fill: %q", got)
	}
}
