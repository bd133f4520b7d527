package plan

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"tipoff/calib/certificate"
	"tipoff/logger/chart"
	"tipoff/logger/envelope"
	"tipoff/logger/journal"
	"tipoff/logger/model"
	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

// wave is the demo's PP-01 without limits of the operator's own.
func wave() tube.Card {
	return tube.Card{Name: "PP-01", Outside: 15e-3, Bore: 12.8e-3, Length: 1.8, Glass: "soda-lime", Coating: "clear", Gas: "neon",
		Electrode: tube.Electrode{Rating: 0.060, ShellMass: 6e-3, ShellArea: 20e-4, Coating: 15e-6}}
}

func waveEnvelope() *envelope.Envelope {
	return envelope.Compute(wave(), true, envelope.Bench{OpenCircuit: 12e3, ManifoldVolume: 0.5e-3})
}

// knowing is a bench that ten runs have taught: the handbook's constants with a
// tenth of the doubt.
func knowing() model.Params {
	p := model.Handbook(BenchOf(waveEnvelope().Bench))
	for i := range p.Cov {
		p.Cov[i][i] /= 100
	}
	p.Runs = []string{"a", "b", "c", "d", "e", "f", "g", "h", "i", "j"}
	return p
}

// A plan stays inside every limit that it is made for, with the guard bands,
// and a bench that is known is planned for with confidence.
func TestPlanKeepsTheLimits(t *testing.T) {
	e := waveEnvelope()
	p := knowing()
	c, err := Choose(e, &p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	within := func(id string, x float64) {
		t.Helper()
		if l, ok := e.Limit(id); !ok || x > l.High || x < l.Low {
			t.Errorf("%s: %g is not within %g to %g", id, x, l.Low, l.High)
		}
	}
	pl, o := &c.Plan, &c.Prediction.Best
	within(envelope.StrikeWindow, pl.DryPressure)
	within(envelope.StrikeWindow, pl.Pressure)
	within(envelope.ShellWindow, pl.ShellPressure)
	within(envelope.CurrentLimit, pl.Current)
	within(envelope.CurrentLimit, pl.ShellCurrent)
	within(envelope.CurrentLimit, pl.DryCurrent)
	within(envelope.PreheatEnd, o.DryPeak)
	within(envelope.GlassCeiling, o.Peak)
	within(envelope.GlassTarget, o.Peak)
	within(envelope.GlassCeiling, pl.StopAt)
	within(envelope.HeatingRate, o.Rate)
	within(envelope.ShellTime, o.ShellTime)
	if o.Glow < 0.7*40 || o.Shell < c.Tube.ShellBright {
		t.Errorf("shells orange for %.0f s, at most %.0f °C", o.Glow, o.Shell)
	}
	if c.Confidence < 0.9 {
		t.Errorf("confidence %.2f on a known bench; doubts %v", c.Confidence, c.Doubts)
	}
}

// Less knowledge is less confidence and a wider interval.
func TestConfidenceGrowsWithKnowledge(t *testing.T) {
	e := waveEnvelope()
	known, handbook := knowing(), model.Handbook(BenchOf(envelope.Bench{OpenCircuit: 12e3}))
	a, err := Choose(e, &known, Options{})
	if err != nil {
		t.Fatal(err)
	}
	b, err := Choose(e, &handbook, Options{})
	if err != nil {
		t.Fatal(err)
	}
	width := func(c *Chosen) float64 {
		of := func(o *model.Outcome) float64 { return o.Total }
		return c.Prediction.Quantile(0.975, of) - c.Prediction.Quantile(0.025, of)
	}
	if a.Confidence <= b.Confidence || width(a) >= width(b) {
		t.Errorf("known: %.2f, %.0f s; handbook: %.2f, %.0f s", a.Confidence, width(a), b.Confidence, width(b))
	}
	if !strings.Contains(b.Sure(), "handbook only") || !strings.Contains(a.Sure(), "10 runs") {
		t.Errorf("%s\n%s", a.Sure(), b.Sure())
	}
}

// Cards from which nothing can be planned say what is missing.
func TestNoPlanSaysWhy(t *testing.T) {
	p := knowing()
	for _, c := range []struct {
		name, want string
		lack       bool
		change     func(*tube.Card)
	}{
		{"no rating", "rating", true, func(c *tube.Card) { c.Electrode = tube.Electrode{} }},
		{"no length", "does not say length", true, func(c *tube.Card) { c.Length = 0 }},
		{"no glass", "does not say glass", true, func(c *tube.Card) { c.Glass = "" }},
	} {
		card := wave()
		c.change(&card)
		_, err := Choose(envelope.Compute(card, true, envelope.Bench{}), &p, Options{})
		if err == nil || !strings.Contains(err.Error(), c.want) || errors.Is(err, errLack) != c.lack {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	if _, err := Choose(envelope.Compute(tube.Card{}, false, envelope.Bench{}), &p, Options{}); err == nil || !strings.Contains(err.Error(), "no tube card") {
		t.Errorf("no card: %v", err)
	}
	card := wave()
	card.Length = 4
	if _, err := Choose(envelope.Compute(card, true, envelope.Bench{OpenCircuit: 9e3}), &p, Options{}); err == nil || !strings.Contains(err.Error(), "too small") {
		t.Errorf("a small bombarder: %v", err)
	}
}

// After a run the advice has the sentence, with the run's own numbers
// in front and the confidence behind.
func TestAdviceInNumbers(t *testing.T) {
	s := openShop(3)
	e, err := s.process(1)
	if err != nil {
		t.Fatal(err)
	}
	a := Advise(Lesson{Run: "r1", Envelope: s.env, Room: math.NaN(), Observations: e.obs, Phases: e.segments, Prior: model.Handbook(model.Bench{LagCorrected: true})})
	if !a.Given || len(a.Sentences) != 3 || len(a.Params.Runs) != 1 {
		t.Fatalf("%+v", a.Sentences)
	}
	for i, want := range []string{"heated the glass at", "until the glass reads", "Confidence: "} {
		if !strings.Contains(a.Sentences[i], want) {
			t.Errorf("%q has no %q", a.Sentences[i], want)
		}
	}
	for _, want := range []string{"The main bombard at", "Torr", "°C/s", "mA the model reaches", "together with the shells in", "95 %"} {
		if !strings.Contains(a.Sentences[0], want) {
			t.Errorf("%q has no %q", a.Sentences[0], want)
		}
	}
	t.Log(strings.Join(a.Sentences, "\n"))
}

// A run of which nothing can be learned gets no numbers, but the reason.
func TestNoAdviceWithoutReadings(t *testing.T) {
	var obs []phase.Observation
	for i := range 1000 {
		obs = append(obs, phase.Observation{At: time.Duration(i) * 100 * time.Millisecond, Pressure: 250, Glass: math.NaN(), Current: 0.3})
	}
	a := Advise(Lesson{Run: "r", Envelope: waveEnvelope(), Room: math.NaN(), Observations: obs,
		Phases: []phase.Segment{{Phase: phase.Bombard, From: 0, To: 100 * time.Second}}, Prior: knowing()})
	if a.Given || len(a.Sentences) != 1 || !strings.Contains(a.Sentences[0], "No advice in numbers") || !strings.Contains(a.Sentences[0], "glass") {
		t.Errorf("%q", a.Sentences)
	}
}

// certificates are one of a glass channel's values and one of its time constant.
func certificates(t *testing.T) (values, lag string) {
	t.Helper()
	c := certificate.Certificate{Channel: "g", Role: "glass", Procedure: "step", Who: "Em", Room: math.NaN(), Change: math.NaN(),
		Date: time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC), Due: time.Date(2027, 11, 24, 8, 0, 0, 0, time.UTC),
		Fit: certificate.LagFit(), Trials: []certificate.Trial{{Tau: 3, U: 0.1, Note: "step"}}}
	var err error
	if c.Lag, err = certificate.SolveLag(c.Trials); err != nil {
		t.Fatal(err)
	}
	lag = string(c.Encode())
	points := []certificate.Point{{Reference: 0, Indicated: 2, U: 0.1, Note: "ice"}, {Reference: 100, Indicated: 120, U: 0.1, Note: "boiling"}}
	fit, err := certificate.Solve(points, certificate.Linear)
	if err != nil {
		t.Fatal(err)
	}
	v := certificate.Certificate{Channel: "g", Role: "glass", Procedure: "ice, boiling", Who: "Em", Room: 21, Change: math.NaN(), Drift: 1,
		Instrument: certificate.Instrument{Name: "bath", Limit: 0.1}, Date: c.Date, Due: c.Due, Fit: fit, Points: points}
	return string(v.Encode()), lag
}

// A bombarder that is too small for a tube is told with what it can and what is wanted,
// which are not the same.
func TestBombarderTooSmall(t *testing.T) {
	card := wave()
	card.Length = 6
	e := envelope.Compute(card, true, envelope.Bench{OpenCircuit: 6e3})
	p := model.Handbook(BenchOf(e.Bench))
	l, _ := e.Limit(envelope.StrikeWindow)
	_, err := Choose(e, &p, Options{})
	for _, want := range []string{"up to " + envelope.Say(0.9*l.High, "Pa"), "at least " + envelope.Say(1.1*l.Low, "Pa"), "too small"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, without %q", err, want)
		}
	}
}

func TestLagCorrected(t *testing.T) {
	yes := "[[channel]]\nname = \"g\"\nrole = \"glass\"\n[channel.calibration]\nkind = \"thermocouple\"\nlag = \"3 s\"\n"
	no := strings.Replace(yes, "lag =", "class =", 1)
	if !LagIn(yes) || LagIn(no) || LagIn("nonsense") || LagIn("") {
		t.Error("wrong of bench.toml")
	}
	run := func(text, role string, seconds float64) *journal.Meta {
		return &journal.Meta{Bench: text, Layout: journal.Layout{Channels: []journal.Channel{{Name: "p", Role: "pressure"}, {Name: "x", Role: role, TimeConstantS: seconds}}}}
	}
	by := func(m *journal.Meta, calibration string) *journal.Meta {
		m.Calibration = calibration
		return m
	}
	told := func(m *journal.Meta) *journal.Meta {
		m.Layout.Channels[1].TimeConstantTold = true
		return m
	}
	values, lag := certificates(t)
	for _, c := range []struct {
		what string
		m    *journal.Meta
		want bool
	}{
		{"a certificate, not in bench.toml", run(no, "glass", 2.5), true},
		{"an imported run's, without a bench.toml", run("", "glass", 2.5), true},
		{"neither", run(no, "glass", 0), false},
		{"a shell's certificate", run(no, "shell", 2.5), false},
		{"an earlier version's run, by bench.toml", run(yes, "glass", 0), true},
		{"an earlier version's run, by a certificate", by(run(no, "glass", 0), "# in force\n"+values+lag), true},
		{"an earlier version's run, by a certificate of values", by(run(no, "glass", 0), values), false},
		{"an earlier version's recomputation, with a bench.toml and a certificate", by(run(no, "glass", 0), no+"\n"+lag+values), true},
		{"a recomputation without the lag that bench.toml has", told(run(yes, "glass", 0)), false},
		{"one with another lag", told(run(no, "glass", 2)), true},
	} {
		if got := LagCorrected(c.m); got != c.want {
			t.Errorf("%s: %v", c.what, got)
		}
	}
}

// The picture has every plan point, phases that join, and a band around the line.
func TestPicture(t *testing.T) {
	e := waveEnvelope()
	p := knowing()
	c, err := Choose(e, &p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := c.Picture(e)
	if len(r.Alarms) != 5 || len(r.Phases) != 5 || len(r.Forecast) != len(r.Points) {
		t.Fatalf("%d points to act, %d phases, %d of %d bands", len(r.Alarms), len(r.Phases), len(r.Forecast), len(r.Points))
	}
	for i := 1; i < len(r.Phases); i++ {
		if r.Phases[i].From != r.Phases[i-1].To {
			t.Errorf("a gap before %v", r.Phases[i])
		}
	}
	outside := 0
	for i, f := range r.Forecast {
		if f.Low.Glass > f.High.Glass || f.Low.T != r.Points[i].T {
			t.Fatalf("band %d: %+v", i, f)
		}
		if r.Points[i].Glass < f.Low.Glass-1 || r.Points[i].Glass > f.High.Glass+1 {
			outside++
		}
	}
	if outside > len(r.Points)/20 {
		t.Errorf("the best run is outside its band at %d of %d points", outside, len(r.Points))
	}
	for _, f := range []chart.Format{chart.SVG, chart.PNG} {
		var w strings.Builder
		if err := chart.Write(&w, chart.Predicted, f, r); err != nil || w.Len() < 10000 {
			t.Errorf("%s: %d bytes, %v", f, w.Len(), err)
		}
	}
}

// Speed: advice within a second.
func BenchmarkAdvise(b *testing.B) {
	s := openShop(3)
	e, err := s.process(1)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		Advise(Lesson{Run: "r1", Envelope: s.env, Room: math.NaN(), Observations: e.obs, Phases: e.segments, Prior: model.Handbook(model.Bench{LagCorrected: true})})
	}
}
