// Package sheet is the account of one finished run: its phases, how it met its
// limits, the verdict, the alarms, advice for the next such tube, and charts.
//
// All of it is computed from the recorded frames by the same smoother and
// checker, so the same readings give the same sheet, whether they were recorded
// at the bench or imported.
//
// A [Sheet] is also the shape of its JSON, which is stable: keys are added, but
// none is renamed or changes its meaning without a new number in "sheet".
// deploy/docs/sheet-json.md describes it for readers.
package sheet

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"tipoff/logger/ageing"
	"tipoff/logger/chart"
	"tipoff/logger/journal"
	"tipoff/logger/learn"
)

// Version is the version of the JSON shape.
const Version = 1

// Number is a number that may be missing: NaN here, null in JSON.
type Number float64

// MarshalJSON writes null for what is not a finite number.
func (n Number) MarshalJSON() ([]byte, error) {
	if x := float64(n); math.IsNaN(x) || math.IsInf(x, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// UnmarshalJSON reads null as NaN.
func (n *Number) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Number(math.NaN())
		return nil
	}
	return json.Unmarshal(b, (*float64)(n))
}

// Sheet is the account of one run. Times are seconds from the run's start.
type Sheet struct {
	Version int       `json:"sheet"`
	Run     Run       `json:"run"`
	Verdict Verdict   `json:"verdict"`
	Summary Summary   `json:"summary"`
	Phases  []Phase   `json:"phases"`
	Limits  []Limit   `json:"limits"`
	Alarms  []Alarm   `json:"alarms"`
	Advice  []string  `json:"advice"`
	Gaps    []Gap     `json:"gaps"`
	Quality []Channel `json:"quality"`
	Vacuum  []Vacuum  `json:"vacuum"`
	Remarks []string  `json:"remarks"` // what is odd about the record itself

	// Corridor says how the run went beside the good runs before it, in a sentence;
	// "" if there are too few.
	Corridor string `json:"corridor"`
	// Constants is the version of the bench's own constants that was used; 0: none.
	Constants int `json:"constants"`
	// Learned says in a sentence or two what of them limits and advice use.
	Learned string `json:"learned"`

	drawing chart.Run
	record  record
	ageing  *ageing.Account     // of an ageing run, which is all that its sheet is made of
	taught  *learn.Taught       // nil without a tube card
	unread  error               // why the bench's own constants could not be read
	given   func(*journal.Meta) // what was given with the sheet, to be saved with it; nil: nothing
}

// Run says which run it is.
type Run struct {
	ID        string `json:"id"`
	Tube      string `json:"tube"` // "" if no card was given
	Job       string `json:"job"`
	Bench     string `json:"bench"`
	Outcome   string `json:"outcome"` // completed, aborted, interrupted, recording
	Started   string `json:"started"` // RFC 3339; "" if the board did not know the time
	DurationS Number `json:"duration_s"`
	Software  string `json:"software"` // version that recorded it
	// Parts are the records that the run was put together from, the last of them this
	// one; none of a run that was not broken off.
	Parts []Part `json:"parts"`
	// GoesOn is the run that goes on with this one, and judges both; "": none.
	GoesOn string `json:"goes_on_in"`
}

// Part is one record of a run that was broken off and gone on with.
type Part struct {
	Run   string `json:"run"`
	FromS Number `json:"from_s"`
	ToS   Number `json:"to_s"`
}

// Verdict is the verdict on the whole run.
type Verdict struct {
	Overall string `json:"overall"` // within, marginal, outside, not known
	Text    string `json:"text"`    // one sentence
}

// Phase is a stretch in one phase.
type Phase struct {
	Phase string `json:"phase"`
	FromS Number `json:"from_s"`
	ToS   Number `json:"to_s"`
	// ByHabit is true of a tip-off whose beginning no channel shows.
	ByHabit bool `json:"by_habit"`
}

