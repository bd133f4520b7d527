package learn

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"tipoff/calib/strict"
	"tipoff/logger/model"
)

// fileFormat is the version of the layout of a constants file.
const fileFormat = 1

// written is a Constants as its file has it.
type written struct {
	Format       int            `toml:"format" comment:"version of this file's layout"`
	Version      int            `toml:"version"`
	Made         string         `toml:"made"`
	From         int            `toml:"from,omitempty" comment:"the version that was put in force again"`
	Held         bool           `toml:"held,omitempty" comment:"put in force by hand; 'tipoff learn' learns on"`
	Since        string         `toml:"since,omitempty" comment:"the earliest run that counts"`
	LagCorrected bool           `toml:"lag_corrected" comment:"the glass readings are corrected for the sensor's lag"`
	Scatter      float64        `toml:"scatter" comment:"how the runs scatter, over what is usual"`
	Runs         []string       `toml:"runs" comment:"the runs used, oldest first"`
	Model        string         `toml:"model,literal" comment:"all of it with covariances, for rehearse and advice; positive ones as logarithms"`
	Constant     []writtenValue `toml:"constant"`
	Left         []writtenLeft  `toml:"left_out,omitempty"`
}

type writtenValue struct {
	ID      string   `toml:"id"`
	Title   string   `toml:"title"`
	Unit    string   `toml:"unit"`
	Value   float64  `toml:"value"`
	U       float64  `toml:"u" comment:"standard uncertainty, all told"`
	OfRuns  float64  `toml:"u_of_runs" comment:"the part that more runs make smaller"`
	Runs    int      `toml:"runs" comment:"so many of the runs tell of it"`
	Without []string `toml:"without,omitempty" comment:"those that do not"`
	Known   float64  `toml:"known" comment:"without the runs"`
	KnownU  float64  `toml:"known_u"`
	Basis   string   `toml:"known_from"`
	Beats   bool     `toml:"better" comment:"the runs know it better, and it is used"`
	Why     string   `toml:"why,omitempty" comment:"why no run tells of it"`
}

type writtenLeft struct {
	Run string `toml:"run"`
	Why string `toml:"why"`
}

// absolute is a standard uncertainty in the unit of the constant.
func absolute(c model.Constant, x, u float64) float64 {
	if c.Info().Positive {
		return u * x
	}
	return u
}

func relative(c model.Constant, x, u float64) float64 {
	if c.Info().Positive {
		return u / x
	}
	return u
}

// Encode is the text of the file of c.
func (c *Constants) Encode() ([]byte, error) {
	w := written{Format: fileFormat, Version: c.Version, Made: c.Made.UTC().Format(time.RFC3339), From: c.From, Held: c.Held, Since: c.Since,
		LagCorrected: c.LagCorrected, Scatter: c.Scatter, Runs: c.Runs}
	params := c.Params
	params.Runs = nil // they stand above
	text, err := json.Marshal(params)
	if err != nil {
		return nil, fmt.Errorf("writing the bench's constants: %w", err)
	}
	w.Model = string(text)
	for i := range c.Values {
		v := &c.Values[i]
		f := v.Constant.Info()
		x := writtenValue{ID: f.ID, Title: f.Title, Unit: f.Unit, Runs: v.Runs, Without: v.Without,
			Known: v.Known, KnownU: absolute(v.Constant, v.Known, v.KnownU), Basis: v.Basis, Beats: v.Beats, Why: v.Why}
		if v.Runs > 0 {
			x.Value, x.U, x.OfRuns = v.X, absolute(v.Constant, v.X, v.U), absolute(v.Constant, v.X, v.OfRuns)
		}
		w.Constant = append(w.Constant, x)
	}
	for _, l := range c.Left {
		w.Left = append(w.Left, writtenLeft(l))
	}
	var b bytes.Buffer
	b.WriteString("# What this bench's own runs have taught. tipoff wrote it and does not change it any more; a later version has a higher number.\n")
	if err := toml.NewEncoder(&b).Encode(w); err != nil {
		return nil, fmt.Errorf("writing the bench's constants: %w", err)
	}
	return b.Bytes(), nil
}

