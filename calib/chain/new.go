package chain

import (
	"errors"
	"fmt"
	"math"

	"tipoff/calib/gauge"
	"tipoff/calib/lag"
	"tipoff/calib/rms"
	"tipoff/calib/thermocouple"
	"tipoff/calib/unit"
)

// FieldError says which field of a [Spec] does not fit.
type FieldError struct {
	Field   string // as in Params or Spec: "VoltsPerDecade"
	Found   string
	Allowed string
}

// Error implements error.
func (e *FieldError) Error() string {
	return fmt.Sprintf("calibration %s: found %s; allowed: %s", e.Field, e.Found, e.Allowed)
}

func wrong(field string, found any, allowed string) error {
	return &FieldError{Field: field, Found: fmt.Sprint(found), Allowed: allowed}
}

// Check tells whether the parameters make a calibration; the error is a
// [*FieldError].
func (s Spec) Check() error {
	p := &s.Params
	for _, n := range []struct {
		field string
		x     float64
		low   float64
		words string
	}{
		{"Divider", p.Divider, 0, "0 (none) or a factor above 0"},
		{"VoltsAccuracy", p.VoltsAccuracy, 0, "a fraction, 0 or more"},
		{"Reference", p.Reference, 0, "volts, 0 or more"},
		{"Span", p.Span, 0, "0 (none) or a factor above 0"},
		{"AccuracyFraction", p.AccuracyFraction, 0, "a fraction, 0 or more"},
		{"AccuracyAbs", p.AccuracyAbs, 0, "0 or more"},
		{"Mounting", p.Mounting, 0, "°C, 0 or more"},
		{"MaxRate", p.MaxRate, 0, "°C/s, 0 or more"},
		{"FrozenFor", p.FrozenFor.Seconds(), 0, "a time, 0 or more"},
		{"Ratio", p.Ratio, 0, "primary : secondary current, 0 (none) or more"},
		{"Burden", p.Burden, 0, "Ω, 0 or more"},
		{"CurrentAccuracy", p.CurrentAccuracy, 0, "a fraction, 0 or more"},
		{"FloorAmps", p.FloorAmps, 0, "A, 0 or more"},
		{"TurnsRatio", p.TurnsRatio, 0, "secondary : primary turns, above 0"},
		{"Magnetising", p.Magnetising, 0, "A, 0 or more"},
		{"MagnetisingAngle", p.MagnetisingAngle, 0, "°, above 0 to 180, or 0 for 90"},
		{"UnderVolts", p.UnderVolts, math.Inf(-1), "volts"},
		{"OverVolts", p.OverVolts, math.Inf(-1), "volts"},
		{"ZeroPa", p.ZeroPa, math.Inf(-1), "Pa"},
		{"Bias", p.Bias, math.Inf(-1), "volts"},
	} {
		if !(n.x >= n.low) || math.IsInf(n.x, 0) {
			return wrong(n.field, n.x, n.words)
		}
	}
	switch {
	case p.Lag != 0 && (p.Lag < lag.MinTau || p.Lag > lag.MaxTau):
		return wrong("Lag", p.Lag, fmt.Sprintf("0 (none) or %v to %v", lag.MinTau, lag.MaxTau))
	case !(p.LagAccuracy >= 0 && p.LagAccuracy <= 0.5):
		return wrong("LagAccuracy", p.LagAccuracy, "a fraction, 0 to 0.5")
	case p.LagAccuracy != 0 && p.Lag == 0:
		return wrong("LagAccuracy", p.LagAccuracy, "only together with Lag")
	case p.Seating != 0 && !(p.Seating >= 0.5 && p.Seating <= 1):
		return wrong("Seating", p.Seating, "0 (none) or 0.5 to 1")
	}
	if (p.UnderVolts != 0 || p.OverVolts != 0) && !(p.OverVolts > p.UnderVolts) {
		return wrong("OverVolts", p.OverVolts, "above UnderVolts")
	}
	if p.MagnetisingAngle > 180 {
		return wrong("MagnetisingAngle", p.MagnetisingAngle, "°, above 0 to 180, or 0 for 90")
	}
	if p.PrimarySide && p.TurnsRatio == 0 {
		return wrong("TurnsRatio", "none", "secondary : primary turns, needed on the primary side")
	}
	if _, err := thermocouple.ParseClass(p.Class); err != nil {
		return wrong("Class", fmt.Sprintf("%q", p.Class), "IEC 1, IEC 2, IEC 3, ASTM standard, ASTM special or none")
	}
	if p.Type != 0 {
		if _, err := thermocouple.Parse(string(rune(p.Type))); err != nil {
			return wrong("Type", fmt.Sprintf("%q", rune(p.Type)), "B, E, J, K, N, R, S, T")
		}
	}
	switch s.Kind {
	case SpecNone, SpecRecorded, SpecThermocouple, SpecCurrent:
		return nil
	case SpecLinear, SpecLogLinear, SpecTable, SpecMantissaExponent:
		_, _, err := s.characteristic()
		return err
	}
	return wrong("Kind", fmt.Sprintf("%q", s.Kind), "none, thermocouple, linear, log-linear, table, mantissa-exponent, current")
}

