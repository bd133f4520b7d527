package ageing

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
)

// The events' IDs of a tube that goes out and comes back.
const (
	EventOut  = "tube-out"
	EventBack = "tube-back"
	// Its light collapsed while it burnt, and came back.
	EventDim    = "light-gone"
	EventBright = "light-back"
)

// The limits' IDs.
const (
	LimitCurrent = "ageing-current"
	LimitTime    = "ageing-time"
	LimitLight   = "ageing-light"
	LimitBurning = "ageing-burning"
)

const (
	// currentBand is by how much the mean may be off the wanted current, as a share:
	// a choke's tolerance (common practice).
	currentBand = 0.15
	// steadyLight is the drift of the light over the second half below which it has
	// become steady, % per hour. From memory; trade.md knows only "full and steady".
	steadyLight = 1.0
	// leastBurn is how long a tube has to have burnt for its drift to be told.
	leastBurn = 20 * time.Minute
	blocks    = 10
)

// Account is what an ageing run came to. Times are seconds from its start, currents
// in A, light in parts of the channel's full scale; NaN where not known.
type Account struct {
	Meta    *journal.Meta
	Request Request
	Points  []Point
	Took    float64 // s
	Burnt   float64 // s with the current on
	Outs    []Out

	Current, CurrentU       float64 // mean while it burnt, standard uncertainty
	Light, LightFirst       float64 // mean, and mean of the first ten minutes of burning
	LightLast               float64 // mean of the last ten
	Drift, DriftU           float64 // of the light over the second half, % per hour
	DriftFrom               float64 // s
	CurrentDrift            float64 // of the current over the same, % per hour
	Flicker, CurrentFlicker float64 // greatest less least within a frame, % of the mean: median over the run
	FlickerMost             float64 // 95 of 100 frames have less
	Glass, GlassMost        float64 // °C: mean while it burnt, highest
	HasLight, HasCurrent    bool
	Findings                []journal.Finding
	Overall, Text           string
}

// Point is a recorded frame.
type Point struct {
	T                              float64 // s from the run's start
	Light, LightLeast, LightMost   float64
	Current, CurrentLeast, CurMost float64 // A
	Glass                          float64 // °C
	currentU                       float64
	lit                            bool
}

// Out is a stretch in which the tube was out; To is NaN if it did not come back.
type Out struct{ From, To float64 }

// Is tells whether the run of a run.toml is an ageing run.
func Is(m *journal.Meta) bool { return m.Kind == Kind }

// Make gives the account of the ageing run in folder dir, sealed or still being
// recorded.
func Make(dir string) (*Account, error) {
	a := &Account{}
	if err := a.read(dir); err != nil {
		return nil, fmt.Errorf("reading the ageing run in %s: %w", dir, err)
	}
	if len(a.Points) == 0 {
		return nil, fmt.Errorf("the ageing run in %s holds no readings yet", dir)
	}
	a.numbers()
	a.judge()
	return a, nil
}

func (a *Account) read(dir string) error {
	j, err := journal.Open(dir)
	if err != nil {
		return err
	}
	defer j.Close()
	m, l := j.Meta(), j.Layout()
	a.Meta = m
	if !Is(m) {
		return errors.New("it is no ageing run")
	}
	if a.Request, err = ParseRequest("the request in run.toml", []byte(m.Request)); err != nil {
		return err
	}
	index := func(name string) int {
		return slices.IndexFunc(l.Channels, func(c frame.Channel) bool { return c.Name == name })
	}
	light, current := l.Index(frame.Light), l.Index(frame.Current)
	if a.Request.Channel != "" {
		current = index(a.Request.Channel)
	}
	ends := func(i int) (least, most int) {
		if i < 0 {
			return -1, -1
		}
		return index(l.Channels[i].Name + LeastOf), index(l.Channels[i].Name + GreatestOf)
	}
	lightLeast, lightMost := ends(light)
	currentLeast, currentMost := ends(current)
	start := m.Started.Mono()
	out := math.Max(darkShare*cmp.Or(a.Request.Current, unsaidCurrent), 0)
	var rec journal.Record
	for {
		if err := j.Next(&rec); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return err
		}
		if !rec.IsFrame {
			at := (rec.Event.At - start).Seconds()
			switch {
			case rec.Event.ID == EventOut:
				a.Outs = append(a.Outs, Out{at, math.NaN()})
			case rec.Event.ID == EventBack && len(a.Outs) > 0:
				a.Outs[len(a.Outs)-1].To = at
			}
			continue
		}
		f := &rec.Frame
		x := func(i int) float64 {
			if i < 0 || !f.Readings[i].Value.Good() {
				return math.NaN()
			}
			return f.Readings[i].Value.X
		}
		p := Point{T: (f.At - start).Seconds(), Light: x(light), LightLeast: x(lightLeast), LightMost: x(lightMost),
			Current: x(current), CurrentLeast: x(currentLeast), CurMost: x(currentMost), Glass: math.NaN(), currentU: math.NaN()}
		if v := f.Of(l, frame.Glass); v.Good() {
			p.Glass = v.X
		}
		if current >= 0 {
			p.currentU = f.Readings[current].Value.U
		}
		p.lit = current < 0 || p.Current > out
		a.HasLight, a.HasCurrent = a.HasLight || p.Light == p.Light, a.HasCurrent || p.Current == p.Current
		a.Points = append(a.Points, p)
	}
	return nil
}

