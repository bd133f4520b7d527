package plan

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"tipoff/calib/certificate"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/model"
	"tipoff/logger/phase"
)

// Enough is the least share of modelled runs that must end inside the limits
// for a plan to be given as advice.
const Enough = 0.5

// Lesson is a finished run from which the next one is planned.
type Lesson struct {
	Run          string
	Envelope     *envelope.Envelope
	Room         float64 // °C; NaN: not measured
	Observations []phase.Observation
	// Shells are an electrode shell's temperatures, °C, one for each observation;
	// nil if no sensor is on one.
	Shells []float64
	Phases []phase.Segment
	// Prior is what was known of the bench before: the handbook's constants, or
	// those of earlier runs.
	Prior model.Params
}

// Advice is what to do with the next such tube.
type Advice struct {
	// Sentences say it in plain words with numbers, or why there is none.
	Sentences []string
	// Given tells whether there are numbers.
	Given  bool
	Chosen *Chosen // nil if the model could not be run
	Fit    model.Residual
	Params model.Params // with this run in it
}

// Advise fits the model to the run and plans the next one.
func Advise(l Lesson) Advice {
	var a Advice
	if !l.Envelope.Known {
		return a // without a card there is nothing to plan, and the sheet says that there is none
	}
	run := Series(l.Run, l.Envelope.Card, l.Envelope.Bench.Tables, l.Room, l.Observations, l.Phases)
	for i, t := range l.Shells {
		run.Samples[i].Shell = t
	}
	params, res := model.Fit([]model.Series{run}, l.Prior)
	a.Params, a.Fit = params, res[0]
	if !a.Fit.Used {
		a.Sentences = []string{fmt.Sprintf("No advice in numbers for the next tube: the bench's model could not learn from this run (%s).", a.Fit.Why)}
		return a
	}
	o := Options{}
	if l.Room == l.Room {
		o.Room = l.Room
	}
	c, err := Choose(l.Envelope, &params, o)
	switch {
	case errors.Is(err, errLack):
		a.Sentences = []string{"No advice in numbers for the next tube: " + err.Error() + "."}
		return a
	case err != nil:
		a.Sentences = []string{"No advice in numbers for the next tube, as no plan would keep the limits: " + err.Error() + "."}
		return a
	}
	a.Chosen = c
	if c.Confidence < Enough {
		a.Sentences = []string{c.tooLittle()}
		return a
	}
	a.Given = true
	a.Sentences = append(a.Sentences, strings.TrimSpace(was(l.Observations, l.Phases)+" "+c.Main()), c.Rest(), c.Sure())
	return a
}

// was says how the main bombard went; "" if there was none.
func was(obs []phase.Observation, segments []phase.Segment) string {
	var time, pressure, rise float64
	cursor := phase.NewCursor(segments)
	last := -1
	for i, o := range obs {
		if cursor.At(o.At) != phase.Bombard || !(o.Current > envelope.ArcCurrent) ||
			o.Pressure != o.Pressure || o.Glass != o.Glass {
			last = -1
			continue
		}
		if last >= 0 {
			dt := (o.At - obs[last].At).Seconds()
			time += dt
			pressure += dt * o.Pressure
			rise += o.Glass - obs[last].Glass
		}
		last = i
	}
	if time < 5 {
		return ""
	}
	return fmt.Sprintf("The main bombard at %s heated the glass at %s.", envelope.Say(pressure/time, "Pa"), envelope.Say(rise/time, "°C/s"))
}

// Main says what the model makes of the plan's main bombard, in one sentence.
func (c *Chosen) Main() string {
	p, o := &c.Plan, &c.Prediction.Best
	lo := c.Prediction.Quantile(0.025, func(o *model.Outcome) float64 { return o.Total })
	hi := c.Prediction.Quantile(0.975, func(o *model.Outcome) float64 { return o.Total })
	return fmt.Sprintf("At %s and %s the model reaches %s together with the shells in %.0f s (95 %%: %.0f to %.0f s).",
		envelope.Say(p.Pressure, "Pa"), milliamps(p.Current), envelope.Say(o.Peak, "°C"), o.Total, lo, hi)
}

