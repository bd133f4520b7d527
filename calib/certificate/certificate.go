// Package certificate holds what a calibration at the bench leaves behind: the
// points that were taken, the correction that follows from them, who took them
// with which reference, and when it is due again. A certificate is a file that
// is written once and never changed; the newest of a channel is in force.
package certificate

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"tipoff/calib/uncertainty"
	"tipoff/calib/unit"
)

// Point is one comparison with a reference.
type Point struct {
	Reference float64 // true value by the reference: Pa, °C or A
	Indicated float64 // what the channel showed before correction, same unit
	U         float64 // standard uncertainty of the comparison (reference, noise, settling), same unit, > 0
	Note      string  // "ice", "boiling at 1003 hPa"
}

// Instrument is the reference that was compared with.
type Instrument struct {
	Name     string
	Serial   string
	Limit    float64   // ± limit of its data sheet or certificate, unit of the channel; 0 not stated
	Fraction float64   // ± limit as a fraction of its reading; both add
	Due      time.Time // its own calibration; zero if not known
}

// U is the instrument's standard uncertainty at a reading of x: its limits as a
// rectangular distribution.
func (i Instrument) U(x float64) float64 {
	return uncertainty.Rectangular(i.Limit + i.Fraction*math.Abs(x))
}

// Certificate is one calibration of one channel.
type Certificate struct {
	Channel    string
	Role       string // "pressure", "glass", "current", "shell", "ambient"
	Procedure  string // "ice, boiling"
	Date, Due  time.Time
	Who        string
	Instrument Instrument
	Barometer  float64 // Pa at the bench; 0 not noted
	Room       float64 // °C; NaN not noted
	Points     []Point
	Fit        Fit
	// Trials and Lag are a time constant's, of a certificate of kind
	// [TimeConstant], which has no points.
	Trials []Trial
	Lag    Lag
	// Drift is how far the channel may wander in a year, as the limit of a
	// rectangular distribution: K for temperatures, a fraction of the reading
	// for pressures and currents.
	Drift float64
	// Change is the largest change of the corrected value against the
	// certificate before, over these points, or of the time constant in seconds;
	// NaN for the first.
	Change float64
	// ChangeU is the standard uncertainty of that change by both certificates; 0
	// if it is not known.
	ChangeU  float64
	Drifting bool // Change is more than the uncertainties of both explain
	Note     string
}

// dimensions are those of a role's values and of their differences.
func dimensions(role string) (value, difference unit.Dimension, ok bool) {
	switch role {
	case "pressure":
		return unit.Pressure, unit.Pressure, true
	case "glass", "shell", "ambient":
		return unit.Temperature, unit.TempDifference, true
	case "current":
		return unit.Current, unit.Current, true
	}
	return 0, 0, false
}

// Roles are the roles that can be calibrated.
func Roles() []string { return []string{"pressure", "glass", "current", "shell", "ambient"} }

// Apply is the corrected value for an indicated one and the standard
// uncertainty of the correction alone, without age.
func (c *Certificate) Apply(x float64) (y, u float64) { return c.Fit.Apply(x) }

// DueIn tells whether the calibration is past its date at now, and how long it
// still holds (negative: how long it is overdue).
func (c *Certificate) DueIn(now time.Time) (overdue bool, in time.Duration) {
	in = c.Due.Sub(now)
	return in < 0, in
}

const year = 365.25 * 24 * time.Hour

// DriftU is the standard uncertainty that age adds to a corrected value of y.
func (c *Certificate) DriftU(y float64, age time.Duration) float64 {
	d := c.Drift * math.Max(0, float64(age)/float64(year))
	if c.Role == "pressure" || c.Role == "current" {
		d *= math.Abs(y)
	}
	return uncertainty.Rectangular(d)
}

