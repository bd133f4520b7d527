package iio

import (
	"fmt"
	"regexp"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
	"tipoff/drivers/sysattr"
)

// Driver describes the kernel's IIO devices for the registry.
func Driver() drivers.Driver { return At("/") }

// At is Driver with another root directory in which sys and dev are looked for,
// as tests and containers need it.
func At(root string) drivers.Driver {
	return drivers.Driver{
		Name:    "iio",
		Summary: "converter or thermometer that the Linux kernel drives (Industrial I/O)",
		Bus:     "kernel",
		Options: []drivers.Option{
			{Key: "waveform", Allowed: "yes, no", Default: "no", Doc: "yes captures the whole device by the kernel's buffer, fast enough for mains cycles"},
			{Key: "rate", Allowed: "0.1/s to 100/s, with waveform 10/s to 50000/s", Default: "", Doc: "readings per second; 10/s, with waveform 1000/s, if not given"},
			{Key: "trigger", Allowed: "the name of an IIO trigger", Default: "", Doc: "what times the capture of a waveform, for devices that need it; not given: as the system has it"},
			{Key: "accuracy", Allowed: "a percentage, or V or mV for a voltage, °C for a temperature", Default: "", Doc: "error limit of the device, ±; 1 % or 2 °C is assumed if not given"},
		},
		Open: func(_ drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
			return open(root, c, cfg)
		},
	}
}

// channelName is a channel of the ABI without its direction: type, number, a
// second channel of a differential pair, modifier.
var channelName = regexp.MustCompile(`^(voltage|temp|current|pressure|humidityrelative)([0-9]{0,3})(-(?:voltage|temp|current)[0-9]{1,3})?((?:_[a-z0-9]+)*)$`)

// reserved are endings that name an attribute and not a channel.
var reserved = regexp.MustCompile(`_(raw|input|scale|offset|en|type|index|label)$`)

// triggerName keeps a file name out of the places it does not belong to.
var triggerName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_.:-]*$`)

// input is one input and what is known of it while the device is there.
type input struct {
	name      string       // "voltage0-voltage1"
	kind      string       // "voltage"
	first     string       // "0"
	second    string       // "-voltage1"
	modifier  string       // "_ambient"
	value     sysattr.File // open while polled
	processed bool         // value is _input, not _raw
	element   element      // in the scan, while captured
	low, high float64      // rails of the code, equal if unknown
	scale     float64
	offset    float64
}

const defaultRate, defaultCapture = 10, 1000

func open(root string, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
	d := &Dev{rate: defaultRate, Polled: sysattr.Polled{
		Place: sysattr.Place{Class: class(), Root: root, Bus: cfg.Bus, Address: cfg.Address}, Clock: c, Gone: sysattr.Gone,
	}}
	d.Device = d
	if err := d.Check(); err != nil {
		return nil, err
	}
	if len(cfg.Inputs) == 0 {
		return nil, fmt.Errorf("iio: no input is used: %w", drivers.BadConfig)
	}
	desc := At(root)
	var given string
	for _, ic := range cfg.Inputs {
		m := channelName.FindStringSubmatch(strings.TrimPrefix(ic.Input, "in_"))
		if m == nil || reserved.MatchString(ic.Input) {
			return nil, fmt.Errorf(`iio: unknown input %q, allowed is a channel as the kernel names it, such as "voltage0", "voltage0-voltage1", "temp", "temp_ambient": %w`, ic.Input, drivers.BadConfig)
		}
		o, err := bus.NewOptions(desc, ic)
		if err != nil {
			return nil, err
		}
		wave, err := o.YesNo("waveform")
		if err != nil {
			return nil, err
		}
		d.buffered = d.buffered || wave
		if t := o.Word("trigger"); t != "" {
			if !triggerName.MatchString(t) {
				return nil, o.Wrong("trigger")
			}
			d.trigger = t
		}
		if r := o.Word("rate"); r != "" {
			if given != "" && r != given {
				return nil, fmt.Errorf("iio input %q: option rate = %q where another input of the device has %q, allowed is: one rate for a device: %w", ic.Input, r, given, drivers.BadConfig)
			}
			given = r
			if d.rate, err = o.Number("rate", "/s"); err != nil {
				return nil, err
			}
		}
		info := sysattr.Describe(ic.Input, m[1])
		info.Waveform = wave
		if info.Accuracy, err = sysattr.Accuracy(o, info.Kind, 0.01); err != nil {
			return nil, err
		}
		d.Info = append(d.Info, info)
		d.in = append(d.in, input{name: m[0], kind: m[1], first: m[2], second: m[3], modifier: m[4]})
	}
	return d, d.setRate(given)
}

// setRate checks the rate, now that it is known whether the device is captured.
func (d *Dev) setRate(given string) error {
	low, high := 0.1, 100.0
	if d.buffered {
		low, high = 10, 50000
		if given == "" {
			d.rate = defaultCapture
		}
	}
	if d.rate < low || d.rate > high {
		return fmt.Errorf("iio: option rate = %q, allowed is: %v/s to %v/s: %w", given, low, high, drivers.BadConfig)
	}
	d.Period = bus.Period(d.rate)
	for i := range d.Info {
		d.Info[i].Interval = d.Period
	}
	return nil
}

// silent is how long a capture may bring nothing.
func (d *Dev) silent() time.Duration { return max(time.Second, 10*d.Period) }
