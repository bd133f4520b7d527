package serialgauge

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
	"tipoff/drivers/serialport"
)

const name = "serial-gauge"

// Driver describes the instruments for the registry.
func Driver() drivers.Driver { return Over(serialport.Open) }

// Over is Driver over lines that open gives.
func Over(open serialport.Opener) drivers.Driver {
	return drivers.Driver{
		Name:    name,
		Summary: "gauge or meter that sends its reading as text on a serial port, asked or by itself; name the port as /dev/serial/by-id/…",
		Bus:     "serial",
		Inputs:  []string{""},
		Options: append([]drivers.Option{
			{Key: "query", Allowed: `text with \r, \n, \t, \\ and \x1b, 64 bytes at most`, Default: "", Doc: "what to send for a reading; without it the instrument sends by itself"},
			{Key: "pattern", Allowed: "a regular expression (RE2) with one group, which is the number, or with two, (?P<value>…) and (?P<exponent>…)", Default: `([-+]?[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)`, Doc: "what a line looks like"},
			{Key: "terminator", Allowed: `text with \r, \n, \t, \\ and \x03, or "any" for \r or \n`, Default: "any", Doc: "what ends a line"},
			{Key: "scale", Allowed: "a factor, not 0", Default: "1", Doc: "what 1 in the text is in `unit`"},
			{Key: "unit", Allowed: "a unit such as Torr, °C, mA, V", Default: "", Doc: "unit of the number; V and mV are calibrated like a converter's volts"},
			{Key: "period", Allowed: "20 ms to 10 s", Default: "500 ms", Doc: "time between questions, or about how often the instrument sends"},
			{Key: "timeout", Allowed: "50 ms to 10 s", Default: "1 s", Doc: "after this long without a reading the instrument counts as silent"},
		}, serialport.Options(serialport.Mode{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1})...),
		Open: func(_ drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
			return openDev(open, c, cfg)
		},
	}
}

func openDev(open serialport.Opener, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
	if len(cfg.Inputs) != 1 {
		return nil, fmt.Errorf("%s: it has one input, %d channels use it: %w", name, len(cfg.Inputs), drivers.BadConfig)
	}
	desc, ic := Over(open), cfg.Inputs[0]
	if _, err := bus.Input(desc, ic.Input); err != nil {
		return nil, err
	}
	if cfg.Address != "" {
		return nil, fmt.Errorf("%s: address = %q, allowed is: none, a port has one instrument: %w", name, cfg.Address, drivers.BadConfig)
	}
	o, err := bus.NewOptions(desc, ic)
	if err != nil {
		return nil, err
	}
	d := &Dev{clock: c, open: open, port: cfg.Bus, name: "serial gauge on " + cfg.Bus}
	// bus.Options trims spaces, which a query may end in.
	if d.query, err = unescape(ic.Options["query"]); err != nil || len(d.query) > 64 {
		return nil, o.Wrong("query")
	}
	if t := o.Word("terminator"); t != "any" {
		if d.end, err = unescape(ic.Options["terminator"]); err != nil || len(d.end) == 0 || len(d.end) > 8 {
			return nil, o.Wrong("terminator")
		}
	}
	// Package regexp sets the limits of what is a pattern; see matcher.
	re, err := regexp.Compile(o.Word("pattern"))
	if err != nil {
		return nil, o.Wrong("pattern")
	}
	switch value, exponent := re.SubexpIndex("value"), re.SubexpIndex("exponent"); {
	case re.NumSubexp() == 1 && exponent < 0:
		d.exponent = -1
	case re.NumSubexp() == 2 && value > 0 && exponent > 0:
		d.value, d.exponent = value-1, exponent-1
	default:
		return nil, o.Wrong("pattern")
	}
	if d.match, err = newMatcher(o.Word("pattern")); err != nil {
		return nil, o.Wrong("pattern")
	}
	if d.period, err = serialport.Duration(o, "period", 20*time.Millisecond, 10*time.Second); err != nil {
		return nil, err
	}
	if d.timeout, err = serialport.Duration(o, "timeout", 50*time.Millisecond, 10*time.Second); err != nil {
		return nil, err
	}
	scale, err := serialport.Scale(o, "scale")
	if err != nil {
		return nil, err
	}
	if d.mode, err = serialport.ReadMode(o); err != nil {
		return nil, err
	}
	in := serialport.Number(o.Word("unit"), scale)
	in.Interval = d.period
	in.Accuracy.Source = "the instrument's own data sheet: state it in the channel's calibration"
	d.info = []drivers.Input{in}
	return d, nil
}

var errEscape = errors.New("an escape that is not known")

// unescape reads \r, \n, \t, \\, \" and \xNN.
func unescape(s string) ([]byte, error) {
	var out []byte
	for len(s) > 0 {
		c := s[0]
		s = s[1:]
		if c != '\\' {
			out = append(out, c)
			continue
		}
		if s == "" {
			return nil, errEscape
		}
		e := s[0]
		s = s[1:]
		if i := strings.IndexByte(`rnt\"`, e); i >= 0 {
			out = append(out, "\r\n\t\\\""[i])
			continue
		}
		if e != 'x' || len(s) < 2 {
			return nil, errEscape
		}
		h, l := hexDigit(s[0]), hexDigit(s[1])
		if h < 0 || l < 0 {
			return nil, errEscape
		}
		out = append(out, byte(h<<4|l))
		s = s[2:]
	}
	return out, nil
}

func hexDigit(c byte) int {
	switch {
	case c >= '0' && c <= '9':
		return int(c - '0')
	case c >= 'a' && c <= 'f':
		return int(c-'a') + 10
	case c >= 'A' && c <= 'F':
		return int(c-'A') + 10
	}
	return -1
}