// Limit is one limit and how it was met. Low, high, measured, uncertainty and
// degree are in Unit: Torr, mA, °C, °C/s, micron/min, s or ppm.
type Limit struct {
	ID          string   `json:"id"` // stable
	Title       string   `json:"title"`
	Quantity    string   `json:"quantity"`
	Unit        string   `json:"unit"`
	Low         Number   `json:"low"`  // null: no lower bound
	High        Number   `json:"high"` // null: no upper bound
	LowU        Number   `json:"low_uncertainty"`
	HighU       Number   `json:"high_uncertainty"` // standard, of the bound itself; 0: exact as it is set
	Phases      []string `json:"phases"`
	Verdict     string   `json:"verdict"`
	Measured    Number   `json:"measured"`    // the deciding value
	Uncertainty Number   `json:"uncertainty"` // its standard uncertainty (k = 1)
	AtS         Number   `json:"at_s"`
	Phase       string   `json:"phase"` // in which phase it was; "" if nothing was measured
	OutsideS    Number   `json:"outside_s"`
	Degree      Number   `json:"degree"` // how far outside at the worst
	Basis       string   `json:"basis"`
	Reason      string   `json:"reason"`
	Formula     string   `json:"formula"`
	Source      string   `json:"source"`
	Unknown     string   `json:"unknown"` // why the limit is not known; else ""
	Text        string   `json:"text"`
}

// Alarm is one alarm of the run.
type Alarm struct {
	ID            string `json:"id"`
	Title         string `json:"title"`
	Priority      string `json:"priority"`
	RaisedS       Number `json:"raised_s"`
	ClearedS      Number `json:"cleared_s"`      // null: not within the run
	AcknowledgedS Number `json:"acknowledged_s"` // null: not within the run
	Detail        string `json:"detail"`
}

// Summary is the run in numbers; null where it cannot be told.
type Summary struct {
	PeakGlass    Number `json:"peak_glass_c"`
	PeakGlassS   Number `json:"peak_glass_s"` // when
	PeakRate     Number `json:"peak_rate_c_per_s"`
	ShellsS      Number `json:"shells_s"`           // time in the shells phase
	BasePressure Number `json:"base_pressure_torr"` // lowest while pumping after the arc
	FillAt20     Number `json:"fill_at_20_c_torr"`
	FillTarget   Number `json:"fill_target_torr"`
	PeakCurrent  Number `json:"peak_current_ma"`
	ArcS         Number `json:"arc_s"` // time with the arc on
	Frames       int    `json:"frames"`
}

// Gap is a stretch that is not in the record.
type Gap struct {
	FromS  Number `json:"from_s"`
	ToS    Number `json:"to_s"`
	Reason string `json:"reason"`
}

// Channel is how far the readings of one channel can be believed.
type Channel struct {
	Name   string `json:"channel"`
	Role   string `json:"role"`
	Frames int    `json:"frames"`
	Usable int    `json:"usable"` // frames with a usable value
	Marks  []Mark `json:"marks"`  // qualities that occurred
	// Of a waveform: mean, standard deviation and longest of the times between its
	// samples, µs; 0 of anything else.
	Spacing float64 `json:"spacing_us"`
	Jitter  float64 `json:"jitter_us"`
	Longest float64 `json:"longest_us"`
}

// Mark is a quality and in how many frames it occurred.
type Mark struct {
	Quality string `json:"quality"`
	Frames  int    `json:"frames"`
}

// JSON is the sheet in its documented shape.
func (s *Sheet) JSON() ([]byte, error) {
	if s.ageing != nil {
		return s.ageing.Render("sheet.json")
	}
	b, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("writing the sheet of run %s: %w", s.Run.ID, err)
	}
	return append(b, '\n'), nil
}

// wall is a wall-clock time as the sheet writes it.
func wall(t time.Time, trusted bool) string {
	if t.IsZero() || !trusted {
		return ""
	}
	return t.Format(time.RFC3339)
}