const (
	mostVersions = 1_000_000
	mostNumber   = 1e12
)

// Parse reads the text of a constants file strictly. file is its name for
// messages.
func Parse(file string, data []byte) (*Constants, error) {
	doc, err := strict.Read(file, data)
	if err != nil {
		return nil, err
	}
	doc.Int("format", fileFormat, fileFormat)
	c := &Constants{
		Version: doc.Int("version", 1, mostVersions), From: doc.OptInt("from", 1, mostVersions, 0), Held: doc.OptBool("held", false),
		Since: doc.OptString("since", ""), LagCorrected: doc.Bool("lag_corrected"), Scatter: doc.Float("scatter", 0, 100), Runs: doc.Strings("runs"),
	}
	if c.Made, err = time.Parse(time.RFC3339, doc.String("made")); err != nil {
		doc.WrongValue("made", `a time such as "2026-11-25T14:30:00Z"`)
	}
	if len(c.Runs) == 0 {
		doc.Wrong("runs", "none", "at least one run")
	}
	if err := json.Unmarshal([]byte(doc.String("model")), &c.Params); err != nil {
		doc.Wrong("model", strings.TrimPrefix(err.Error(), "constants of a bench: "), "the constants as tipoff wrote them")
	}
	c.Params.Runs = c.Runs
	tables := doc.Tables("constant")
	names := make([]string, model.NumConstants)
	for i := range names {
		names[i] = model.Constant(i).Info().ID
	}
	if len(tables) != model.NumConstants {
		doc.Wrong("constant", fmt.Sprintf("%d tables", len(tables)), fmt.Sprintf("%d, one for each constant", model.NumConstants))
		tables = nil
	}
	for i, t := range tables {
		c.Values[i] = readValue(t, model.Constant(i), c.Runs)
	}
	for _, t := range doc.Tables("left_out") {
		c.Left = append(c.Left, Left{t.String("run"), t.String("why")})
	}
	if err := doc.Finish(); err != nil {
		return nil, err
	}
	return c, nil
}

func readValue(t *strict.Table, id model.Constant, runs []string) Value {
	f := id.Info()
	t.String("id", f.ID)
	t.String("title")
	t.OptString("unit", "")
	v := Value{Constant: id, X: math.NaN(), U: math.NaN(), OfRuns: math.NaN(), Runs: t.Int("runs", 0, MostRuns), Without: t.Strings("without"),
		Basis: t.String("known_from", "handbook", "bench.toml"), Beats: t.Bool("better"), Why: t.OptString("why", "")}
	least := -mostNumber
	if f.Positive {
		least = 0
	}
	x, u, of := t.Float("value", least, mostNumber), t.Float("u", 0, mostNumber), t.Float("u_of_runs", 0, mostNumber)
	v.Known, v.KnownU = t.Float("known", least, mostNumber), t.Float("known_u", 0, mostNumber)
	if f.Positive && !(v.Known > 0) {
		t.WrongValue("known", "above 0")
	}
	v.KnownU = relative(id, v.Known, v.KnownU)
	for _, r := range v.Without {
		if !slices.Contains(runs, r) {
			t.Wrong("without", fmt.Sprintf("%q", r), "runs that stand in \"runs\"")
		}
	}
	if v.Runs == 0 {
		if v.Beats {
			t.Wrong("better", "true", "false, as no run tells of it")
		}
		return v
	}
	if f.Positive && !(x > 0) {
		t.WrongValue("value", "above 0")
	}
	if !(u > 0) {
		t.WrongValue("u", "above 0")
	}
	v.X, v.U, v.OfRuns = x, relative(id, x, u), relative(id, x, of)
	return v
}
