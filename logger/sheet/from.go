package sheet

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"tipoff/calib/strict"
	"tipoff/calib/unit"
	"tipoff/logger/alarm"
	"tipoff/logger/chart"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/learn"
	"tipoff/logger/phase"
	"tipoff/logger/plan"
	"tipoff/logger/plantcare"
	"tipoff/logger/tube"
)

// Make makes the sheet of the run in folder dir, sealed or still being
// recorded. It fails if the folder cannot be read or holds no frame.
func Make(dir string) (*Sheet, error) { return makeWith(dir, nil) }

// makeWith is Make, with the run's description as given changes it if that is not nil.
func makeWith(dir string, given func(*journal.Meta)) (*Sheet, error) {
	if isAgeing(dir) {
		return aged(dir)
	}
	s := &Sheet{Version: Version, Advice: []string{}, Gaps: []Gap{}, Alarms: []Alarm{}, Remarks: []string{}}
	if err := s.record.read(dir); err != nil {
		return nil, fmt.Errorf("reading the run in %s: %w", dir, err)
	}
	r := &s.record
	if s.given = given; given != nil {
		given(r.meta)
	}
	if len(r.obs) == 0 {
		return nil, fmt.Errorf("the run in %s holds no readings", dir)
	}
	m, first := r.meta, r.parts[0].Meta
	s.Run = Run{ID: m.ID, Tube: m.Tube, Job: m.Job, Bench: m.BenchName, Outcome: string(m.Outcome), Software: m.Software, Parts: []Part{},
		Started: wall(first.Started.Wall, first.Started.Trusted), DurationS: r.since(r.obs[len(r.obs)-1].At)}

	card, known := s.card()
	constants := s.learned(dir)
	env := envelope.Compute(card, known, constants.For(s.bench()))
	segments := phase.Smooth(r.obs, phase.Options{})
	checker := envelope.Check(env, r.obs, r.u, segments)
	r.findings = checker.Findings()
	r.stretches = plantcare.Judge(env, r.obs, r.u, segments, r.findings)
	overall, text := envelope.Overall(r.findings)
	s.Verdict = Verdict{string(overall), text}
	s.partly(segments)
	sum := checker.Summary()
	next := plan.Advise(s.lesson(env, segments, constants))
	sum.Planned = next.Given
	s.Advice = append(s.Advice, next.Sentences...)
	s.Advice = append(s.Advice, envelope.Advise(env, r.findings, segments, sum)...)
	for _, g := range segments {
		s.Phases = append(s.Phases, Phase{g.Phase.String(), r.since(g.From), r.since(g.To), g.Habit})
	}
	for i := range r.findings {
		s.Limits = append(s.Limits, r.limit(&r.findings[i]))
	}
	s.vacuum(env)
	s.alarms()
	s.gaps()
	s.quality()
	s.summarise(segments, env, checker.Summary())
	s.draw(segments, env)
	s.teach(dir, env, segments)
	s.leave()
	return s, nil
}

// since is a monotonic time in seconds from the run's start.
func (r *record) since(t time.Duration) Number { return Number((t - r.start).Seconds()) }

// card is the run's tube card; known is false if it has none that can be read.
func (s *Sheet) card() (card tube.Card, known bool) {
	text := s.record.meta.Card
	if strings.TrimSpace(text) == "" {
		return tube.Card{}, false
	}
	card, err := tube.Parse("card", []byte(text))
	if err != nil {
		s.Remarks = append(s.Remarks, "The run's tube card cannot be read, so only limits that hold for any tube were judged: "+err.Error())
		return tube.Card{}, false
	}
	return card, true
}

// bench is what bench.toml, as it was, says of the plant. An imported run may
// have none; then limits that need it are not known.
func (s *Sheet) bench() envelope.Bench {
	m := s.record.meta
	b := envelope.Bench{Name: m.BenchName}
	if strings.TrimSpace(m.Bench) == "" {
		return b
	}
	doc, err := strict.Read("bench.toml", []byte(m.Bench))
	if err != nil {
		s.Remarks = append(s.Remarks, "The run's bench.toml cannot be read, so limits that depend on the bench are not known: "+err.Error())
		return b
	}
	b.Tables = envelope.ReadTables(doc.Table)
	if t := doc.OptTable("bench"); t != nil {
		most := math.MaxFloat64 // it was checked when the bench started
		b.ManifoldVolume = t.OptQuantity("manifold_volume", unit.Volume, 0, most, 0)
		b.PumpSpeed = t.OptQuantity("pump_speed", unit.VolumeRate, 0, most, 0)
		b.OpenCircuit = t.OptQuantity("open_circuit", unit.Voltage, 0, most, 0)
		b.MaxCurrent = t.OptQuantity("max_current", unit.Current, 0, most, 0)
	}
	return b
}

