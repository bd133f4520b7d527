// Package calibrate guides a calibration at the bench step by step, the same in
// a terminal and on a page: which reference to bring, whether the reading has
// settled, what to write down, what the points give, and the certificate at the
// end. [Session] is the procedure without any input or output; [Desk] keeps the
// sessions of a running bench, and [Handler] makes pages of them.
package calibrate

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"tipoff/calib/certificate"
	"tipoff/calib/reference"
	"tipoff/calib/strict"
	"tipoff/calib/unit"
	"tipoff/logger/frame"
)

// Ask is one thing that the person at the bench is asked for at a point.
type Ask struct {
	Key     string
	Prompt  string // "Level difference between both limbs"
	Example string // "130 mm"
}

// Procedure is one way to calibrate a channel.
type Procedure struct {
	Name  string
	Roles []frame.Role
	Title string
	// Steps are what to do before the reading can settle.
	Steps []string
	Asks  []Ask
	// Instrument tells that the reference is an instrument whose limits must be
	// known.
	Instrument bool
	// Repeats tells that further points with other references make sense.
	Repeats bool
	// Lag tells that it finds a thermocouple's time constant: trials, not points.
	// Recorded: from the record of a run, without the device.
	Lag, Recorded bool
	take          func(s *Session, answers map[string]string) (reference.Point, string, error)
}

var thermometers = []frame.Role{frame.Glass, frame.Shell, frame.Ambient}

// Procedures are all procedures.
func Procedures() []Procedure {
	room := Ask{"barometer", "Barometer at the bench (not reduced to sea level), or the altitude", "1003 hPa or 350 m"}
	return append([]Procedure{
		{Name: "ice", Roles: thermometers, Title: "Ice point, 0.0 °C",
			Steps: []string{
				"Fill an insulated cup with finely crushed ice and pour in as much cold clean water as the ice holds.",
				"Put the junction into the middle, not touching the cup, in a thin sleeve if the wire is bare. Stir.",
			},
			take: func(*Session, map[string]string) (reference.Point, string, error) {
				return reference.Ice(), "ice point", nil
			}},
		{Name: "boiling", Roles: thermometers, Title: "Boiling water, corrected for the air pressure",
			Steps: []string{
				"Bring clean water to a rolling boil, away from the bombarder and its leads.",
				"Hold the junction in the water, clear of the bottom of the pot.",
			},
			Asks: []Ask{room},
			take: func(s *Session, answers map[string]string) (reference.Point, string, error) {
				p, words, err := roomPressure(answers["barometer"])
				if err != nil {
					return p, "", err
				}
				s.barometer = p.X
				b, err := reference.Boiling(p)
				return b, "boiling at " + words, err
			}},
		{Name: "thermometer", Roles: thermometers, Title: "Against a reference thermometer",
			Steps: []string{
				"Tie both junctions to the same block or put both into the same stirred bath, side by side.",
				"Bring it to the temperature wanted and wait.",
			},
			Asks:       []Ask{{"reference", "What the reference thermometer shows", "150.2 °C"}},
			Instrument: true, Repeats: true, take: readInstrument},
		{Name: "atmosphere", Roles: []frame.Role{frame.Pressure}, Title: "Gauge at the atmosphere",
			Steps: []string{"With the bombarder off and locked out, vent the manifold to the room and leave it open."},
			Asks:  []Ask{room},
			take: func(s *Session, answers map[string]string) (reference.Point, string, error) {
				p, words, err := roomPressure(answers["barometer"])
				s.barometer = p.X
				return p, "atmosphere at " + words, err
			}},
		{Name: "base", Roles: []frame.Role{frame.Pressure}, Title: "Gauge at base pressure",
			Steps: []string{
				"Pump the closed manifold until the pressure no longer falls; leave the pump on.",
				"A gauge that reads lower than this one tells the base pressure; for a linear gauge \"0 micron\" will do where the base is below what it can tell.",
			},
			Asks:       []Ask{{"reference", "Base pressure by the reference gauge", "2 micron"}},
			Instrument: true, take: readInstrument},
		{Name: utubeName, Roles: []frame.Role{frame.Pressure}, Title: "Gauge against an oil U-tube (dibutyl phthalate)",
			Steps: []string{
				"Connect the U-tube next to the gauge; pump out its far limb, or leave it open to the room.",
				"Set a pressure and shut the pump off. Read the levels of both limbs with the eye at their height.",
				levelsGuide(),
			},
			Asks: []Ask{
				{"height", "Level difference between both limbs", "130 mm"},
				{"oil", "Temperature of the oil", "22 °C"},
				{"far", "Pressure on the far limb: \"vacuum\", or the barometer if it is open", "vacuum or 1003 hPa"},
			},
			Repeats: true,
			take: func(s *Session, answers map[string]string) (reference.Point, string, error) {
				height, err := quantity(answers, "height", unit.Length)
				if err != nil {
					return reference.Point{}, "", err
				}
				oil, err := quantity(answers, "oil", unit.Temperature)
				if err != nil {
					return reference.Point{}, "", err
				}
				far, words := reference.Point{}, "vacuum"
				if t := strings.TrimSpace(answers["far"]); t != "vacuum" {
					if far, words, err = roomPressure(t); err != nil {
						return reference.Point{}, "", err
					}
					s.barometer = far.X
				}
				p, err := reference.UTube(height, oil, far)
				return p, fmt.Sprintf("U-tube %.1f mm at %.1f °C against %s", height*1000, oil, words), err
			}},
		{Name: "clamp", Roles: []frame.Role{frame.Current}, Title: "Current against a clamp meter at several choke settings",
			Steps: []string{
				"Clamp a true-RMS meter around the same earthed midpoint lead as the current transformer, never around a high-voltage lead.",
				"Let the plant's own rules stand: tube hung, guard closed, hands off. Set the choke, switch on and wait; both are read from outside the guard.",
			},
			Asks:       []Ask{{"reference", "What the clamp meter shows", "310 mA"}},
			Instrument: true, Repeats: true, take: readInstrument},
	}, lagProcedures()...)
}

