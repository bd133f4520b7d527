package recompute

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

const resultFormat = 1

// Result is what a recomputation gave, as recomputed-<n>.toml keeps it. Values
// are in SI units (temperatures in °C), times in seconds from the run's start.
type Result struct {
	Format      int       `toml:"format" comment:"version of this file's layout"`
	Run         string    `toml:"run"`
	Number      int       `toml:"number" comment:"the readings are in the folder recomputed-<number>, a run of its own"`
	Software    string    `toml:"software" comment:"version that recomputed the run"`
	Made        time.Time `toml:"made"`
	Calibration string    `toml:"calibration" comment:"the file with the calibration used, or that it is the run's own bench.toml"`
	Hash        string    `toml:"calibration_sha256"`
	Frames      int       `toml:"frames"`
	Sums        string    `toml:"sums_sha256" comment:"of the folder's SHA256SUMS"`

	VerdictRecorded string `toml:"verdict_recorded" comment:"in run.toml when the run was recomputed"`
	VerdictBefore   string `toml:"verdict_before" comment:"of the recorded values, judged by this version"`
	VerdictAfter    string `toml:"verdict_after" comment:"of the recomputed values"`
	SummaryBefore   string `toml:"summary_before"`
	SummaryAfter    string `toml:"summary_after"`

	Constants       int    `toml:"constants" comment:"version of the bench's own constants that both were judged by, as the recorded values were; 0: none"`
	ConstantsRemark string `toml:"constants_remark,omitempty"`

	JudgedWith []string `toml:"judged_with,omitempty" comment:"parts of the run before this one, recomputed as well and judged with it; times of phases are from the start of the first"`

	Channels     []Change        `toml:"channels"`
	Limits       []Limit         `toml:"limits,omitempty" comment:"limits whose verdict changed"`
	PhasesChange bool            `toml:"phases_changed"`
	PhasesBefore []journal.Phase `toml:"phases_before,omitempty"`
	PhasesAfter  []journal.Phase `toml:"phases_after,omitempty"`

	CalibrationText string `toml:"calibration_text,multiline" comment:"the calibration used"`
}

// Change is what became of one channel.
type Change struct {
	Name   string  `toml:"name"`
	Role   string  `toml:"role"`
	Unit   string  `toml:"unit"`
	How    string  `toml:"how"`
	Why    string  `toml:"why,omitempty"`
	Factor float64 `toml:"factor,omitempty" comment:"new over recorded value, of a rescaled channel"`

	Compared    int     `toml:"compared" comment:"frames with a usable value before and after"`
	Before      int     `toml:"usable_before"`
	After       int     `toml:"usable_after"`
	Changed     int     `toml:"changed" comment:"compared frames whose value changed by more than rounding"`
	Mean        float64 `toml:"mean_change" comment:"after less before, NaN if nothing could be compared"`
	Most        float64 `toml:"most_change"`
	MostS       float64 `toml:"most_change_s"`
	MeanPercent float64 `toml:"mean_percent" comment:"of the value before; NaN for temperatures"`
	MostPercent float64 `toml:"most_percent"`
	MostPctS    float64 `toml:"most_percent_s"`
}

// Limit is a limit whose verdict changed.
type Limit struct {
	ID       string  `toml:"id"`
	Title    string  `toml:"title"`
	Unit     string  `toml:"unit"`
	Low      float64 `toml:"low"`
	High     float64 `toml:"high"`
	Before   string  `toml:"before"`
	After    string  `toml:"after"`
	Measured float64 `toml:"measured_before"`
	Now      float64 `toml:"measured_after"`
	Text     string  `toml:"text" comment:"of the recomputed values"`
}

// Same tells whether nothing changed, neither a value by more than rounding nor
// a verdict.
func (r *Result) Same() bool {
	for i := range r.Channels {
		if c := &r.Channels[i]; c.Changed > 0 || c.Before != c.After {
			return false
		}
	}
	return r.VerdictBefore == r.VerdictAfter && len(r.Limits) == 0 && !r.PhasesChange
}

// compare gathers what becomes of the channels, frame by frame.
type compare struct {
	start    time.Duration
	changes  []Change
	relative []bool
	sum, rel []float64
	relN     []int
}

func newCompare(l *frame.Layout, c *converter, start time.Duration) *compare {
	k := &compare{start: start}
	for i, lc := range l.Channels {
		ch := &c.channels[i]
		k.changes = append(k.changes, Change{Name: lc.Name, Role: lc.Role.String(), Unit: lc.Role.Unit(), How: ch.how, Why: ch.why, Factor: ch.factor})
		k.relative = append(k.relative, lc.Role == frame.Pressure || lc.Role == frame.Current)
	}
	n := len(l.Channels)
	k.sum, k.rel, k.relN = make([]float64, n), make([]float64, n), make([]int, n)
	return k
}

