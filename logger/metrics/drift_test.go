package metrics

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"tipoff/logger/alarm"
	"tipoff/logger/status"
)

// Calibrations past their date, that had moved, or that are off where it is known
// what they must show, are metrics with names that Prometheus's lint passes.
func TestCalibrationMetrics(t *testing.T) {
	s := snapshot()
	s.Channels[0].Due, s.Channels[0].Overdue, s.Channels[0].Drifting = time.Unix(1795000000, 0), true, true
	s.Channels[0].Change, s.Channels[0].ChangeU = 30, 10
	s.Channels[1].Drifts = []status.Drift{{Against: "room", Offset: -5, U: 2, Drifts: true}}
	s.Channels[1].Drifting = true
	s.Channels[1].Change, s.Channels[1].ChangeU = math.NaN(), math.NaN()
	c := NewCollector(fake{s: s}, alarm.BenchAlarms(), nil)
	problems, err := testutil.CollectAndLint(c)
	if err != nil || len(problems) > 0 {
		t.Errorf("%v %v", problems, err)
	}
	want := `
# HELP tipoff_channel_calibration_change_ratio By how much the channel had moved when it was last calibrated, as a part of what both calibrations leave open (k=2); beyond 1 or -1 it drifts. Absent after a first calibration.
# TYPE tipoff_channel_calibration_change_ratio gauge
tipoff_channel_calibration_change_ratio{channel="manifold"} 1.5
# HELP tipoff_channel_calibration_drifting 1 if the channel had moved by more than its uncertainty when it was last calibrated, or is off where it is known what it must show; absent with neither certificate nor check.
# TYPE tipoff_channel_calibration_drifting gauge
tipoff_channel_calibration_drifting{channel="glass"} 1
tipoff_channel_calibration_drifting{channel="manifold"} 1
# HELP tipoff_channel_calibration_overdue 1 if the channel's calibration is past its date; absent without a certificate.
# TYPE tipoff_channel_calibration_overdue gauge
tipoff_channel_calibration_overdue{channel="manifold"} 1
# HELP tipoff_channel_drift_ratio By how much the channel was off the last time where it is known what it must show, as a part of what is left open (k=2). Beyond 1 or -1 several times running it drifts. Absent until checked.
# TYPE tipoff_channel_drift_ratio gauge
tipoff_channel_drift_ratio{against="room",channel="glass"} -1.25
`
	if err := testutil.CollectAndCompare(c, strings.NewReader(want), "tipoff_channel_calibration_change_ratio",
		"tipoff_channel_calibration_drifting", "tipoff_channel_calibration_overdue", "tipoff_channel_drift_ratio"); err != nil {
		t.Error(err)
	}
}
