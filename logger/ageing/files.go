package ageing

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"math"
	"strings"
	"time"

	"tipoff/logger/chart"
	"tipoff/logger/envelope"
	"tipoff/logger/journal"
)

// Files are the files that an account gives, by the names that those of a processing
// run have, so that whoever shows runs needs to know one set.
var Files = []string{"time.svg", "time.png", "sheet.json", "sheet.txt"}

// Render makes one of [Files]; fs.ErrNotExist for another name.
func (a *Account) Render(name string) ([]byte, error) {
	var b bytes.Buffer
	var err error
	switch name {
	case "time.svg":
		err = chart.WriteAgeing(&b, chart.SVG, a.drawing())
	case "time.png":
		err = chart.WriteAgeing(&b, chart.PNG, a.drawing())
	case "sheet.json":
		return a.json()
	case "sheet.txt":
		a.text(&b)
	default:
		err = fmt.Errorf("an ageing run has no file %q: %w", name, fs.ErrNotExist)
	}
	return b.Bytes(), err
}

// Save puts verdict and findings into the run.toml of the sealed run in folder dir.
func (a *Account) Save(dir string) error {
	err := journal.UpdateMeta(dir, func(m *journal.Meta) error {
		m.Verdict, m.Summary, m.Findings = a.Overall, a.Text, a.Findings
		return nil
	})
	if err != nil {
		return fmt.Errorf("recording the verdict of ageing run %s: %w", a.Meta.ID, err)
	}
	return nil
}

func (a *Account) drawing() *chart.Ageing {
	d := &chart.Ageing{
		Title: "Ageing, run " + a.Meta.ID, Subtitle: strings.Join([]string{a.Meta.BenchName, string(a.Meta.Outcome), a.Text}, " · "),
		MaxGap: max(10, 5*a.Request.Every.Seconds()), Wanted: a.Request.Current,
		Drift: a.Drift, DriftU: a.DriftU, DriftFrom: a.DriftFrom, Light: math.NaN(),
	}
	if a.Meta.Tube != "" {
		d.Title = a.Meta.Tube + ", ageing run " + a.Meta.ID
	}
	half := a.Points[:0:0]
	for _, p := range a.Points {
		if p.lit && p.T >= a.DriftFrom {
			half = append(half, p)
		}
		d.Points = append(d.Points, chart.AgeingPoint{T: p.T, Light: p.Light, LightLow: p.LightLeast, LightHigh: p.LightMost,
			Current: p.Current, CurrentLow: p.CurrentLeast, CurHigh: p.CurMost, Glass: p.Glass, Lit: p.lit})
	}
	d.Light = mean(half, func(p *Point) float64 { return p.Light })
	for _, o := range a.Outs {
		to := o.To
		if to != to {
			to = a.Took
		}
		d.Outs = append(d.Outs, [2]float64{o.From, to})
	}
	return d
}

// number is null in JSON where there is none.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	if x := float64(n); x != x || math.IsInf(x, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

