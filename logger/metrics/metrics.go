// Package metrics publishes the daemon's state to Prometheus.
//
// Names follow the Prometheus conventions: base units, so pressure is in
// pascals and current in amperes; dashboards convert. A value that there is no
// reading for is left out rather than repeated, and tipoff_channel_up says so.
// Nothing is labelled by run, so the number of series does not grow.
package metrics

import (
	"net/http"
	"runtime"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"tipoff/logger/alarm"
	"tipoff/logger/frame"
	"tipoff/logger/learn"
	"tipoff/logger/phase"
	"tipoff/logger/status"
)

// Collector turns snapshots into metrics. It never touches a bus.
type Collector struct {
	source  status.Source
	alarms  []alarm.Definition
	learned func() *learn.Constants
}

// NewCollector makes a collector; alarms are all that the bench can raise, so
// that an alarm that is not active is there as 0. learned gives what the bench has
// learned, nil if nothing; learned itself may be nil.
func NewCollector(source status.Source, alarms []alarm.Definition, learned func() *learn.Constants) *Collector {
	return &Collector{source: source, alarms: alarms, learned: learned}
}

// Handler serves a registry of its own with the collector and the usual
// process and Go metrics.
func Handler(c *Collector) http.Handler {
	reg := prometheus.NewPedanticRegistry()
	reg.MustRegister(c, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{
		// One broken metric must not hide the rest.
		ErrorHandling: promhttp.ContinueOnError,
		Registry:      reg,
	})
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("tipoff_"+name, help, labels, nil)
}

var (
	buildInfo = desc("build_info", "Version of tipoff; always 1.", "version", "goversion")
	benchInfo = desc("bench_info", "Name of the bench; emulated is true for a demonstration; always 1.", "bench", "emulated")

	valueDescs = map[frame.Role]*prometheus.Desc{
		frame.Pressure: desc("pressure_pascals", "Manifold pressure, corrected for the gas.", "channel"),
		frame.Glass:    desc("glass_celsius", "Glass wall temperature, corrected for the sensor's lag.", "channel"),
		frame.Current:  desc("current_amperes", "Bombarder current, true RMS over 200 ms.", "channel"),
		frame.Shell:    desc("shell_celsius", "Electrode shell temperature.", "channel"),
		frame.Ambient:  desc("ambient_celsius", "Room temperature.", "channel"),
		frame.Light:    desc("light_ratio", "Light from the tube as part of full scale.", "channel"),
		frame.Contact:  desc("contact_closed", "1 if the contact is closed.", "channel"),
	}
	uncertaintyDescs = map[frame.Role]*prometheus.Desc{
		frame.Pressure: desc("pressure_uncertainty_pascals", "Standard uncertainty (k=1) of the pressure.", "channel"),
		frame.Glass:    desc("glass_uncertainty_celsius", "Standard uncertainty (k=1) of the glass temperature.", "channel"),
		frame.Current:  desc("current_uncertainty_amperes", "Standard uncertainty (k=1) of the current.", "channel"),
	}
	channelUp       = desc("channel_up", "1 if the channel gives a usable reading.", "channel", "role")
	channelAge      = desc("channel_last_sample_age_seconds", "Time since the last good sample; absent if there was none.", "channel")
	channelSamples  = desc("channel_samples_total", "Raw samples read.", "channel")
	channelErrors   = desc("channel_errors_total", "Failed transfers of the channel's device.", "channel")
	channelFaults   = desc("channel_faulty_samples_total", "Samples that the device or its driver marked as faulty.", "channel")
	channelDue      = desc("channel_calibration_due_timestamp_seconds", "When the channel's calibration has to be renewed; absent without a certificate.", "channel")
	channelOverdue  = desc("channel_calibration_overdue", "1 if the channel's calibration is past its date; absent without a certificate.", "channel")
	channelDrift    = desc("channel_calibration_drifting", "1 if the channel had moved by more than its uncertainty when it was last calibrated, or is off where it is known what it must show; absent with neither certificate nor check.", "channel")
	channelDrifts   = desc("channel_drift_ratio", "By how much the channel was off the last time where it is known what it must show, as a part of what is left open (k=2). Beyond 1 or -1 several times running it drifts. Absent until checked.", "channel", "against")
	channelChange   = desc("channel_calibration_change_ratio", "By how much the channel had moved when it was last calibrated, as a part of what both calibrations leave open (k=2); beyond 1 or -1 it drifts. Absent after a first calibration.", "channel")
	channelTau      = desc("channel_time_constant_seconds", "Time constant of a thermocouple's lag that is corrected for; absent if none is.", "channel")
	channelRestores = desc("channel_restores_total", "Times the device's settings had been lost and were written again.", "channel")

	phaseDesc    = desc("phase", "1 for the phase that the bench is in, else 0.", "phase")
	phaseSeconds = desc("phase_seconds", "Time in the present phase.")
	runActive    = desc("run_active", "1 while a run is recorded.")
	runSeconds   = desc("run_seconds", "Time since the start of the run being recorded; absent if none is.")
	ageingOn     = desc("ageing_active", "1 while a tube on its own supply is recorded.")
	ageingBurnt  = desc("ageing_burnt_seconds", "Time that the ageing tube has burnt; absent if none is recorded.")
	ageingDark   = desc("ageing_dark", "1 while the ageing tube is out after it had burnt; absent if none is recorded.")
	runs         = desc("runs_total", "Runs closed since the start, by outcome.", "outcome")
	ceiling      = desc("glass_ceiling_celsius", "Temperature the glass must not pass, for the tube on the manifold.")
	toCeiling    = desc("glass_time_to_ceiling_seconds", "Time until the glass reaches its ceiling if nothing changes; absent unless within a minute.")
	heatingRate  = desc("glass_heating_celsius_per_second", "Rate of change of the glass temperature.")
	alarmActive  = desc("alarm_active", "1 while the alarm's condition holds or it is latched.", "alarm", "priority")
	alarmUnack   = desc("alarm_unacknowledged", "1 while the alarm waits for acknowledgement.", "alarm", "priority")
	trouble      = desc("trouble", "1 for each thing that is wrong with the logger itself.", "code", "subject", "severity")
	frames       = desc("frames_total", "Frames made.")
	lateFrames   = desc("late_frames_total", "Frames made more than one interval late.")
	journalBytes = desc("journal_written_bytes_total", "Bytes written to run files.")
	journalErrs  = desc("journal_errors_total", "Failed writes to run files.")
	clockTrusted = desc("clock_trusted", "1 if the wall clock is set.")
	benchSpeed   = desc("bench_speed_ratio", "Bench seconds per real second; 1 on hardware.")
)