// lesson is what the plan for the next tube is made from. The model starts from
// what the bench's earlier runs taught, else from the handbook and what bench.toml
// says.
func (s *Sheet) lesson(env *envelope.Envelope, segments []phase.Segment, constants *learn.Constants) plan.Lesson {
	of := plan.BenchOf(env.Bench)
	of.LagCorrected = plan.LagCorrected(s.record.meta)
	r := &s.record
	return plan.Lesson{Run: s.Run.ID, Envelope: env, Room: r.room, Observations: r.obs, Shells: r.shells, Phases: segments, Prior: constants.Prior(of)}
}

// shown is the factor from an SI unit to the one the sheet writes, and its name.
func shown(si string) (factor float64, name string) {
	switch si {
	case "Pa":
		return 1 / unit.Torr, "Torr"
	case "Pa/s":
		return 60 / unit.Micron, "micron/min"
	case "A":
		return 1000, "mA"
	case "1":
		return 1e6, "ppm"
	}
	return 1, si
}

func (r *record) limit(f *envelope.Finding) Limit {
	k, name := shown(f.Limit.Unit)
	n := func(x float64) Number { return Number(x * k) }
	l := Limit{
		ID: f.Limit.ID, Title: f.Limit.Title, Quantity: f.Limit.Quantity, Unit: name,
		Low: n(f.Limit.Low), High: n(f.Limit.High), Phases: []string{}, Verdict: string(f.Verdict),
		Measured: n(f.Measured), Uncertainty: n(f.U), AtS: Number(math.NaN()),
		OutsideS: Number(f.Duration.Seconds()), Degree: n(f.Degree), Basis: string(f.Limit.Basis),
		Reason: f.Limit.Reason, Formula: f.Limit.Formula, Source: f.Limit.Source, Unknown: f.Limit.Unknown, Text: f.Text,
	}
	low, high := f.Limit.Doubt()
	l.LowU, l.HighU = n(low), n(high)
	if math.IsNaN(f.Limit.Low) {
		l.LowU = Number(math.NaN())
	}
	if math.IsNaN(f.Limit.High) {
		l.HighU = Number(math.NaN())
	}
	if f.U == 0 { // the checker counts an unknown uncertainty as none
		l.Uncertainty = Number(math.NaN())
	}
	for _, p := range f.Limit.Phases {
		l.Phases = append(l.Phases, p.String())
	}
	if !math.IsNaN(f.Measured) {
		l.AtS, l.Phase = r.since(f.At), f.Phase.String()
	}
	return l
}

// after is a time of a part that begins off seconds after the run; a negative one
// means never.
func after(off, s float64) Number {
	if s < 0 {
		return Number(math.NaN())
	}
	return Number(off + s)
}

// alarms takes the alarms of each part from its run.toml, or from the events of a
// part that is not sealed.
func (s *Sheet) alarms() {
	r := &s.record
	known := alarm.BenchAlarms()
	for i := range r.parts {
		p := &r.parts[i]
		off := p.from
		list := p.Meta.Alarms
		if len(list) == 0 {
			list = alarmsOf(p.events, p.Meta.Started.Mono()+p.Shift)
		}
		for _, a := range list {
			if i := slices.IndexFunc(known, func(d alarm.Definition) bool { return d.ID == a.ID }); i >= 0 {
				if a.Title == "" {
					a.Title = known[i].Title
				}
				if a.Priority == "" {
					a.Priority = known[i].Priority.String()
				}
			}
			if a.Title == "" {
				a.Title = strings.ReplaceAll(a.ID, "-", " ")
			}
			s.Alarms = append(s.Alarms, Alarm{a.ID, a.Title, a.Priority, Number(off + a.RaisedS), after(off, a.ClearedS), after(off, a.AckS), a.Detail})
		}
	}
}

func alarmsOf(events []journal.Event, start time.Duration) []journal.Alarm {
	var list []journal.Alarm
	for _, e := range events {
		at := (e.At - start).Seconds()
		last := -1
		for i := range list {
			if list[i].ID == e.ID {
				last = i
			}
		}
		switch {
		case e.Kind == journal.AlarmRaised:
			list = append(list, journal.Alarm{ID: e.ID, RaisedS: at, AckS: -1, ClearedS: -1, Detail: e.Text})
		case last < 0:
		case e.Kind == journal.AlarmAcked && list[last].AckS < 0:
			list[last].AckS = at
		case e.Kind == journal.AlarmCleared && list[last].ClearedS < 0:
			list[last].ClearedS = at
		}
	}
	return list
}

