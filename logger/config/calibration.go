package config

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"tipoff/calib/chain"
	"tipoff/calib/lag"
	"tipoff/calib/strict"
	"tipoff/calib/unit"
	"tipoff/drivers"
	"tipoff/logger/frame"
)

// epoch is the wall time of the clock that devices are checked with.
var epoch = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// Ranges of calibrations.
const (
	maxVolts    = 50.0
	maxPressure = 2e5 // Pa, twice the atmosphere
	maxRows     = 256
	// glassRate is what no bombarder heats glass by, °C/s: some three times what
	// the strongest do (handbook), so that only what cannot be is left out.
	glassRate = 25
)

// Two kinds are "linear" by other words, those of the gauge's data sheet.
const (
	kindLoop        = "4-20 mA"
	kindRatiometric = "ratiometric"
)

// A current loop's signal: its ends, and beyond what the transmitter says that it
// has failed (NAMUR NE 43, from memory: below 3.6 mA, above 21 mA), in A.
const (
	loopLow, loopHigh       = 4e-3, 20e-3
	loopUnder, loopOver     = 3.6e-3, 21e-3
	minShunt, maxShunt      = 1.0, 10e3 // Ω
	loopLeast, loopGreatest = 0.0, 25e-3
)

// kindsOf lists the calibrations that make sense for a role.
func kindsOf(r frame.Role) []string {
	switch r {
	case frame.Pressure:
		return []string{chain.SpecLogLinear, chain.SpecLinear, kindLoop, kindRatiometric, chain.SpecMantissaExponent,
			chain.SpecTable, chain.SpecNone}
	case frame.Glass, frame.Shell, frame.Ambient:
		return []string{chain.SpecThermocouple, chain.SpecNone}
	case frame.Current:
		return []string{chain.SpecCurrent, chain.SpecNone}
	}
	return []string{chain.SpecNone}
}

// errorDim is the dimension of a role's absolute accuracy.
func errorDim(r frame.Role) unit.Dimension {
	switch r {
	case frame.Pressure:
		return unit.Pressure
	case frame.Glass, frame.Shell, frame.Ambient:
		return unit.TempDifference
	case frame.Current:
		return unit.Current
	}
	return unit.Ratio
}