// Compare sets Change, ChangeU and Drifting against the certificate before,
// which may be nil. Drift is a change beyond twice the standard uncertainty of
// both together.
func (c *Certificate) Compare(before *Certificate) {
	c.Change, c.ChangeU, c.Drifting = math.NaN(), 0, false
	if before == nil || before.Role != c.Role || before.IsLag() != c.IsLag() {
		return
	}
	c.Change = 0
	if c.IsLag() {
		c.Change, c.ChangeU = c.Lag.Tau-before.Lag.Tau, math.Hypot(c.Lag.U, before.Lag.U)
		c.Drifting = math.Abs(c.Change) > 2*c.ChangeU
		return
	}
	worst := 0.0
	for _, p := range c.Points {
		y0, u0 := before.Apply(p.Indicated)
		y1, u1 := c.Apply(p.Indicated)
		d, u := y1-y0, math.Hypot(u0, u1)
		if math.Abs(d) >= math.Abs(c.Change) {
			c.Change = d
		}
		// k = 2: what both calibrations together leave open.
		if math.Abs(d) > 2*u {
			c.Drifting = true
		}
		if r := math.Abs(d) / u; r >= worst {
			worst, c.ChangeU = r, u
		}
	}
}

// Bounds of what a certificate may say.
const (
	maxPoints = 200
	maxText   = 200 // characters
)

// Check tells whether the certificate is whole: known role, dates in order,
// texts that fit on a line, and a fit that follows from the points. The error is
// one line.
func (c *Certificate) Check() error {
	fail := func(key, found, allowed string) error {
		return fmt.Errorf("certificate: %s: found %s; allowed: %s", key, found, allowed)
	}
	if !channelName(c.Channel) {
		return fail("channel", fmt.Sprintf("%.60q", c.Channel), "1 to 40 of the characters a–z, A–Z, 0–9, - and _")
	}
	if _, _, ok := dimensions(c.Role); !ok {
		return fail("role", fmt.Sprintf("%.60q", c.Role), strings.Join(Roles(), ", "))
	}
	for key, s := range map[string]string{"who": c.Who, "procedure": c.Procedure} {
		if strings.TrimSpace(s) == "" {
			return fail(key, "nothing", "a text")
		}
	}
	texts := []string{c.Who, c.Procedure, c.Note, c.Instrument.Name, c.Instrument.Serial}
	for _, p := range c.Points {
		texts = append(texts, p.Note)
	}
	for _, t := range c.Trials {
		texts = append(texts, t.Note)
	}
	for _, s := range texts {
		if !lineOfText(s) {
			return fail("text", fmt.Sprintf("%.60q", s), fmt.Sprintf("one line of at most %d printable characters", maxText))
		}
	}
	switch {
	case c.Date.Year() < 1970 || c.Date.Year() > 9000:
		return fail("date", c.Date.String(), "a date from 1970 on")
	case !c.Due.After(c.Date) || c.Due.Year() > 9000:
		return fail("due", c.Due.Format(time.RFC3339), "a date after "+c.Date.Format(time.RFC3339))
	case !c.Instrument.Due.IsZero() && (c.Instrument.Due.Year() < 1970 || c.Instrument.Due.Year() > 9000):
		return fail("reference_instrument.due", c.Instrument.Due.String(), "a date from 1970 on")
	case !finite(c.Instrument.Limit, c.Instrument.Fraction, c.Barometer, c.Drift) ||
		c.Instrument.Limit < 0 || c.Instrument.Fraction < 0 || c.Barometer < 0 || c.Drift < 0:
		return fail("reference_instrument, barometer or drift", "a number that is negative or none", "numbers from 0")
	case !kindFits(c.Role, c.Fit.Kind):
		return fail("fit.kind", fmt.Sprintf("%.60q", string(c.Fit.Kind)), words(KindsOf(c.Role)))
	}
	if c.IsLag() {
		return c.checkLag()
	}
	if len(c.Trials) > 0 {
		return fail("trial", fmt.Sprintf("%d trials of a time constant", len(c.Trials)), "points only")
	}
	fit, err := Solve(c.Points, c.Fit.Kind)
	if err != nil {
		return fmt.Errorf("certificate: points: %w", err)
	}
	if !fit.same(c.Fit) {
		return fail("fit", "numbers that do not follow from the points", "what the points give: "+fit.String())
	}
	return nil
}

func channelName(s string) bool {
	if s == "" || len(s) > 40 {
		return false
	}
	for i, r := range s {
		letter := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9'
		if !letter && (i == 0 || r != '-' && r != '_') {
			return false
		}
	}
	return true
}

func lineOfText(s string) bool {
	if !utf8.ValidString(s) || utf8.RuneCountInString(s) > maxText {
		return false
	}
	for _, r := range s {
		if !unicode.IsPrint(r) {
			return false
		}
	}
	return true
}

func finite(xs ...float64) bool {
	for _, x := range xs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
