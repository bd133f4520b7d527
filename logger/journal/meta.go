package journal

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"time"

	"github.com/pelletier/go-toml/v2"

	"tipoff/calib/gauge"
	"tipoff/logger/frame"
)

// Outcome is how a run ended.
type Outcome string

// The outcomes.
const (
	Recording   Outcome = "recording"   // not ended yet, or the power went
	Completed   Outcome = "completed"   // filled and tipped off
	Aborted     Outcome = "aborted"     // vented before the fill
	Interrupted Outcome = "interrupted" // the daemon or its power stopped in mid run
)

// Meta is a run's run.toml. What was recorded is never changed afterwards;
// results are added.
type Meta struct {
	Format    int    `toml:"format" comment:"version of this file's layout"`
	ID        string `toml:"id"`
	BenchName string `toml:"bench"`
	Tube      string `toml:"tube" comment:"name on the tube card, empty if none was given"`
	Job       string `toml:"job"`
	// Kind is what kind of run it is if it is not the processing of a tube: "ageing".
	Kind     string  `toml:"kind,omitempty" comment:"ageing; absent: a tube was processed"`
	Outcome  Outcome `toml:"outcome" comment:"recording, completed, aborted or interrupted"`
	Software string  `toml:"software" comment:"version that recorded the run"`
	BootID   string  `toml:"boot_id" comment:"monotonic times of one boot only may be compared"`
	Started  Anchor  `toml:"started"`
	Ended    Anchor  `toml:"ended"`
	// Continues is set in the rest of a run that was broken off.
	Continues *Continues `toml:"continues,omitempty" comment:"the run of which this is the rest"`
	// GoesOn is the run that goes on with this one, and is judged with it.
	GoesOn string `toml:"goes_on_in,omitempty" comment:"this run was broken off and goes on in that one, which judges both"`

	// Request is what was asked for, of an ageing run.
	Request string `toml:"request,multiline,omitempty"`

	Verdict string  `toml:"verdict" comment:"within, marginal, outside, not known; empty before judgement"`
	Summary string  `toml:"summary" comment:"the verdict in one sentence"`
	Layout  Layout  `toml:"layout"`
	Phases  []Phase `toml:"phases,omitempty"`
	// Constants is the version of the bench's own constants that the verdict rests on.
	Constants int       `toml:"constants,omitempty" comment:"version of the bench's own constants that the verdict rests on; absent: none"`
	Findings  []Finding `toml:"findings,omitempty"`
	Alarms    []Alarm   `toml:"alarms,omitempty"`
	// Sampling is how evenly waveforms were sampled during the run.
	Sampling []Sampling `toml:"sampling,omitempty" comment:"how evenly waveforms were sampled"`
	Lost     []Lost     `toml:"lost,omitempty" comment:"what could not be recorded or was found damaged"`
	// Vacuum is what isolated stretches and pump-downs showed of the plant.
	Vacuum []Vacuum `toml:"vacuum,omitempty" comment:"what stretches with the pump shut and pump-downs showed, SI units"`
	// Earlier holds judgements that a later one replaced. [UpdateMeta] fills it.
	Earlier []Judgement `toml:"earlier,omitempty"`

	Card        string `toml:"card_text,multiline" comment:"the tube card as it was"`
	Bench       string `toml:"bench_text,multiline" comment:"bench.toml as it was"`
	Calibration string `toml:"calibration_text,multiline" comment:"the calibrations as they were"`
}

// Anchor ties the monotonic clock to the wall clock.
type Anchor struct {
	MonoNS  int64     `toml:"mono_ns" comment:"monotonic time since boot, ns"`
	Wall    time.Time `toml:"wall"`
	Trusted bool      `toml:"trusted" comment:"false: the board did not know the time"`
}

// Mono is the anchor's monotonic time.
func (a Anchor) Mono() time.Duration { return time.Duration(a.MonoNS) }

// At makes an anchor. An untrusted wall time is kept, marked as such.
func At(mono time.Duration, wall time.Time, trusted bool) Anchor {
	return Anchor{MonoNS: int64(mono), Wall: wall.UTC().Round(0), Trusted: trusted}
}