// calibration reads [channel.calibration]. Roles whose only calibration is
// "none" may leave it out.
func calibration(t *strict.Table, r frame.Role) chain.Spec {
	kinds := kindsOf(r)
	if len(kinds) == 1 && !t.Has("calibration") || r == 0 {
		t.Known("calibration")
		return chain.Spec{Kind: chain.SpecNone}
	}
	c := t.Table("calibration")
	s := chain.Spec{Kind: c.String("kind", kinds...)}
	p := &s.Params
	switch s.Kind {
	case chain.SpecLogLinear, chain.SpecMantissaExponent:
		p.VoltsAt = c.Quantity("volts_at", unit.Voltage, -maxVolts, maxVolts)
		p.PaAt = c.Quantity("pressure_at", unit.Pressure, 1e-6, maxPressure)
		p.VoltsPerDecade = c.Quantity("slope", unit.VoltPerDecade, -10, 10)
		if c.Has("slope") && math.Abs(p.VoltsPerDecade) < 0.01 {
			c.WrongValue("slope", "0.01 V/decade to 10 V/decade, rising or falling")
		}
		gauge(c, p)
	case chain.SpecLinear:
		p.Volts1 = c.Quantity("volts_1", unit.Voltage, -maxVolts, maxVolts)
		p.Pa1 = c.Quantity("pressure_1", unit.Pressure, 0, maxPressure)
		p.Volts2 = c.Quantity("volts_2", unit.Voltage, -maxVolts, maxVolts)
		p.Pa2 = c.Quantity("pressure_2", unit.Pressure, 0, maxPressure)
		if c.Has("volts_2") && p.Volts1 == p.Volts2 {
			c.WrongValue("volts_2", "another voltage than volts_1")
		}
		if c.Has("pressure_2") && p.Pa1 == p.Pa2 {
			c.WrongValue("pressure_2", "another pressure than pressure_1")
		}
		gauge(c, p)
	case kindLoop:
		s.Kind = chain.SpecLinear
		loop(c, p)
	case kindRatiometric:
		s.Kind = chain.SpecLinear
		ratiometric(c, p)
	case chain.SpecTable:
		p.Table = rows(c)
		gauge(c, p)
	case chain.SpecThermocouple:
		thermocouple(c, p, r)
	case chain.SpecCurrent:
		p.Ratio = c.OptQuantity("ratio", unit.Ratio, 1, 1e5, 0)
		p.Burden = c.OptQuantity("burden", unit.Resistance, 1e-3, 1e4, 0)
		p.Bias = c.OptQuantity("bias", unit.Voltage, 0, maxVolts, 0)
		p.Reference = c.OptQuantity("reference", unit.Voltage, 0.1, maxVolts, 0)
		p.CurrentAccuracy = c.OptQuantity("accuracy", unit.Ratio, 0, 0.5, 0)
		floor := 0.1
		if p.PrimarySide = c.OptString("side", "secondary", "secondary", "primary") == "primary"; p.PrimarySide {
			floor = 10
			p.TurnsRatio = c.Quantity("turns_ratio", unit.Ratio, 1, 1000)
			p.Magnetising = c.OptQuantity("magnetising", unit.Current, 0, 50, 0)
			p.MagnetisingAngle = c.OptFloat("magnetising_angle", 1, 180, 90)
		} else {
			for _, key := range []string{"turns_ratio", "magnetising", "magnetising_angle"} {
				if c.Has(key) {
					c.Wrong(key, "no side = \"primary\" beside it", "only for current measured on the primary side")
				}
			}
			c.Known("turns_ratio", "magnetising", "magnetising_angle")
		}
		p.FloorAmps = c.OptQuantity("floor", unit.Current, 0, floor, 0)
	case chain.SpecNone:
		p.AccuracyFraction = c.OptQuantity("accuracy", unit.Ratio, 0, 0.5, 0)
		p.AccuracyAbs = c.OptQuantity("accuracy_abs", errorDim(r), 0, maxPressure, 0)
		switch {
		case r == frame.Light:
			p.FullScale = c.OptQuantity("full_scale", unit.Voltage, 0.01, maxVolts, 0)
			p.Reference = c.OptQuantity("reference", unit.Voltage, 0.1, maxVolts, 0)
		case c.Has("full_scale"):
			c.Wrong("full_scale", "a full scale of a "+r.String()+" channel", "only for role = \"light\"")
		default:
			c.Known("full_scale")
		}
	}
	return s
}

// loop reads a transmitter of 4 mA to 20 mA over a shunt.
func loop(c *strict.Table, p *chain.Params) {
	shunt := c.Quantity("shunt", unit.Resistance, minShunt, maxShunt)
	p.Volts1, p.Volts2 = loopLow*shunt, loopHigh*shunt
	p.Pa1 = c.Quantity("pressure_4ma", unit.Pressure, 0, maxPressure)
	p.Pa2 = c.Quantity("pressure_20ma", unit.Pressure, 0, maxPressure)
	if c.Has("pressure_20ma") && p.Pa1 == p.Pa2 {
		c.WrongValue("pressure_20ma", "another pressure than pressure_4ma")
	}
	p.VoltsAccuracy = c.OptQuantity("shunt_accuracy", unit.Ratio, 0, 0.5, 0)
	p.Divider = c.OptQuantity("divider", unit.Ratio, 0.01, 1000, 1)
	p.Reference = c.OptQuantity("reference", unit.Voltage, 0.1, maxVolts, 0)
	under := c.OptQuantity("under_range", unit.Current, loopLeast, loopGreatest, loopUnder)
	over := c.OptQuantity("over_range", unit.Current, loopLeast, loopGreatest, loopOver)
	if under >= over {
		key := "over_range"
		if !c.Has(key) {
			key = "under_range"
		}
		c.WrongValue(key, "an over_range above under_range; without them 3.6 mA and 21 mA")
	}
	p.UnderVolts, p.OverVolts = under*shunt, over*shunt
	corrections(c, p)
}