// characteristic of a gauge; falling tells whether its pressure falls with
// voltage.
func (s Spec) characteristic() (c gauge.Characteristic, falling bool, err error) {
	p := &s.Params
	switch s.Kind {
	case SpecLinear:
		for field, x := range map[string]float64{"Volts1": p.Volts1, "Volts2": p.Volts2, "Pa1": p.Pa1, "Pa2": p.Pa2} {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return nil, false, wrong(field, x, "a number")
			}
		}
		if p.Volts1 == p.Volts2 {
			return nil, false, wrong("Volts2", p.Volts2, "another voltage than Volts1")
		}
		l, err := gauge.NewLinear(p.Volts1, p.Pa1, p.Volts2, p.Pa2)
		if err != nil {
			return nil, false, wrong("Pa2", p.Pa2, "another value than Pa1")
		}
		return l, l.PaPerVolt < 0, nil
	case SpecLogLinear, SpecMantissaExponent:
		switch {
		case !(p.PaAt > 0) || math.IsInf(p.PaAt, 0):
			return nil, false, wrong("PaAt", p.PaAt, "a pressure above 0 Pa")
		case !(math.Abs(p.VoltsPerDecade) >= 1e-3) || math.IsInf(p.VoltsPerDecade, 0):
			return nil, false, wrong("VoltsPerDecade", p.VoltsPerDecade, "at least 0.001 V, up or down")
		case math.IsNaN(p.VoltsAt) || math.IsInf(p.VoltsAt, 0):
			return nil, false, wrong("VoltsAt", p.VoltsAt, "volts")
		}
		if s.Kind == SpecMantissaExponent {
			return gauge.MantissaExponent{Volts: p.VoltsAt, Pa: p.PaAt, VoltsPerDecade: p.VoltsPerDecade}, p.VoltsPerDecade < 0, nil
		}
		return gauge.LogLinear{Volts: p.VoltsAt, Pa: p.PaAt, VoltsPerDecade: p.VoltsPerDecade}, p.VoltsPerDecade < 0, nil
	case SpecTable:
		t, err := gauge.NewTable(p.Table)
		if err != nil {
			return nil, false, wrong("Table", err.Error(), "rows of rising volts and steadily rising or falling Pa above 0")
		}
		return t, p.Table[1][1] < p.Table[0][1], nil
	}
	return nil, false, errors.New("no characteristic")
}

// Range is the pressures that a gauge with this calibration can indicate, between
// its bounds in volts; zero if it has none.
func (s Spec) Range() gauge.Range {
	p := &s.Params
	if p.UnderVolts == 0 && p.OverVolts == 0 {
		return gauge.Range{}
	}
	c, _, err := s.characteristic()
	if err != nil {
		return gauge.Range{}
	}
	a, _ := c.Pressure(p.UnderVolts)
	b, _ := c.Pressure(p.OverVolts)
	return gauge.Range{Low: math.Min(a, b), High: math.Max(a, b)}
}

// New makes the chain of a channel with the given role ("pressure", "glass",
// "current", "shell", "ambient", "light"). mains is 50 or 60 Hz. The error
// names the field of spec that does not fit.
//
// What goes together: "thermocouple" with Thermocouple or Temperature inputs;
// "linear", "log-linear", "table" and "mantissa-exponent" with Voltage or Ratio inputs (of any role;
// Pa then stands for the role's SI unit); "current" with Voltage or Ratio inputs
// that are a Waveform, or with Number; "none" with everything but the voltage of
// a pressure, temperature or current.
func New(role string, spec Spec, in Input, mains float64) (Chain, error) {
	c, err := build(role, spec, in, mains)
	if err != nil {
		return nil, fmt.Errorf("channel %s: %w", role, err)
	}
	return c, nil
}