// Describe implements prometheus.Collector.
func (c *Collector) Describe(ch chan<- *prometheus.Desc) {
	for _, m := range []map[frame.Role]*prometheus.Desc{valueDescs, uncertaintyDescs} {
		for _, d := range m {
			ch <- d
		}
	}
	for i := range learnedValues {
		ch <- learnedValues[i]
		ch <- learnedDoubts[i]
	}
	for _, d := range []*prometheus.Desc{
		learnedVersion, learnedRuns, buildInfo, benchInfo, channelUp, channelAge, channelSamples, channelErrors, channelFaults,
		channelRestores, channelDue, channelOverdue, channelDrift, channelDrifts, channelChange, channelTau, phaseDesc, phaseSeconds, runActive, runSeconds, ageingOn, ageingBurnt, ageingDark, runs, ceiling, toCeiling,
		heatingRate, alarmActive, alarmUnack, trouble, frames, lateFrames, journalBytes, journalErrs,
		clockTrusted, benchSpeed,
	} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	s := c.source.Snapshot()
	if s == nil {
		return // nothing is known before the first frame
	}
	gauge := func(d *prometheus.Desc, x float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, x, labels...)
	}
	counter := func(d *prometheus.Desc, x uint64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(x), labels...)
	}
	gauge(buildInfo, 1, s.Version, runtime.Version())
	emulated := "false"
	if s.Emulated {
		emulated = "true"
	}
	gauge(benchInfo, 1, s.Bench, emulated)
	gauge(benchSpeed, s.Speed)
	for i, d := range s.Layout.Channels {
		if v := s.Frame.Readings[i].Value; v.Good() {
			gauge(valueDescs[d.Role], v.X, d.Name)
			if u := uncertaintyDescs[d.Role]; u != nil && v.U == v.U {
				gauge(u, v.U, d.Name)
			}
		}
		st := s.Channels[i]
		gauge(channelUp, flag(st.Up), d.Name, d.Role.String())
		if st.LastSample >= 0 {
			gauge(channelAge, (s.Now - st.LastSample).Seconds(), d.Name)
		}
		counter(channelSamples, st.Samples, d.Name)
		counter(channelErrors, st.Errors, d.Name)
		counter(channelFaults, st.Faults, d.Name)
		counter(channelRestores, st.Restores, d.Name)
		if !st.Due.IsZero() {
			gauge(channelDue, float64(st.Due.Unix()), d.Name)
			gauge(channelOverdue, flag(st.Overdue), d.Name)
			if st.ChangeU > 0 && st.Change == st.Change {
				gauge(channelChange, st.Change/(2*st.ChangeU), d.Name)
			}
		}
		if !st.Due.IsZero() || len(st.Drifts) > 0 {
			gauge(channelDrift, flag(st.Drifting), d.Name)
		}
		for _, x := range st.Drifts {
			gauge(channelDrifts, x.Offset/(2*x.U), d.Name, x.Against)
		}
		if st.TimeConstant > 0 {
			gauge(channelTau, st.TimeConstant.Seconds(), d.Name)
		}
	}
	for p := range phase.Count {
		gauge(phaseDesc, flag(phase.ID(p) == s.Phase), phase.ID(p).String())
	}
	gauge(phaseSeconds, (s.Now - s.PhaseSince).Seconds())
	gauge(runActive, flag(s.Run.Active))
	if s.Run.Active {
		gauge(runSeconds, (s.Now - s.Run.Started).Seconds())
	}
	gauge(ageingOn, flag(s.Ageing.Active))
	if s.Ageing.Active {
		gauge(ageingBurnt, s.Ageing.Burnt.Seconds())
		gauge(ageingDark, flag(s.Ageing.Dark))
	}
	counter(runs, s.Counters.RunsCompleted, "completed")
	counter(runs, s.Counters.RunsAborted, "aborted")
	counter(runs, s.Counters.RunsInterrupt, "interrupted")
	if s.Envelope != nil {
		for i := range s.Envelope.Limits {
			if l := &s.Envelope.Limits[i]; l.ID == "glass-ceiling" && l.High == l.High {
				gauge(ceiling, l.High)
			}
		}
	}
	if s.Ceiling.Known {
		gauge(heatingRate, s.Ceiling.Rate)
		if s.Ceiling.Approach {
			gauge(toCeiling, s.Ceiling.In.Seconds())
		}
	}
	if c.learned != nil {
		collectLearned(c.learned(), gauge)
	}
	c.collectAlarms(s, gauge)
	for _, t := range s.Troubles {
		if !t.Hidden {
			gauge(trouble, 1, t.Kind.Code, t.Subject, t.Kind.Severity.String())
		}
	}
	counter(frames, s.Counters.Frames)
	counter(lateFrames, s.Counters.LateFrames)
	counter(journalBytes, s.Counters.JournalBytes)
	counter(journalErrs, s.Counters.JournalErrors)
	gauge(clockTrusted, flag(s.WallTrusted))
}

func (c *Collector) collectAlarms(s *status.Snapshot, gauge func(*prometheus.Desc, float64, ...string)) {
	state := make(map[string]alarm.State, len(s.Alarms))
	for _, a := range s.Alarms {
		state[a.Definition.ID] = a.State
	}
	for _, d := range c.alarms {
		st := state[d.ID] // Normal if it is not there
		active := st == alarm.Unacknowledged || st == alarm.Acknowledged || st == alarm.LatchedUnack
		unack := st == alarm.Unacknowledged || st == alarm.ReturnedUnack || st == alarm.LatchedUnack
		gauge(alarmActive, flag(active), d.ID, d.Priority.String())
		gauge(alarmUnack, flag(unack), d.ID, d.Priority.String())
	}
}

func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
