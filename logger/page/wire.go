package page

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"time"

	"tipoff/calib"
	"tipoff/calib/unit"
	"tipoff/logger/alarm"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
	"tipoff/logger/status"
)

// num is a number in JSON; what is not a number is null.
type num float64

// MarshalJSON writes null for NaN and infinities, which JSON does not have.
func (n num) MarshalJSON() ([]byte, error) {
	if x := float64(n); math.IsNaN(x) || math.IsInf(x, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

type wireValue struct {
	Value    num    `json:"value"` // best estimate
	Plus     num    `json:"plus"`  // expanded uncertainty, k = 2
	Good     bool   `json:"good"`
	Suspect  bool   `json:"suspect"`
	Quality  string `json:"quality"`
	Channel  string `json:"channel"`
	Role     string `json:"role"`
	Unit     string `json:"unit"`
	LastS    num    `json:"last_s"` // age of the last sample, null if never
	Up       bool   `json:"up"`
	Measured bool   `json:"measured"` // the bench has such a channel
	// State is a contact's in words, "" of anything else.
	State string `json:"state,omitempty"`
	// Spacing and jitter of a waveform's samples; 0: not known.
	SpacingUS num `json:"spacing_us,omitempty"`
	JitterUS  num `json:"jitter_us,omitempty"`
}

type wireLimit struct {
	ID      string `json:"id"`
	Title   string `json:"title"`
	Bound   string `json:"bound"` // "at most 240 °C"
	Now     string `json:"now"`   // "226 °C"
	Verdict string `json:"verdict"`
	Mark    string `json:"mark"`
	Class   string `json:"class"`
	Basis   string `json:"basis"`
	Reason  string `json:"reason"`
	Formula string `json:"formula"`
	Source  string `json:"source"`
	// For the live chart: role and bounds in the shown unit.
	Role string `json:"role"`
	Low  num    `json:"low"`
	High num    `json:"high"`
}

type wireAlarm struct {
	ID       string `json:"id"`
	Title    string `json:"title"`
	Response string `json:"response"`
	Priority string `json:"priority"`
	State    string `json:"state"`
	ForS     num    `json:"for_s"`
	Detail   string `json:"detail"`
	Count    int    `json:"count"`
	Open     bool   `json:"open"` // waits for acknowledgement
}

type wireTrouble struct {
	Title    string `json:"title"`
	Severity string `json:"severity"`
	Subject  string `json:"subject"`
	Cause    string `json:"cause"`
	Hint     string `json:"hint"`
	ForS     num    `json:"for_s"`
	Count    int    `json:"count"`
}

type wireRun struct {
	Active bool   `json:"active"`
	ID     string `json:"id"`
	Tube   string `json:"tube"`
	Next   string `json:"next"`
	ForS   num    `json:"for_s"`
}

type wireCeiling struct {
	Known       bool   `json:"known"`
	Approaching bool   `json:"approaching"`
	InS         num    `json:"in_s"`
	Rate        num    `json:"rate_c_per_s"`
	Ahead       num    `json:"in_30_s_c"`
	AheadPlus   num    `json:"in_30_s_plus"` // expanded, k = 2
	Seating     string `json:"seating"`
	Shells      num    `json:"shells_done"` // %
	ShellsPlus  num    `json:"shells_plus"` // expanded, k = 2
	GlassDone   num    `json:"glass_done"`  // % of the way to the target
	GlassInS    num    `json:"glass_in_s"`  // to the target; null if never or not known
	ShellsInS   num    `json:"shells_in_s"`
	First       string `json:"first"` // glass, shells, either, not known
}

// wire is the answer of /api/status.
type wire struct {
	Bench       string        `json:"bench"`
	Version     string        `json:"version"`
	Seq         uint64        `json:"seq"`
	NowS        num           `json:"now_s"`
	Wall        string        `json:"wall"`
	WallTrusted bool          `json:"wall_trusted"`
	Emulated    bool          `json:"emulated"`
	Speed       num           `json:"speed"`
	Phase       string        `json:"phase"`
	PhaseForS   num           `json:"phase_for_s"`
	PhaseNote   string        `json:"phase_note"` // what cannot be known of it
	Run         wireRun       `json:"run"`
	Ageing      wireAgeing    `json:"ageing"`
	Pressure    wireValue     `json:"pressure_torr"`
	Glass       wireValue     `json:"glass_c"`
	Current     wireValue     `json:"current_ma"`
	Channels    []wireValue   `json:"channels"`
	CardKnown   bool          `json:"card_known"`
	Limits      []wireLimit   `json:"limits"`
	Ceiling     wireCeiling   `json:"ceiling"`
	Alarms      []wireAlarm   `json:"alarms"`
	Troubles    []wireTrouble `json:"troubles"`
}

// shown is the factor and name of the unit in which a role is shown.
func shown(r frame.Role) (factor float64, name string) {
	switch r {
	case frame.Pressure:
		return 1 / unit.Torr, "Torr"
	case frame.Current:
		return 1000, "mA"
	}
	return 1, r.Unit()
}

func seconds(d time.Duration) num { return num(d.Seconds()) }

func wireStatus(s *status.Snapshot) *wire {
	w := &wire{
		Bench: s.Bench, Version: s.Version, Seq: s.Frame.Seq, NowS: seconds(s.Now), WallTrusted: s.WallTrusted,
		Emulated: s.Emulated, Speed: num(s.Speed), Phase: s.Phase.String(), PhaseForS: seconds(s.Now - s.PhaseSince),
		Run: wireRun{s.Run.Active, s.Run.ID, s.Run.Tube, s.Run.Next, 0},
		Ceiling: wireCeiling{s.Ceiling.Known, s.Ceiling.Approach, seconds(s.Ceiling.In), num(s.Ceiling.Rate),
			num(s.Ceiling.Ahead.X), num(2 * s.Ceiling.Ahead.U), s.Ceiling.Seating.String(),
			num(s.Ceiling.Shells.X), num(2 * s.Ceiling.Shells.U), num(s.Ceiling.GlassDone),
			num(s.Ceiling.GlassIn), num(s.Ceiling.ShellsIn), s.Ceiling.First.String()},
		Ageing:    ageingOf(s),
		CardKnown: s.Envelope != nil && s.Envelope.Known,
		Channels:  []wireValue{}, Limits: []wireLimit{}, Alarms: []wireAlarm{}, Troubles: []wireTrouble{},
	}
	w.PhaseNote = phaseNote(s.Layout, s.Phase, s.PhaseOr)
	if !s.Wall.IsZero() {
		w.Wall = s.Wall.Format(time.RFC3339)
	}
	if s.Run.Active {
		w.Run.ForS = seconds(s.Now - s.Run.Started)
	}
	w.Pressure, w.Glass, w.Current = role(s, frame.Pressure), role(s, frame.Glass), role(s, frame.Current)
	if s.Layout != nil {
		for i := range s.Layout.Channels {
			w.Channels = append(w.Channels, channel(s, i))
		}
	}
	for i := range s.Limits {
		w.Limits = append(w.Limits, limit(&s.Limits[i]))
		if s.Limits[i].Limit.ID == envelope.FillPressure {
			w.Limits[len(w.Limits)-1].Bound += stopAt(s)
		}
	}
	for _, a := range s.Alarms {
		open := a.State == alarm.Unacknowledged || a.State == alarm.ReturnedUnack || a.State == alarm.LatchedUnack
		w.Alarms = append(w.Alarms, wireAlarm{a.Definition.ID, a.Definition.Title, a.Definition.Response,
			a.Definition.Priority.String(), a.State.String(), seconds(s.Now - a.Since), a.Detail, a.Count, open})
	}
	for _, t := range s.Troubles {
		if t.Hidden || t.Kind == nil {
			continue
		}
		w.Troubles = append(w.Troubles, wireTrouble{t.Kind.Title, t.Kind.Severity.String(), t.Subject, t.Cause, t.Hint,
			seconds(s.Now - t.Since), t.Count})
	}
	return w
}

// phaseNote is what cannot be known of a phase, which may be another as well.
func phaseNote(l *frame.Layout, is, or phase.ID) string {
	if or == is {
		return ""
	}
	switch or {
	case phase.TipOff:
		if l != nil && slices.ContainsFunc(l.Channels, func(c frame.Channel) bool { return c.Purpose == frame.Torch }) {
			return "or tip-off: the torch's contact does not tell. It gives no reading, or was closed before the gas was let in."
		}
		return "or tip-off: no channel of this bench tells. A contact on the torch would."
	case phase.Flush, phase.Fill:
		return "or " + or.String() + ": gas that is let in looks the same at first."
	case phase.Dry, phase.Bombard:
		return "or " + or.String() + ": without a glass temperature this bench cannot tell."
	}
	return ""
}

// role is what all channels of a role say together.
func role(s *status.Snapshot, r frame.Role) wireValue {
	if s.Layout != nil {
		if i := s.Layout.Index(r); i >= 0 {
			out := channel(s, i)
			out.set(s.Frame.Of(s.Layout, r), r)
			var names []string
			for j, c := range s.Layout.Channels {
				if c.Role == r && s.Frame.Readings[j].Value.Good() {
					names = append(names, c.Name)
				}
			}
			out.Channel = strings.Join(names, " and ")
			return out
		}
	}
	_, name := shown(r)
	return wireValue{Value: num(math.NaN()), Plus: num(math.NaN()), Quality: "this bench does not measure it",
		Role: r.String(), Unit: name, LastS: num(math.NaN())}
}

func channel(s *status.Snapshot, i int) wireValue {
	c := s.Layout.Channels[i]
	_, name := shown(c.Role)
	out := wireValue{Channel: c.Name, Role: c.Role.String(), Unit: name, LastS: num(math.NaN()), Measured: true}
	out.set(s.Frame.Readings[i].Value, c.Role)
	if i < len(s.Channels) {
		out.Up = s.Channels[i].Up
		if at := s.Channels[i].LastSample; at >= 0 {
			out.LastS = seconds(s.Now - at)
		}
		out.SpacingUS, out.JitterUS = micros(s.Channels[i].Spacing), micros(s.Channels[i].Jitter)
	}
	if c.Role == frame.Contact && out.Good {
		out.State = contactState(c.Purpose, s.Frame.Readings[i].Value.X > 0.5)
	}
	return out
}

func micros(d time.Duration) num { return num(math.Round(d.Seconds()*1e8) / 100) }

// contactState is what a contact says, in the words of what it is for.
func contactState(p frame.Purpose, closed bool) string {
	words := [2]string{"open", "closed"}
	switch p {
	case frame.Contactor:
		words = [2]string{"contactor off", "contactor on"}
	case frame.Torch:
		words = [2]string{"torch not in use", "torch in use"}
	case frame.AcknowledgeButton:
		words = [2]string{"button not pressed", "button pressed"}
	}
	if closed {
		return words[1]
	}
	return words[0]
}

// set takes a value of role r over in the unit that it is shown in.
func (w *wireValue) set(v calib.Value, r frame.Role) {
	factor, _ := shown(r)
	w.Value, w.Plus = num(v.X*factor), num(2*v.U*factor)
	w.Good, w.Suspect, w.Quality = v.Good(), v.Q&calib.Suspect != 0, v.Q.String()
	if !v.Good() {
		w.Value, w.Plus = num(math.NaN()), num(math.NaN())
	}
}

func limit(l *status.LimitNow) wireLimit {
	m := &l.Limit
	factor, _ := shown(m.Role)
	out := wireLimit{ID: m.ID, Title: m.Title, Verdict: string(l.Verdict), Basis: string(m.Basis), Reason: m.Reason,
		Formula: m.Formula, Source: m.Source, Low: num(m.Low * factor), High: num(m.High * factor), Now: "no reading"}
	if m.Role != 0 {
		out.Role = m.Role.String()
	}
	out.Mark, out.Class = mark(string(l.Verdict))
	if l.Value.Good() {
		out.Now = envelope.Say(l.Value.X, m.Unit)
	}
	switch lo, hi := !math.IsNaN(m.Low), !math.IsNaN(m.High); {
	case lo && hi:
		out.Bound = envelope.Say(m.Low, m.Unit) + " to " + envelope.Say(m.High, m.Unit)
	case lo:
		out.Bound = "at least " + envelope.Say(m.Low, m.Unit)
	case hi:
		out.Bound = "at most " + envelope.Say(m.High, m.Unit)
	default:
		out.Bound, out.Reason = "not known", m.Unknown
	}
	return out
}

// wireHistory is the points as arrays: sequence number, s, Torr, °C, mA, phase
// number, light in % of full scale.
func wireHistory(points []status.Point) [][7]num {
	out := make([][7]num, len(points))
	for i, p := range points {
		out[i] = [7]num{num(p.Seq), seconds(p.At), num(p.Pressure / unit.Torr), num(p.Glass), num(p.Current * 1000), num(p.Phase), num(100 * p.Light)}
	}
	return out
}