func (a *Account) numbers() {
	nan := math.NaN()
	a.Took = a.Points[len(a.Points)-1].T
	a.Glass, a.GlassMost = nan, nan
	a.Light, a.LightFirst, a.LightLast, a.Drift, a.DriftU, a.CurrentDrift = nan, nan, nan, nan, nan, nan
	a.Flicker, a.FlickerMost, a.CurrentFlicker = nan, nan, nan
	every := a.Request.Every.Seconds()
	var lit []Point
	before := 0.0
	for _, p := range a.Points {
		if p.lit {
			lit = append(lit, p)
			a.Burnt += min(p.T-before, 2*every)
		}
		before = p.T
		if p.Glass == p.Glass && !(p.Glass <= a.GlassMost) {
			a.GlassMost = p.Glass
		}
	}
	a.Current = mean(lit, func(p *Point) float64 { return p.Current })
	a.CurrentU = mean(lit, func(p *Point) float64 { return p.currentU })
	a.Glass = mean(lit, func(p *Point) float64 { return p.Glass })
	light := func(p *Point) float64 { return p.Light }
	a.Light = mean(lit, light)
	a.Flicker, a.FlickerMost = flicker(lit, light, func(p *Point) float64 { return p.LightMost - p.LightLeast })
	a.CurrentFlicker, _ = flicker(lit, func(p *Point) float64 { return p.Current }, func(p *Point) float64 { return p.CurMost - p.CurrentLeast })
	if len(lit) == 0 {
		return
	}
	first, last := lit[0].T, lit[len(lit)-1].T
	part := func(from, to float64) []Point {
		return slices.DeleteFunc(slices.Clone(lit), func(p Point) bool { return p.T < from || p.T > to })
	}
	a.LightFirst = mean(part(first, first+600), light)
	a.LightLast = mean(part(last-600, last), light)
	if a.Burnt < leastBurn.Seconds() {
		return
	}
	// The second half: by then what the tube was while it warmed up is over.
	a.DriftFrom = (first + last) / 2
	half := part(a.DriftFrom, last)
	a.Drift, a.DriftU = drift(half, light)
	a.CurrentDrift, _ = drift(half, func(p *Point) float64 { return p.Current })
}

func mean(points []Point, of func(*Point) float64) float64 {
	sum, n := 0.0, 0
	for i := range points {
		if x := of(&points[i]); x == x {
			sum += x
			n++
		}
	}
	return sum / float64(n)
}

// flicker is the median of range over mean, %, and what 95 of 100 stay below.
func flicker(points []Point, of, span func(*Point) float64) (median, most float64) {
	var all []float64
	for i := range points {
		if x := 100 * span(&points[i]) / of(&points[i]); x == x && of(&points[i]) > 0 {
			all = append(all, x)
		}
	}
	if len(all) == 0 {
		return math.NaN(), math.NaN()
	}
	slices.Sort(all)
	return all[len(all)/2], all[len(all)*95/100]
}

// drift is the slope of a straight line through the points, % of their mean an hour,
// and its standard uncertainty. Both are from the means of ten equal stretches, whose
// departures from the line hold what wanders slower than a frame.
func drift(points []Point, of func(*Point) float64) (percent, u float64) {
	if len(points) < 3*blocks {
		return math.NaN(), math.NaN()
	}
	from, span := points[0].T, points[len(points)-1].T-points[0].T
	var x, y []float64
	for b := range blocks {
		lo, hi := from+span*float64(b)/blocks, from+span*float64(b+1)/blocks
		var part []Point
		for _, p := range points {
			if p.T >= lo && p.T <= hi {
				part = append(part, p)
			}
		}
		if m := mean(part, of); m == m {
			x, y = append(x, mean(part, func(p *Point) float64 { return p.T / 3600 })), append(y, m)
		}
	}
	n := float64(len(x))
	if n < 5 {
		return math.NaN(), math.NaN()
	}
	var mx, my, sxx, sxy, rest float64
	for i := range x {
		mx, my = mx+x[i]/n, my+y[i]/n
	}
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		sxy += (x[i] - mx) * (y[i] - my)
	}
	k := sxy / sxx
	for i := range x {
		r := y[i] - my - k*(x[i]-mx)
		rest += r * r
	}
	return 100 * k / my, 100 * math.Sqrt(rest/(n-2)/sxx) / math.Abs(my)
}