func (a *Account) json() ([]byte, error) {
	type limit struct {
		ID       string `json:"id"`
		Title    string `json:"title"`
		Unit     string `json:"unit"` // SI
		Low      number `json:"low"`
		High     number `json:"high"`
		Measured number `json:"measured"`
		U        number `json:"uncertainty"` // standard
		Verdict  string `json:"verdict"`
		Reason   string `json:"reason"`
		Source   string `json:"source"`
		Unknown  string `json:"unknown"`
		Text     string `json:"text"`
	}
	type out struct {
		FromS number `json:"from_s"`
		ToS   number `json:"to_s"` // null: it did not come back
	}
	doc := struct {
		Version  int    `json:"ageing"`
		Run      string `json:"run"`
		Tube     string `json:"tube"`
		Of       string `json:"processed_in"` // the run that processed it, "" not said
		Bench    string `json:"bench"`
		Outcome  string `json:"outcome"`
		Started  string `json:"started"`
		Duration number `json:"duration_s"`
		Burnt    number `json:"burnt_s"`
		Verdict  string `json:"verdict"`
		Text     string `json:"text"`

		Wanted         number  `json:"current_wanted_ma"`
		Current        number  `json:"current_ma"`
		CurrentU       number  `json:"current_u_ma"`
		CurrentDrift   number  `json:"current_drift_percent_per_h"`
		CurrentFlicker number  `json:"current_flicker_percent"`
		Light          number  `json:"light"` // part of full scale
		LightFirst     number  `json:"light_first_10_min"`
		LightLast      number  `json:"light_last_10_min"`
		Drift          number  `json:"light_drift_percent_per_h"`
		DriftU         number  `json:"light_drift_u"`
		Flicker        number  `json:"light_flicker_percent"`
		FlickerMost    number  `json:"light_flicker_95_percent"`
		Glass          number  `json:"glass_c"`
		GlassMost      number  `json:"glass_highest_c"`
		Outs           []out   `json:"outs"`
		Limits         []limit `json:"limits"`
	}{
		1, a.Meta.ID, a.Meta.Tube, a.Request.Run, a.Meta.BenchName, string(a.Meta.Outcome), "", number(a.Took), number(a.Burnt), a.Overall, a.Text,
		number(1000 * a.Request.Current), number(1000 * a.Current), number(1000 * a.CurrentU), number(a.CurrentDrift), number(a.CurrentFlicker),
		number(a.Light), number(a.LightFirst), number(a.LightLast), number(a.Drift), number(a.DriftU), number(a.Flicker), number(a.FlickerMost),
		number(a.Glass), number(a.GlassMost), []out{}, []limit{},
	}
	if w := a.Meta.Started; w.Trusted && !w.Wall.IsZero() {
		doc.Started = w.Wall.Format(time.RFC3339)
	}
	for _, o := range a.Outs {
		doc.Outs = append(doc.Outs, out{number(o.From), number(o.To)})
	}
	for i := range a.Findings {
		f := &a.Findings[i]
		doc.Limits = append(doc.Limits, limit{f.Limit, f.Title, f.Unit, number(f.Low), number(f.High), number(f.Measured), number(f.U), f.Verdict, f.Reason, f.Source, f.Unknown, f.Text})
	}
	b, err := json.MarshalIndent(doc, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("writing the account of ageing run %s: %w", a.Meta.ID, err)
	}
	return append(b, '\n'), nil
}

// text writes the account for a terminal.
func (a *Account) text(w io.Writer) {
	p := func(format string, x ...any) { fmt.Fprintf(w, format+"\n", x...) }
	tube := a.Meta.Tube
	if tube == "" {
		tube = "no tube named"
	}
	p("Ageing run %s, %s", a.Meta.ID, tube)
	about := []string{a.Meta.BenchName}
	if s := a.Meta.Started; s.Trusted && !s.Wall.IsZero() {
		about = append(about, s.Wall.Format("2 January 2006, 15:04 MST"))
	}
	if a.Request.Run != "" {
		about = append(about, "processed in run "+a.Request.Run)
	}
	p("%s, %s, a frame each %s", strings.Join(about, ", "), a.Meta.Outcome, a.Request.Every)
	p("")
	p("%s: %s", strings.ToUpper(a.Overall), a.Text)
	p("")
	row := func(title string, known float64, format string, x ...any) {
		if known != known {
			p("  %-26s not known", title)
			return
		}
		p("  %-26s %s", title, fmt.Sprintf(format, x...))
	}
	p("In numbers")
	row("burnt", a.Burnt, "%s of %s", chart.Clock(a.Burnt), chart.Clock(a.Took))
	row("mean current", a.Current, "%.1f ± %.1f mA", 1000*a.Current, 2000*orZero(a.CurrentU))
	row("current, drift", a.CurrentDrift, "%+.2f %% an hour", a.CurrentDrift)
	row("light, first ten minutes", a.LightFirst, "%.1f %% of full scale", 100*a.LightFirst)
	row("light, last ten minutes", a.LightLast, "%.1f %% of full scale", 100*a.LightLast)
	row("light, drift at the end", a.Drift, "%+.2f ± %.2f %% an hour", a.Drift, 2*a.DriftU)
	row("light, flicker", a.Flicker, "%.1f %% within a frame, 95 in 100 below %.1f %%", a.Flicker, a.FlickerMost)
	row("glass", a.Glass, "%.0f °C, highest %.0f °C", a.Glass, a.GlassMost)
	p("  %-26s %s", "burning", times(len(a.Outs)))
	for _, o := range a.Outs {
		p("    at %s until %s", chart.Clock(o.From), chart.Clock(o.To))
	}
	p("")
	p("Limits")
	for i := range a.Findings {
		f := &a.Findings[i]
		p("  %-9s  %s", f.Verdict, f.Text)
		if f.Verdict != string(envelope.NotKnown) {
			p("             %s [%s; %s]", f.Reason, f.Basis, f.Source)
		}
	}
}

func orZero(x float64) float64 {
	if x != x {
		return 0
	}
	return x
}