// ratiometric reads a gauge whose output is a share of its supply. The supply
// drops out where the converter measures against the same supply: its driver then
// sends ratios.
func ratiometric(c *strict.Table, p *chain.Params) {
	supply := c.Quantity("supply", unit.Voltage, 0.5, maxVolts)
	low := c.Quantity("ratio_1", unit.Ratio, 0, 1)
	p.Pa1 = c.Quantity("pressure_1", unit.Pressure, 0, maxPressure)
	high := c.Quantity("ratio_2", unit.Ratio, 0, 1)
	p.Pa2 = c.Quantity("pressure_2", unit.Pressure, 0, maxPressure)
	if c.Has("ratio_2") && low == high {
		c.WrongValue("ratio_2", "another share than ratio_1")
	}
	if c.Has("pressure_2") && p.Pa1 == p.Pa2 {
		c.WrongValue("pressure_2", "another pressure than pressure_1")
	}
	p.Volts1, p.Volts2 = low*supply, high*supply
	p.VoltsAccuracy = c.OptQuantity("supply_accuracy", unit.Ratio, 0, 0.5, 0)
	p.Divider = c.OptQuantity("divider", unit.Ratio, 0.01, 1000, 1)
	p.Reference = supply // of a converter that sends ratios
	bounds(c, p, unit.Ratio, 0, 1)
	p.UnderVolts, p.OverVolts = p.UnderVolts*supply, p.OverVolts*supply
	corrections(c, p)
}

// gauge reads what pressure gauges that are told by their volts have in common.
func gauge(c *strict.Table, p *chain.Params) {
	p.Divider = c.OptQuantity("divider", unit.Ratio, 0.01, 1000, 1)
	p.VoltsAccuracy = c.OptQuantity("divider_accuracy", unit.Ratio, 0, 0.5, 0)
	p.Reference = c.OptQuantity("reference", unit.Voltage, 0.1, maxVolts, 0)
	bounds(c, p, unit.Voltage, -maxVolts, maxVolts)
	corrections(c, p)
}

// bounds reads between what outputs the gauge's signal is a pressure.
func bounds(c *strict.Table, p *chain.Params, d unit.Dimension, least, greatest float64) {
	p.UnderVolts = c.OptQuantity("under_range", d, least, greatest, 0)
	p.OverVolts = c.OptQuantity("over_range", d, least, greatest, 0)
	switch under, over := c.Has("under_range"), c.Has("over_range"); {
	case under && !over:
		c.Wrong("under_range", "no over_range beside it", "both or neither")
	case over && !under:
		c.Wrong("over_range", "no under_range beside it", "both or neither")
	case under && p.UnderVolts >= p.OverVolts:
		c.WrongValue("over_range", "more than under_range")
	}
}

// corrections reads what is done with a gauge's pressure.
func corrections(c *strict.Table, p *chain.Params) {
	p.ZeroPa = c.OptQuantity("zero", unit.Pressure, -1000, 1000, 0)
	p.Span = c.OptQuantity("span", unit.Ratio, 0.5, 2, 1)
	p.GasDependent = c.OptBool("gas_dependent", false)
	p.AccuracyFraction = c.OptQuantity("accuracy", unit.Ratio, 0, 0.5, 0)
	p.AccuracyAbs = c.OptQuantity("accuracy_abs", unit.Pressure, 0, maxPressure, 0)
	frozen(c, p)
}

// frozen reads after what time the same code is not believed any more.
func frozen(c *strict.Table, p *chain.Params) {
	s := c.OptQuantity("frozen_after", unit.Duration, 0, 3600, 0)
	p.FrozenFor = time.Duration(math.Round(s * 1e9))
}

// rows reads the table of gauge volts and pressures.
func rows(c *strict.Table) [][2]float64 {
	volts := c.Quantities("volts", unit.Voltage, 2, maxRows)
	pa := c.Quantities("pressure", unit.Pressure, 2, maxRows)
	if volts == nil || pa == nil {
		return nil
	}
	if len(volts) != len(pa) {
		c.Wrong("pressure", fmt.Sprintf("%d pressures for %d voltages", len(pa), len(volts)), "as many pressures as volts")
		return nil
	}
	rising := pa[1] > pa[0]
	out := make([][2]float64, len(volts))
	for i := range volts {
		out[i] = [2]float64{volts[i], pa[i]}
		switch {
		case i > 0 && volts[i] <= volts[i-1]:
			c.Wrong("volts", unit.Format(volts[i], unit.Voltage)+" after "+unit.Format(volts[i-1], unit.Voltage), "rising voltages")
		case pa[i] <= 0 || pa[i] > maxPressure:
			c.Wrong("pressure", unit.Format(pa[i], unit.Pressure), "pressures above 0, to 1500 Torr")
		case i > 0 && (pa[i] == pa[i-1] || (pa[i] > pa[i-1]) != rising):
			c.Wrong("pressure", unit.Format(pa[i], unit.Pressure)+" after "+unit.Format(pa[i-1], unit.Pressure), "pressures that only rise or only fall")
		}
	}
	return out
}