// Layout is the channels of the run's frames.
type Layout struct {
	IntervalNS int64     `toml:"interval_ns" comment:"nominal time from frame to frame, ns"`
	Channels   []Channel `toml:"channels"`
}

// Channel is one channel of the run's frames.
type Channel struct {
	Name    string `toml:"name"`
	Role    string `toml:"role"`
	Unit    string `toml:"unit"`
	Driver  string `toml:"driver"`
	Device  string `toml:"device"`
	Input   string `toml:"input"`
	Integer bool   `toml:"integer" comment:"the raw number is a whole number"`
	HasAux  bool   `toml:"has_aux" comment:"there is a second raw number, a cold junction's"`
	Purpose string `toml:"purpose,omitempty" comment:"what a contact is for"`
	// The pressures that the gauge can indicate, Pa; both 0 if not known.
	RangeLow  float64 `toml:"range_low,omitempty" comment:"Pa, least that the gauge can indicate"`
	RangeHigh float64 `toml:"range_high,omitempty" comment:"Pa, most that the gauge can indicate"`
	// TimeConstantS is the sensor's lag that the values were corrected for when the
	// run began, s; 0 if they were not or, unless TimeConstantTold, it is not said.
	TimeConstantS    float64 `toml:"time_constant_s,omitempty" comment:"s, lag of the sensor that the values are corrected for"`
	TimeConstantTold bool    `toml:"time_constant_told,omitempty" comment:"without a time_constant_s the values are not corrected for lag"`
}

// Phase is a stretch of the run in one phase. Seconds count from Started.
type Phase struct {
	Phase string  `toml:"phase"`
	FromS float64 `toml:"from_s"`
	ToS   float64 `toml:"to_s"`
}

// Finding is the judgement of one limit, as the sheet gives it. Numbers are in
// Unit; NaN where there is none. Seconds count from Started, of the rest of a run that
// was broken off from the start of its first part.
type Finding struct {
	Limit    string  `toml:"limit"` // the limit's ID
	Title    string  `toml:"title"`
	Verdict  string  `toml:"verdict"`
	Phase    string  `toml:"phase"`
	Quantity string  `toml:"quantity"`
	Unit     string  `toml:"unit"`
	Low      float64 `toml:"low"`
	High     float64 `toml:"high"`
	LimitU   float64 `toml:"limit_u"`
	Measured float64 `toml:"measured"`
	U        float64 `toml:"u"`
	AtS      float64 `toml:"at_s"`
	OutsideS float64 `toml:"outside_s"`
	Degree   float64 `toml:"degree"`
	Basis    string  `toml:"basis"`
	Reason   string  `toml:"reason"`
	Formula  string  `toml:"formula"`
	Source   string  `toml:"source"`
	Unknown  string  `toml:"unknown"`
	Text     string  `toml:"text"`
}

// PumpDown is the [Vacuum.Kind] of a stretch with the pump open.
const PumpDown = "pump-down"

// Vacuum is what a stretch with the pump shut, or a pump-down, showed. Seconds
// count from Started; the rest is SI, with standard uncertainties, NaN where
// there is none.
type Vacuum struct {
	Kind    string  `toml:"kind" comment:"pump-down, or what a rise looks like"`
	Phase   string  `toml:"phase"`
	FromS   float64 `toml:"from_s"`
	ToS     float64 `toml:"to_s"`
	Rate    float64 `toml:"rate"` // Pa/s, rise over the whole stretch
	RateU   float64 `toml:"rate_u"`
	Final   float64 `toml:"final"` // Pa/s, rise that stays when the bending is over
	FinalU  float64 `toml:"final_u"`
	Inflow  float64 `toml:"inflow"` // Pa·m³/s, Rate times volume
	InflowU float64 `toml:"inflow_u"`
	Leak    float64 `toml:"leak"` // Pa·m³/s, Final times volume
	LeakU   float64 `toml:"leak_u"`
	Speed   float64 `toml:"speed"` // m³/s
	SpeedU  float64 `toml:"speed_u"`
	Base    float64 `toml:"base"` // Pa
	BaseU   float64 `toml:"base_u"`
	Load    float64 `toml:"load"` // Pa·m³/s
	LoadU   float64 `toml:"load_u"`
}

