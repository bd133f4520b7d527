package metrics

import (
	"io"
	"math"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"tipoff/calib"
	"tipoff/logger/alarm"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/health"
	"tipoff/logger/phase"
	"tipoff/logger/status"
)

type fake struct {
	status.Source
	s *status.Snapshot
}

func (f fake) Snapshot() *status.Snapshot { return f.s }

func snapshot() *status.Snapshot {
	l := frame.NewLayout(100*time.Millisecond, []frame.Channel{
		{Name: "manifold", Role: frame.Pressure}, {Name: "glass", Role: frame.Glass}, {Name: "bombarder", Role: frame.Current},
	})
	s := &status.Snapshot{
		Bench: "bench-1", Version: "test", Now: 100 * time.Second, Layout: l, Phase: phase.Bombard, PhaseSince: 90 * time.Second,
		Speed: 1, WallTrusted: true,
		Run:      status.Run{Active: true, Started: 40 * time.Second},
		Envelope: &envelope.Envelope{Limits: []envelope.Limit{{ID: envelope.GlassCeiling, High: 260, Low: math.NaN()}}},
		Alarms: []status.Alarm{{
			Definition: alarm.Definition{ID: alarm.GlassSensorLost, Priority: alarm.High}, State: alarm.Unacknowledged,
		}},
		Troubles: []health.Trouble{
			{Kind: health.Declare().ChannelAbsent, Subject: "glass"},
			{Kind: health.Declare().BusFailing, Subject: "/dev/spidev0.0", Hidden: true},
		},
		Channels: []status.Channel{{Up: true, LastSample: 99 * time.Second, Samples: 7}, {LastSample: -1, Errors: 3}, {Up: true, LastSample: 99 * time.Second}},
	}
	s.Frame.Readings[0].Value = calib.Value{X: 266, U: 2}
	s.Frame.Readings[1].Value = calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.NoReading}
	s.Frame.Readings[2].Value = calib.Value{X: 0.4, U: 0.01}
	return s
}

// The names pass Prometheus's own lint, and a channel without a reading has no
// value but says so.
func TestCollector(t *testing.T) {
	c := NewCollector(fake{s: snapshot()}, alarm.BenchAlarms(), nil)
	problems, err := testutil.CollectAndLint(c)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	want := `
# HELP tipoff_channel_up 1 if the channel gives a usable reading.
# TYPE tipoff_channel_up gauge
tipoff_channel_up{channel="bombarder",role="current"} 1
tipoff_channel_up{channel="glass",role="glass"} 0
tipoff_channel_up{channel="manifold",role="pressure"} 1
# HELP tipoff_glass_ceiling_celsius Temperature the glass must not pass, for the tube on the manifold.
# TYPE tipoff_glass_ceiling_celsius gauge
tipoff_glass_ceiling_celsius 260
# HELP tipoff_pressure_pascals Manifold pressure, corrected for the gas.
# TYPE tipoff_pressure_pascals gauge
tipoff_pressure_pascals{channel="manifold"} 266
# HELP tipoff_run_seconds Time since the start of the run being recorded; absent if none is.
# TYPE tipoff_run_seconds gauge
tipoff_run_seconds 60
# HELP tipoff_trouble 1 for each thing that is wrong with the logger itself.
# TYPE tipoff_trouble gauge
tipoff_trouble{code="channel-absent",severity="failure",subject="glass"} 1
`
	err = testutil.CollectAndCompare(c, strings.NewReader(want), "tipoff_channel_up", "tipoff_glass_celsius",
		"tipoff_glass_ceiling_celsius", "tipoff_pressure_pascals", "tipoff_run_seconds", "tipoff_trouble")
	if err != nil {
		t.Error(err)
	}
	active := 0.0
	w := httptest.NewRecorder()
	Handler(c).ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	body, _ := io.ReadAll(w.Body)
	for line := range strings.Lines(string(body)) {
		if strings.HasPrefix(line, "tipoff_alarm_active") && strings.HasSuffix(strings.TrimSpace(line), " 1") {
			active++
			if !strings.Contains(line, `alarm="glass-sensor-lost"`) {
				t.Errorf("active: %s", line)
			}
		}
	}
	if active != 1 {
		t.Errorf("%v alarms are active, want 1", active)
	}
}

// Before the first frame nothing is known, and nothing is claimed.
func TestBeforeFirstFrame(t *testing.T) {
	if n := testutil.CollectAndCount(NewCollector(fake{}, alarm.BenchAlarms(), nil)); n != 0 {
		t.Errorf("%d metrics before the first frame", n)
	}
}