func (k *compare) add(at time.Duration, before, after *frame.Frame) {
	for i := range k.changes {
		c := &k.changes[i]
		b, a := before.Readings[i].Value, after.Readings[i].Value
		if b.Good() {
			c.Before++
		}
		if a.Good() {
			c.After++
		}
		if !b.Good() || !a.Good() {
			continue
		}
		c.Compared++
		d := a.X - b.X
		k.sum[i] += d
		if math.Abs(d) > math.Abs(c.Most) {
			c.Most, c.MostS = d, (at - k.start).Seconds()
		}
		// The record keeps values to a hundredth of their uncertainty.
		if math.Abs(d) > math.Max(1e-9*math.Abs(b.X), 0.0101*b.U) {
			c.Changed++
		}
		if k.relative[i] && b.X > 0 {
			p := 100 * d / b.X
			k.rel[i] += p
			k.relN[i]++
			if math.Abs(p) > math.Abs(c.MostPercent) {
				c.MostPercent, c.MostPctS = p, (at - k.start).Seconds()
			}
		}
	}
}

func (k *compare) finish(c *converter) []Change {
	for i := range k.changes {
		ch := &k.changes[i]
		ch.Mean = k.sum[i] / float64(ch.Compared) // NaN for none
		ch.MeanPercent = k.rel[i] / float64(k.relN[i])
		if k.relN[i] == 0 {
			ch.MostPercent = math.NaN()
		}
		if ch.Compared == 0 {
			ch.Most = math.NaN()
		}
		if odd := c.channels[i].odds(); odd != "" {
			ch.Why = odd
		}
	}
	return k.changes
}

// phases are segments in seconds from the run's start.
func phases(segments []phase.Segment, start time.Duration) []journal.Phase {
	var all []journal.Phase
	for _, s := range segments {
		all = append(all, journal.Phase{Phase: s.Phase.String(), FromS: (s.From - start).Seconds(), ToS: (s.To - start).Seconds()})
	}
	return all
}

// verdicts puts both judgements and what differs into r.
func (r *Result) verdicts(before, after *judgement, start time.Duration) {
	r.VerdictBefore, r.SummaryBefore = string(before.verdict), before.text
	r.VerdictAfter, r.SummaryAfter = string(after.verdict), after.text
	r.PhasesBefore, r.PhasesAfter = phases(before.segments, start), phases(after.segments, start)
	r.PhasesChange = len(r.PhasesBefore) != len(r.PhasesAfter)
	for i := range r.PhasesBefore {
		r.PhasesChange = r.PhasesChange || r.PhasesBefore[i] != r.PhasesAfter[i]
	}
	for i := range after.findings {
		a := &after.findings[i]
		if i >= len(before.findings) || before.findings[i].Verdict == a.Verdict {
			continue // both are of one envelope, so the limits are the same
		}
		b := &before.findings[i]
		r.Limits = append(r.Limits, Limit{
			ID: a.Limit.ID, Title: a.Limit.Title, Unit: a.Limit.Unit, Low: a.Limit.Low, High: a.Limit.High,
			Before: string(b.Verdict), After: string(a.Verdict), Measured: b.Measured, Now: a.Measured, Text: a.Text,
		})
	}
}

func resultName(n int) string { return folderName(n) + ".toml" }
func folderName(n int) string { return prefix + strconv.Itoa(n) }

const prefix = "recomputed-"

// List reads the results of all finished recomputations of the run in dir, in
// the order of their numbers. A file that can not be read is an error.
func List(dir string) ([]*Result, error) {
	var all []*Result
	for n := 1; ; n++ {
		text, err := os.ReadFile(filepath.Join(dir, resultName(n)))
		if errors.Is(err, fs.ErrNotExist) {
			return all, nil
		}
		if err != nil {
			return all, fmt.Errorf("reading a recomputation: %w", err)
		}
		r, err := parseResult(text)
		if err != nil {
			return all, fmt.Errorf("%s: %w", filepath.Join(dir, resultName(n)), err)
		}
		all = append(all, r)
	}
}

// parseResult reads a recomputed-<n>.toml. Keys that this version does not know
// are passed over.
func parseResult(text []byte) (*Result, error) {
	var r Result
	if err := toml.Unmarshal(text, &r); err != nil {
		var d *toml.DecodeError
		if errors.As(err, &d) {
			row, _ := d.Position()
			return nil, fmt.Errorf("line %d: %w", row, err)
		}
		return nil, err
	}
	if r.Format != resultFormat {
		return nil, fmt.Errorf("format is %d; this version reads %d", r.Format, resultFormat)
	}
	return &r, nil
}

func (r *Result) encode() ([]byte, error) {
	// TOML allows a text to hold neither carriage returns alone nor other
	// control characters; what was parsed as TOML holds none but at line ends.
	r.CalibrationText = strings.ReplaceAll(r.CalibrationText, "\r\n", "\n")
	text, err := toml.Marshal(r)
	if err != nil {
		return nil, err
	}
	if _, err := parseResult(text); err != nil {
		return nil, fmt.Errorf("it would not be read back: %w", err)
	}
	return text, nil
}