// thermocouple reads what a thermocouple channel may say.
func thermocouple(c *strict.Table, p *chain.Params, r frame.Role) {
	types := []string{"B", "E", "J", "K", "N", "R", "S", "T"}
	if s := c.OptString("type", "", types...); slices.Contains(types, s) {
		p.Type = s[0]
	}
	p.Class = c.OptString("class", "", "IEC 1", "IEC 2", "IEC 3", "ASTM standard", "ASTM special")
	p.Mounting = c.OptQuantity("mounting", unit.TempDifference, 0, 100, 0)
	p.AccuracyAbs = c.OptQuantity("accuracy_abs", unit.TempDifference, 0, 50, 0)
	seconds := c.OptQuantity("lag", unit.Duration, lag.MinTau.Seconds(), lag.MaxTau.Seconds(), 0)
	p.Lag = time.Duration(math.Round(seconds * 1e9))
	p.LagAccuracy = c.OptQuantity("lag_accuracy", unit.Ratio, 0.001, 0.5, 0)
	if c.Has("lag_accuracy") && !c.Has("lag") {
		c.Wrong("lag_accuracy", "no lag beside it", "lag_accuracy only together with lag")
	}
	p.Seating = c.OptQuantity("seating", unit.Ratio, 0.5, 1, 0)
	usual := 0.0
	if r == frame.Glass {
		usual = glassRate
	}
	p.MaxRate = c.OptQuantity("max_rate", unit.TempRate, 0, 100, usual)
	frozen(c, p)
}

// keyOf is the key of bench.toml that sets a field of chain.Spec.
var keyOf = map[string]string{
	"Kind": "kind", "VoltsAt": "volts_at", "PaAt": "pressure_at", "VoltsPerDecade": "slope",
	"Volts1": "volts_1", "Pa1": "pressure_1", "Volts2": "volts_2", "Pa2": "pressure_2", "Table": "volts",
	"Divider": "divider", "Reference": "reference", "VoltsAccuracy": "divider_accuracy", "UnderVolts": "under_range", "OverVolts": "over_range",
	"ZeroPa": "zero", "Span": "span", "AccuracyFraction": "accuracy", "AccuracyAbs": "accuracy_abs",
	"Class": "class", "Type": "type", "Mounting": "mounting", "Lag": "lag", "LagAccuracy": "lag_accuracy", "Seating": "seating", "MaxRate": "max_rate", "FrozenFor": "frozen_after",
	"Ratio": "ratio", "Burden": "burden", "Bias": "bias", "CurrentAccuracy": "accuracy", "FloorAmps": "floor",
	"PrimarySide": "side", "TurnsRatio": "turns_ratio", "Magnetising": "magnetising", "MagnetisingAngle": "magnetising_angle",
}

// tryCalibration makes channel i's chain, to hear whether the calibration fits
// what the input gives.
func (p *parser) tryCalibration(i int, in drivers.Input) {
	c := p.bench.Channels[i]
	_, err := chain.New(c.Role.String(), c.Calibration, InputOf(in), p.bench.Mains)
	if err == nil {
		return
	}
	t := p.tables[i].OptTable("calibration")
	var fe *chain.FieldError
	if t != nil && errors.As(err, &fe) && keyOf[fe.Field] != "" {
		t.WrongValue(keyOf[fe.Field], fe.Allowed)
		return
	}
	p.tables[i].Wrong("calibration", "a calibration that does not fit the input", err.Error())
}

var kinds = map[drivers.Kind]string{
	drivers.Voltage: chain.Voltage, drivers.Ratio: chain.Ratio, drivers.Thermocouple: chain.Thermocouple,
	drivers.Temperature: chain.Temperature, drivers.Number: chain.Number, drivers.State: chain.State,
}

// InputOf tells calib what a driver says of an input; calib must not know
// drivers, so it has a type of its own.
func InputOf(in drivers.Input) chain.Input {
	return chain.Input{
		Kind: kinds[in.Kind], Unit: in.Unit, Scale: in.Scale, Offset: in.Offset, AuxScale: in.AuxScale,
		Integer: in.Integer, RawMin: in.RawMin, RawMax: in.RawMax, Interval: in.Interval,
		Waveform: in.Waveform, Linearised: in.Linearised, Sensitivity: in.Sensitivity, Type: in.Type,
		Acc: chain.Accuracy(in.Accuracy),
	}
}