// Alarm is one alarm of the run. Seconds count from Started; AckS and ClearedS
// are negative if it never was.
type Alarm struct {
	ID       string  `toml:"id"`
	Title    string  `toml:"title"`
	Priority string  `toml:"priority"`
	RaisedS  float64 `toml:"raised_s"`
	AckS     float64 `toml:"acknowledged_s"`
	ClearedS float64 `toml:"cleared_s"`
	Detail   string  `toml:"detail"`
}

// Sampling is the times between the samples of one waveform, holes left out.
type Sampling struct {
	Channel   string  `toml:"channel"`
	Samples   int64   `toml:"samples"`
	SpacingUS float64 `toml:"spacing_us" comment:"mean time between samples, µs"`
	JitterUS  float64 `toml:"jitter_us" comment:"standard deviation of the times between samples, µs"`
	WorstUS   float64 `toml:"worst_us" comment:"longest time between samples, µs"`
}

// Lost is a stretch that is not in the record.
type Lost struct {
	FromS  float64 `toml:"from_s"` // time of the last line before it, from Started
	ToS    float64 `toml:"to_s"`   // time of the first line after it; the end if none
	Blocks int64   `toml:"blocks"` // blocks missing, 0 if not known
	Bytes  int64   `toml:"bytes"`  // damaged bytes, kept in frames.torn
	Reason string  `toml:"reason"`
}

// Judgement is a verdict that a later one replaced.
type Judgement struct {
	Verdict   string    `toml:"verdict"`
	Summary   string    `toml:"summary"`
	Constants int       `toml:"constants,omitempty"`
	Card      string    `toml:"card_text,multiline"`
	Findings  []Finding `toml:"findings,omitempty"`
}

// LayoutOf describes l for run.toml.
func LayoutOf(l *frame.Layout) Layout {
	out := Layout{IntervalNS: int64(l.Interval)}
	for _, c := range l.Channels {
		out.Channels = append(out.Channels, Channel{
			Name: c.Name, Role: c.Role.String(), Unit: c.Role.Unit(), Driver: c.Driver,
			Device: c.Device, Input: c.Input, Integer: c.Integer, HasAux: c.HasAux,
			Purpose: c.Purpose.String(), RangeLow: c.Range.Low, RangeHigh: c.Range.High,
		})
	}
	return out
}

// Frame makes the frame layout that the description stands for.
func (l Layout) Frame() (*frame.Layout, error) {
	if len(l.Channels) > frame.MaxChannels {
		return nil, fmt.Errorf("layout: %d channels, at most %d are allowed", len(l.Channels), frame.MaxChannels)
	}
	channels := make([]frame.Channel, 0, len(l.Channels))
	for _, c := range l.Channels {
		role, ok := frame.RoleNamed(c.Role)
		if !ok {
			return nil, fmt.Errorf("layout: channel %q: role %q is not known", c.Name, c.Role)
		}
		purpose, ok := frame.PurposeNamed(c.Purpose)
		if !ok {
			return nil, fmt.Errorf("layout: channel %q: purpose %q is not known", c.Name, c.Purpose)
		}
		channels = append(channels, frame.Channel{
			Purpose: purpose, Name: c.Name, Role: role, Driver: c.Driver, Device: c.Device, Input: c.Input,
			Integer: c.Integer, HasAux: c.HasAux, Range: gauge.Range{Low: c.RangeLow, High: c.RangeHigh},
		})
	}
	if _, err := fieldNames(channels); err != nil {
		return nil, err
	}
	return frame.NewLayout(time.Duration(l.IntervalNS), channels), nil
}

// base is what a line's timestamp is added to the monotonic time: fixed for
// the run, so that a jump of the wall clock moves no line.
func (m *Meta) base() int64 {
	if !m.Started.Trusted {
		return 0
	}
	return m.Started.Wall.UnixNano() - m.Started.MonoNS
}

// Duration is how long the run took; 0 while it is recorded.
func (m *Meta) Duration() time.Duration {
	if m.Ended.MonoNS <= m.Started.MonoNS {
		return 0
	}
	return m.Ended.Mono() - m.Started.Mono()
}