// Rest says the points at which to do something.
func (c *Chosen) Rest() string {
	p := &c.Plan
	return fmt.Sprintf("Dry at %s and %s until the glass reads %s. In the main bombard pump down to %s when it reads %s and draw the choke to %s; "+
		"hold that for %.0f s, at least %.0f s of it with orange shells, until the glass reads %s; arc off at %s whatever the shells look like.",
		envelope.Say(p.DryPressure, "Pa"), milliamps(p.DryCurrent), envelope.Say(p.DryUntil, "°C"),
		envelope.Say(p.ShellPressure, "Pa"), envelope.Say(p.ShellsAt, "°C"), milliamps(p.ShellCurrent),
		p.ShellHold, p.Glow, envelope.Say(p.Reach, "°C"), envelope.Say(p.StopAt, "°C"))
}

// milliamps writes a current that a hand sets, to 5 mA.
func milliamps(a float64) string { return fmt.Sprintf("%.0f mA", 5*math.Round(a/milli/5)) }

// Sure says how far to believe it and what that rests on.
func (c *Chosen) Sure() string {
	text := fmt.Sprintf("Confidence: %.0f of 100 modelled runs end inside the limits", 100*c.Confidence)
	if len(c.Doubts) > 0 {
		text += fmt.Sprintf("; most in doubt is the %s (%.0f of 100 miss it)", c.Doubts[0].Title, max(1, 100*c.Doubts[0].Share))
	}
	text += ". "
	if c.Confidence < Enough { // a rehearsal; advice is not given then
		text += "That is too little for advice: take the figures as the likeliest, and go by glass and shells. "
	}
	return text + c.Basis()
}

// Basis says what the model's constants rest on.
func (c *Chosen) Basis() string {
	var text string
	switch c.Runs {
	case 0:
		text = "The model knows the handbook only, no run of this bench."
	case 1:
		text = "The model learned from one run of this bench."
	default:
		text = fmt.Sprintf("The model learned from %d runs of this bench.", c.Runs)
	}
	if c.Guessed {
		text += " The card does not describe the shells; they are guessed from the rating."
	}
	return text + " Shell temperatures are the model's, not measured: look at their colour."
}

func (c *Chosen) tooLittle() string {
	text := fmt.Sprintf("No advice in numbers for the next tube: with what the model knows only %.0f of 100 modelled runs end inside the limits",
		100*c.Confidence)
	if len(c.Doubts) == 0 {
		return text + "."
	}
	d := c.Doubts[0]
	text += fmt.Sprintf("; most in doubt is the %s (%.0f of 100 miss it).", d.Title, 100*d.Share)
	switch {
	case d.Limit == envelope.ShellTime && c.Guessed:
		text += " Put the shells' mass and area on the tube card."
	case d.Limit == envelope.ShellTime:
		text += " What the shells do is not measured; a plan needs either room between glass target and ceiling or a reading of a shell's temperature."
	default:
		text += " Another run with glass, pressure and current reading throughout would tell more."
	}
	return text
}

// LagCorrected tells whether a run's glass readings are corrected for the sensor's
// lag, by a certificate or by bench.toml. Where its layout does not say, as in runs of
// earlier versions, the certificates that were in force and bench.toml do.
func LagCorrected(m *journal.Meta) bool {
	told := false
	for _, c := range m.Layout.Channels {
		if c.Role == frame.Glass.String() && c.TimeConstantS > 0 {
			return true
		}
		told = told || c.Role == frame.Glass.String() && c.TimeConstantTold
	}
	return !told && (LagIn(m.Bench) || lagCertificate(m.Calibration))
}

// lagCertificate tells whether the certificates in a run.toml's calibration_text, each
// of which begins with its version, are of a glass channel's time constant.
func lagCertificate(text string) bool {
	for _, rest := range strings.Split("\n"+text, "\nversion")[1:] {
		c, err := certificate.Parse("the run's certificate", []byte("version"+rest))
		if err == nil && c.IsLag() && c.Role == frame.Glass.String() {
			return true
		}
	}
	return false
}

// LagIn tells whether the text of a bench.toml by itself has the glass readings
// corrected for the sensor's lag. A text that cannot be read has not.
func LagIn(benchText string) bool {
	var b struct {
		Channel []struct {
			Role        string
			Calibration struct{ Lag string }
		}
	}
	if toml.Unmarshal([]byte(benchText), &b) != nil {
		return false
	}
	for _, c := range b.Channel {
		if c.Role == "glass" && c.Calibration.Lag != "" {
			return true
		}
	}
	return false
}