func build(role string, spec Spec, in Input, mains float64) (Chain, error) {
	if err := spec.Check(); err != nil {
		return nil, err
	}
	if in.Scale == 0 || math.IsNaN(in.Scale) || math.IsInf(in.Scale, 0) {
		return nil, fmt.Errorf("the input's scale is %g, not a factor", in.Scale)
	}
	p := spec.Params
	electrical := in.Kind == Voltage || in.Kind == Ratio
	if in.Kind == Ratio && p.Reference == 0 {
		return nil, wrong("Reference", 0, "the converter's reference in volts")
	}
	switch spec.Kind {
	case SpecRecorded:
		if in.Kind != Number || in.AuxScale == 0 {
			return nil, wrong("Kind", spec.Kind, "none: only recorded values come with their uncertainty")
		}
		return &recorded{in: in, limit: staleness(in.Interval)}, nil
	case SpecThermocouple:
		switch in.Kind {
		case Thermocouple:
			c, err := newThermo(p, in)
			if err != nil {
				return nil, err
			}
			c.heated = role == "glass" || role == "shell"
			return c, nil
		case Temperature, Number:
			if p.Lag != 0 {
				return nil, wrong("Lag", p.Lag, "none: only the input of a thermocouple chip is corrected for lag")
			}
			if p.Seating != 0 {
				return nil, wrong("Seating", p.Seating, "none: only the input of a thermocouple chip is corrected for seating")
			}
			return newScalar(role, spec, in)
		}
		return nil, wrong("Kind", spec.Kind, "linear, log-linear, table or none for an input of kind "+in.Kind)
	case SpecCurrent:
		if in.Kind == Number {
			c, err := newScalar(role, spec, in)
			if err == nil && p.PrimarySide {
				c = &primary{Chain: c, spec: p}
			}
			return c, err
		}
		if !electrical {
			return nil, wrong("Kind", spec.Kind, "none for an input of kind "+in.Kind)
		}
		if !in.Waveform {
			return nil, wrong("Kind", spec.Kind, "an input sampled fast enough for mains cycles; this one is sampled every "+in.Interval.String())
		}
		if p.Burden == 0 {
			return nil, wrong("Burden", 0, "ohms above 0")
		}
		if lo, hi := rails(in, p); lo != hi && p.Bias != 0 && !(p.Bias > lo && p.Bias < hi) {
			return nil, wrong("Bias", p.Bias, fmt.Sprintf("between the converter's rails, %g and %g V", lo, hi))
		}
		return newCurrent(p, in, mains), nil
	case SpecNone:
		if electrical && role != "light" {
			return nil, wrong("Kind", spec.Kind, "a calibration: this input gives volts, not a "+role)
		}
		if in.Kind == Thermocouple {
			c, err := newThermo(p, in)
			if err != nil {
				return nil, err
			}
			c.heated = role == "glass" || role == "shell"
			return c, nil
		}
		return newScalar(role, spec, in)
	}
	if !electrical {
		return nil, wrong("Kind", spec.Kind, "none or thermocouple: this input does not give volts but a "+in.Kind)
	}
	return newScalar(role, spec, in)
}

// dimension of a role's values.
func dimension(role string) (unit.Dimension, bool) {
	switch role {
	case "pressure":
		return unit.Pressure, true
	case "glass", "shell", "ambient":
		return unit.Temperature, true
	case "current":
		return unit.Current, true
	}
	return 0, false
}

// affine is what turns a number in the unit named into the role's own:
// a + b·x.
func affine(role, name string) (a, b float64, err error) {
	d, ok := dimension(role)
	if name == "" || !ok {
		return 0, 1, nil
	}
	// Points well above absolute zero, so that no temperature is refused.
	x1, err := unit.Parse("1000 "+name, d)
	if err != nil {
		return 0, 0, fmt.Errorf("unit of the input: %w", err)
	}
	x2, err := unit.Parse("2000 "+name, d)
	if err != nil {
		return 0, 0, fmt.Errorf("unit of the input: %w", err)
	}
	b = (x2 - x1) / 1000
	return x1 - 1000*b, b, nil
}