// judge fills in findings and verdict.
func (a *Account) judge() {
	nan := math.NaN()
	r := &a.Request
	add := func(f journal.Finding, unknown string) {
		f.Phase, f.Unknown = "age", unknown
		if unknown != "" {
			f.Verdict, f.Text = string(envelope.NotKnown), f.Title+": not known, "+unknown
			f.Measured, f.U = nan, nan
		} else {
			f.Verdict = verdict(f.Measured, f.U, f.Low, f.High)
		}
		a.Findings = append(a.Findings, f)
	}
	f := journal.Finding{Limit: LimitCurrent, Title: "Current while ageing", Quantity: "current", Unit: "A", Low: r.Current * (1 - currentBand), High: r.Current * (1 + currentBand),
		LimitU: nan, Measured: a.Current, U: a.CurrentU, Basis: string(envelope.CommonPractice), Reason: "The tube is to run at the current that was asked for.", Source: "the request; 15 % from memory"}
	f.Text = fmt.Sprintf("Current while ageing: mean %s, wanted %s", envelope.Say(a.Current, "A"), envelope.Say(r.Current, "A"))
	why := ""
	switch {
	case r.Current == 0:
		why = "as no current was asked for"
	case a.Current != a.Current:
		why = "as no current was read while it burnt"
	}
	add(f, why)

	f = journal.Finding{Limit: LimitTime, Title: "Time burnt", Quantity: "time", Unit: "s", Low: 3600*r.Hours - 60, High: nan, LimitU: nan,
		Measured: 3600*r.Done + a.Burnt, U: r.Every.Seconds(), Basis: string(envelope.CommonPractice), Reason: "A tube is aged as long as was asked for.", Source: "the request"}
	f.Text = fmt.Sprintf("Time burnt: %.2f h, wanted %g h", f.Measured/3600, r.Hours)
	why = ""
	if r.Hours == 0 {
		why = "as no time was asked for"
	}
	add(f, why)

	f = journal.Finding{Limit: LimitLight, Title: "Drift of the light", Quantity: "drift", Unit: "%/h", Low: -steadyLight, High: steadyLight, LimitU: nan,
		Measured: a.Drift, U: a.DriftU, AtS: a.DriftFrom, Basis: string(envelope.CommonPractice),
		Reason: "A tube is aged until its light is full and steady.", Formula: "slope of the light over the second half by its mean", Source: "trade.md, ageing; 1 % an hour from memory"}
	f.Text = fmt.Sprintf("Drift of the light: %+.2f ± %.2f %% an hour over the second half", a.Drift, 2*a.DriftU)
	why = ""
	switch {
	case !a.HasLight:
		why = "as the bench reads no light"
	case a.Drift != a.Drift:
		why = "as it has burnt less than 20 minutes"
	}
	add(f, why)

	f = journal.Finding{Limit: LimitBurning, Title: "Times gone out", Quantity: "times out", Unit: "", Low: nan, High: 0, LimitU: nan,
		Measured: float64(len(a.Outs)), U: 0, Basis: string(envelope.CommonPractice), Reason: "A tube that goes out strikes badly or its supply fails.", Source: "trade.md 7"}
	f.Text = "Times gone out: " + times(len(a.Outs))
	why = ""
	if !a.HasCurrent {
		why = "as no current was read"
	}
	add(f, why)

	order := []string{string(envelope.Outside), string(envelope.Marginal), string(envelope.Within)}
	a.Overall = string(envelope.NotKnown)
	var deciding []string
	for _, v := range order {
		for i := range a.Findings {
			if a.Findings[i].Verdict == v {
				deciding = append(deciding, a.Findings[i].Text)
			}
		}
		if len(deciding) > 0 {
			a.Overall = v
			break
		}
	}
	switch a.Overall {
	case string(envelope.NotKnown):
		a.Text = "Nothing that was asked of the ageing could be judged."
	case string(envelope.Within):
		a.Text = "All that could be judged is within: " + strings.Join(deciding, "; ") + "."
	default:
		a.Text = strings.Join(deciding, "; ") + "."
	}
}

// verdict is as the envelope's: within or outside beyond two standard uncertainties,
// between them marginal.
func verdict(x, u, low, high float64) string {
	if u != u {
		u = 0
	}
	switch {
	case x+2*u < low || x-2*u > high:
		return string(envelope.Outside)
	case x-2*u < low || x+2*u > high:
		return string(envelope.Marginal)
	}
	return string(envelope.Within)
}

// times says how often it went out.
func times(n int) string {
	switch n {
	case 0:
		return "did not go out"
	case 1:
		return "went out once"
	}
	return fmt.Sprintf("went out %d times", n)
}