// ProcedureNamed finds a procedure that suits a role; the error lists those.
func ProcedureNamed(name string, role frame.Role) (Procedure, error) {
	var names []string
	for _, p := range Procedures() {
		if !slices.Contains(p.Roles, role) {
			continue
		}
		if p.Name == name {
			return p, nil
		}
		names = append(names, p.Name)
	}
	if len(names) == 0 {
		return Procedure{}, fmt.Errorf("a %s channel: no procedure; allowed: pressure, glass, shell, ambient and current channels", role)
	}
	return Procedure{}, fmt.Errorf("procedure: found %.40q; allowed for a %s channel: %s", name, role, strict.OneOf(names))
}

// For lists the procedures of a role.
func For(role frame.Role) []Procedure {
	var out []Procedure
	for _, p := range Procedures() {
		if slices.Contains(p.Roles, role) {
			out = append(out, p)
		}
	}
	return out
}

// readInstrument is a reference value read off an instrument with stated limits.
func readInstrument(s *Session, answers map[string]string) (reference.Point, string, error) {
	value, difference := dimensions(s.opt.Role)
	x, err := quantity(answers, "reference", value)
	if err != nil {
		return reference.Point{}, "", err
	}
	u := s.opt.Instrument.U(x)
	if !(u > 0) {
		// A limit in percent of nothing: a base of zero is known to the gauge's
		// own resolution only.
		return reference.Point{}, "", fmt.Errorf("reference: found %s, where a limit of %g %% says nothing; allowed: state the instrument's limit as a %s as well",
			unit.Format(x, value), 100*s.opt.Instrument.Fraction, difference)
	}
	return reference.Point{X: x, U: u}, s.opt.Instrument.Name + " " + unit.Format(x, value), nil
}

var errRoom = errors.New(`barometer: found nothing; allowed: a pressure such as "1003 hPa" or an altitude such as "350 m"`)

// roomPressure reads a barometer or an altitude.
func roomPressure(text string) (p reference.Point, words string, err error) {
	if text = strings.TrimSpace(text); text == "" {
		return p, "", errRoom
	}
	if pa, err := unit.Parse(text, unit.Pressure); err == nil {
		p, err := reference.Barometer(pa)
		return p, fmt.Sprintf("%.1f hPa", pa/100), err
	}
	m, err := unit.Parse(text, unit.Length)
	if err != nil {
		return p, "", fmt.Errorf(`barometer: found %.40q; allowed: a pressure such as "1003 hPa" or an altitude such as "350 m"`, text)
	}
	p, err = reference.Altitude(m)
	return p, fmt.Sprintf("%.0f m (standard atmosphere, %.0f hPa)", m, p.X/100), err
}

func quantity(answers map[string]string, key string, d unit.Dimension) (float64, error) {
	text := strings.TrimSpace(answers[key])
	x, err := unit.Parse(text, d)
	if err != nil || math.IsInf(x, 0) {
		return 0, fmt.Errorf("%s: found %.40q; allowed: a %s in %s", key, text, d, d.Units())
	}
	return x, nil
}

// dimensions of a role's values and of their differences.
func dimensions(r frame.Role) (value, difference unit.Dimension) {
	switch r {
	case frame.Pressure:
		return unit.Pressure, unit.Pressure
	case frame.Current:
		return unit.Current, unit.Current
	}
	return unit.Temperature, unit.TempDifference
}

// ParseLimit reads the limit of a reference instrument: a quantity, "1.5 %" or
// both, "1.5 % + 2 mA".
func ParseLimit(text string, r frame.Role) (limit, fraction float64, err error) {
	_, d := dimensions(r)
	for part := range strings.SplitSeq(text, "+") {
		part = strings.TrimSpace(part)
		if strings.HasSuffix(part, "%") {
			f, err := unit.Parse(part, unit.Ratio)
			if err != nil || !(f >= 0 && fraction+f <= 1) {
				return 0, 0, fmt.Errorf(`limit of the reference instrument: found %.40q; allowed: "0.5 %%", 0 to 100 %%`, text)
			}
			fraction += f
			continue
		}
		x, err := unit.Parse(part, d)
		if err != nil || !(x >= 0) || math.IsInf(x, 0) {
			return 0, 0, fmt.Errorf(`limit of the reference instrument: found %.40q; allowed: a %s in %s, a percentage, or both with +`, text, d, d.Units())
		}
		limit += x
	}
	return limit, fraction, nil
}

// kindFor is the correction that suits the points so far. log tells that the
// gauge is calibrated on a logarithmic scale.
func kindFor(role frame.Role, log bool, n int) certificate.Kind {
	switch {
	case role == frame.Current:
		return certificate.Ratio
	case role == frame.Pressure && log && n < 2:
		return certificate.Factor
	case role == frame.Pressure && log:
		return certificate.LogLinear
	case n < 2:
		return certificate.Offset
	case role == frame.Pressure:
		return certificate.ZeroSpan
	}
	return certificate.Linear
}