// LoadMeta reads dir's run.toml.
func LoadMeta(dir string) (*Meta, error) {
	name := filepath.Join(dir, metaName)
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("reading the run's description: %w", err)
	}
	m, err := parseMeta(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return m, nil
}

// parseMeta checks the text of a run.toml. Keys that this version does not know
// are passed over, so that it can read what a later one wrote.
func parseMeta(text []byte) (*Meta, error) {
	var m Meta
	if err := toml.Unmarshal(text, &m); err != nil {
		var d *toml.DecodeError
		if errors.As(err, &d) {
			row, col := d.Position()
			return nil, fmt.Errorf("line %d column %d: %w", row, col, err)
		}
		return nil, err
	}
	if m.Format != format {
		return nil, fmt.Errorf("key format: found %d, this version reads %d", m.Format, format)
	}
	return &m, nil
}

func (m *Meta) encode() ([]byte, error) {
	var b bytes.Buffer
	if err := toml.NewEncoder(&b).SetIndentTables(false).Encode(m); err != nil {
		return nil, fmt.Errorf("writing run.toml: %w", err)
	}
	return b.Bytes(), nil
}

// UpdateMeta changes dir's run.toml by f and puts it and SHA256SUMS in place
// so that a power cut leaves either the old or the new one. What was recorded
// (identity, layout, bench, calibration, times, phases, alarms) can not be
// changed; a verdict that is replaced moves to Earlier. It must not run at the
// same time as a [Writer] seals the same run, nor twice at once.
func UpdateMeta(dir string, f func(*Meta) error) error { return updateMeta(OS{}, dir, f) }

func updateMeta(fs FS, dir string, f func(*Meta) error) error {
	old, err := LoadMeta(dir)
	if err != nil {
		return err
	}
	m, err := LoadMeta(dir)
	if err != nil {
		return err
	}
	if err := f(m); err != nil {
		return err
	}
	if what := recordedChange(old, m); what != "" {
		return fmt.Errorf("%s: %s was recorded and can not be changed", filepath.Join(dir, metaName), what)
	}
	if old.Verdict != "" && (old.Verdict != m.Verdict || !sameFindings(old.Findings, m.Findings)) {
		m.Earlier = append(m.Earlier, Judgement{
			Verdict: old.Verdict, Summary: old.Summary, Constants: old.Constants, Card: old.Card, Findings: old.Findings,
		})
	}
	return putMeta(fs, dir, m)
}

// recordedChange names the first recorded part in which a and b differ.
func recordedChange(a, b *Meta) string {
	recorded := []struct {
		name string
		same bool
	}{
		{"format", a.Format == b.Format},
		{"id", a.ID == b.ID},
		{"bench", a.BenchName == b.BenchName},
		{"boot_id", a.BootID == b.BootID},
		{"kind", a.Kind == b.Kind},
		{"request", a.Request == b.Request},
		{"software", a.Software == b.Software},
		{"started", a.Started.equal(b.Started)},
		{"continues", reflect.DeepEqual(a.Continues, b.Continues)},
		{"layout", reflect.DeepEqual(a.Layout, b.Layout)},
		{"bench_text", a.Bench == b.Bench},
		{"calibration_text", a.Calibration == b.Calibration},
	}
	if a.Outcome != Recording {
		recorded = append(recorded, []struct {
			name string
			same bool
		}{
			{"outcome", a.Outcome == b.Outcome},
			{"ended", a.Ended.equal(b.Ended)},
			{"phases", reflect.DeepEqual(a.Phases, b.Phases)},
			{"alarms", reflect.DeepEqual(a.Alarms, b.Alarms)},
			{"lost", reflect.DeepEqual(a.Lost, b.Lost)},
		}...)
	}
	for _, r := range recorded {
		if !r.same {
			return r.name
		}
	}
	return ""
}

func (a Anchor) equal(b Anchor) bool {
	return a.MonoNS == b.MonoNS && a.Trusted == b.Trusted && a.Wall.Equal(b.Wall)
}

// sameFindings compares by text, in which NaN equals NaN.
func sameFindings(a, b []Finding) bool {
	return fmt.Sprintf("%#v", a) == fmt.Sprintf("%#v", b)
}