func newScalar(role string, spec Spec, in Input) (Chain, error) {
	p := spec.Params
	c := &scalar{filter: newFilter(p, in), factor: 1, span: 1, acc: in.Acc, spec: p,
		bounds: gauge.Bounds{Under: p.UnderVolts, Over: p.OverVolts}}
	if p.Span != 0 {
		c.span = p.Span
	}
	switch in.Kind {
	case Number:
		a, b, err := affine(role, in.Unit)
		if err != nil {
			return nil, err
		}
		c.shift, c.factor = a, b
	case Ratio:
		c.factor = p.Reference
	}
	switch spec.Kind {
	case SpecLinear, SpecLogLinear, SpecTable, SpecMantissaExponent:
		var err error
		if c.char, c.falling, err = spec.characteristic(); err != nil {
			return nil, err
		}
		if p.Divider != 0 {
			c.factor *= p.Divider
		}
	}
	if role == "light" && p.FullScale != 0 {
		c.factor /= p.FullScale
	}
	if spec.Kind == SpecCurrent { // a finished RMS value: the transformer's part still counts
		c.spec.AccuracyFraction = math.Hypot(p.AccuracyFraction, p.CurrentAccuracy)
		c.spec.AccuracyAbs = math.Hypot(p.AccuracyAbs, p.FloorAmps)
		if p.PrimarySide {
			c.spec.AccuracyAbs = p.FloorAmps // AccuracyAbs is of the other side
		}
	}
	c.known = in.Acc.stated() || p.VoltsAccuracy != 0 || c.spec.AccuracyFraction != 0 || c.spec.AccuracyAbs != 0 || p.Mounting != 0
	return c, nil
}

func newThermo(p Params, in Input) (*thermo, error) {
	c := &thermo{filter: newFilter(p, in), acc: in.Acc, spec: p, typ: thermocouple.Type(in.Type),
		sensitivity: in.Sensitivity, auxScale: in.AuxScale}
	c.maxRate = p.MaxRate
	if p.Type != 0 {
		if in.Type != 0 && in.Type != p.Type {
			return nil, wrong("Type", string(rune(p.Type)), "the type that the chip is set to: "+string(rune(in.Type)))
		}
		c.typ = thermocouple.Type(p.Type)
	}
	if c.typ == 0 {
		return nil, wrong("Type", "none", "B, E, J, K, N, R, S, T: the chip does not say")
	}
	if _, err := thermocouple.Parse(c.typ.String()); err != nil {
		return nil, err
	}
	if c.sensitivity != 0 && c.auxScale == 0 {
		return nil, errors.New("the chip does not linearise and gives no cold junction: its reading can not be corrected")
	}
	var err error
	if err = c.SetLag(0, 0); err != nil {
		return nil, err
	}
	if c.class, err = thermocouple.ParseClass(p.Class); err != nil {
		return nil, err
	}
	c.known = in.Acc.stated() || in.Acc.ColdJunction != 0 || c.class != thermocouple.NoClass ||
		p.Mounting != 0 || p.AccuracyAbs != 0 || p.AccuracyFraction != 0
	return c, nil
}

// rails of the converter in volts, both 0 if not known.
func rails(in Input, p Params) (low, high float64) {
	k := in.Scale
	if in.Kind == Ratio {
		k *= p.Reference
	}
	a, b := k*(in.RawMin+in.Offset), k*(in.RawMax+in.Offset)
	if in.RawMin == in.RawMax {
		return 0, 0
	}
	return math.Min(a, b), math.Max(a, b)
}

func newCurrent(p Params, in Input, mains float64) Chain {
	k := in.Scale
	if in.Kind == Ratio {
		k *= p.Reference
	}
	o := rms.Options{Mains: mains}
	if in.Interval > 0 {
		o.Rate = 1 / in.Interval.Seconds()
	}
	o.ClipLow, o.ClipHigh = rails(in, p)
	c := &current{scale: k, offset: in.Offset, amps: 1 / p.Burden, acc: in.Acc, spec: p, limit: staleness(in.Interval),
		rawMin: in.RawMin, rawMax: in.RawMax, rails: in.RawMin != in.RawMax}
	if p.Ratio != 0 {
		c.amps *= p.Ratio
	}
	if in.Kind == Ratio {
		c.acc.Nonlinearity *= p.Reference
	}
	if in.Integer {
		c.lsb = math.Abs(k)
	}
	c.known = in.Acc.stated() || p.CurrentAccuracy != 0 || p.AccuracyFraction != 0 || p.AccuracyAbs != 0
	o.Floor = p.FloorAmps / c.amps
	c.meter = rms.New(o)
	return c
}