// summarise finds the run's numbers.
func (s *Sheet) summarise(segments []phase.Segment, env *envelope.Envelope, sum envelope.Summary) {
	r := &s.record
	glass, glassAt, base, current := math.NaN(), math.NaN(), math.NaN(), math.NaN()
	var shells, arc time.Duration
	cursor := phase.NewCursor(segments)
	afterArc := false
	for i, o := range r.obs {
		id := cursor.At(o.At)
		if o.Glass > glass || math.IsNaN(glass) && o.Glass == o.Glass {
			glass, glassAt = o.Glass, float64(r.since(o.At))
		}
		if !(o.Current <= current) && o.Current == o.Current {
			current = o.Current
		}
		afterArc = afterArc || id == phase.Bombard || id == phase.Shells
		if (id == phase.FinalPump || id == phase.Cool) && afterArc && !(o.Pressure >= base) && o.Pressure == o.Pressure {
			base = o.Pressure
		}
		if o.Current > envelope.ArcCurrent && i > 0 {
			arc += min(o.At-r.obs[i-1].At, time.Second)
		}
	}
	for _, g := range segments {
		if g.Phase == phase.Shells {
			shells += g.To - g.From
		}
	}
	rate := math.NaN()
	for i := range r.findings {
		if f := &r.findings[i]; f.Limit.ID == envelope.HeatingRate {
			rate = f.Measured
		}
	}
	s.Summary = Summary{
		PeakGlass: Number(glass), PeakGlassS: Number(glassAt), PeakRate: Number(rate), ShellsS: Number(shells.Seconds()),
		BasePressure: Number(base / unit.Torr), FillAt20: Number(envelope.FillAt20(sum.FillGauge, sum.FillTemperature) / unit.Torr),
		FillTarget: Number(env.FillTarget / unit.Torr), PeakCurrent: Number(current * 1000), ArcS: Number(arc.Seconds()), Frames: len(r.obs),
	}
}

// roles are the roles of limits that the charts can draw.
var roles = map[frame.Role]chart.Quantity{frame.Pressure: chart.Pressure, frame.Glass: chart.Glass, frame.Current: chart.Current}

// goals are limits on one moment or on the best that was reached, not on all of
// a phase; moments are those whose phases do not even contain the moment that
// they mean, so that a line would mislead.
var (
	goals = []string{envelope.GlassTarget, envelope.PreheatEnd, envelope.StrikeWindow, envelope.BasePressure, envelope.FillPressure,
		envelope.ShellCurrent, envelope.TipOffGlass}
	moments = []string{envelope.BaseHot, envelope.GasTemperature}
)

// draw prepares the charts' input.
func (s *Sheet) draw(segments []phase.Segment, env *envelope.Envelope) {
	r := &s.record
	d := &s.drawing
	d.Title = "Run " + s.Run.ID
	if s.Run.Tube != "" {
		d.Title = s.Run.Tube + ", run " + s.Run.ID
	}
	about := []string{}
	for _, t := range []string{s.Run.Bench, env.Card.Words(), when(s.Run.Started), s.Run.Outcome} {
		if t != "" {
			about = append(about, t)
		}
	}
	d.Subtitle = strings.Join(append(about, s.Verdict.Text), " · ")
	d.Duration = float64(s.Run.DurationS)
	d.MaxGap = max(1, 5*r.layout.Interval.Seconds())
	d.Points = make([]chart.Point, len(r.obs))
	for i, o := range r.obs {
		d.Points[i] = chart.Point{T: float64(r.since(o.At)), Pressure: o.Pressure, Glass: o.Glass, Current: o.Current}
	}
	for _, g := range segments {
		d.Phases = append(d.Phases, chart.Span{Phase: g.Phase, From: float64(r.since(g.From)), To: float64(r.since(g.To))})
	}
	for i := range r.findings { // what it was judged by: a flush eases the base, say
		l := &r.findings[i].Limit
		if q, ok := roles[l.Role]; ok && !(math.IsNaN(l.Low) && math.IsNaN(l.High)) && !slices.Contains(moments, l.ID) {
			d.Limits = append(d.Limits, chart.Limit{Title: l.Title, Quantity: q, Low: l.Low, High: l.High, Phases: l.Phases,
				Goal: slices.Contains(goals, l.ID)})
		}
	}
	for _, a := range s.Alarms {
		text := a.Title
		if a.Detail != "" {
			text += ": " + a.Detail
		}
		d.Alarms = append(d.Alarms, chart.Alarm{T: float64(a.RaisedS), Text: text})
	}
}
