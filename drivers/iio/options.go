package iio

import (
	"fmt"
	"regexp"
	"slices"
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

// Kind is what a channel named as the kernel does ("voltage0-voltage1",
// "temp_ambient") measures: "voltage", "temp", "current", "pressure" or
// "humidityrelative". It is "" for what is no channel that this package reads.
func Kind(channel string) string {
	m := channelName.FindStringSubmatch(channel)
	if m == nil || reserved.MatchString(channel) {
		return ""
	}
	return m[1]
}

// Shared lists the files in a device's folder in one of which the kernel keeps an
// attribute of a channel, what: "scale", "offset". It may be the channel's own or
// that of all channels of its kind, of the differential ones first if it is one; the
// first file that there is counts. It is nil if Kind is "".
func Shared(channel, what string) []string {
	kind := Kind(channel)
	if kind == "" {
		return nil
	}
	m := channelName.FindStringSubmatch(channel)
	first, second, modifier := m[2], m[3], m[4]
	general := strings.TrimRight(second, "0123456789")
	var files []string
	for _, name := range [...]string{
		channel, kind + first + second, kind + general + modifier, kind + general, kind + modifier, kind,
	} {
		if file := "in_" + name + "_" + what; !slices.Contains(files, file) {
			files = append(files, file)
		}
	}
	return files
}

// triggerName keeps a file name out of the places it does not belong to.
var triggerName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_.:-]*$`)

// input is one input and what is known of it while the device is there.
type input struct {
	name      string       // "voltage0-voltage1"
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
		channel := strings.TrimPrefix(ic.Input, "in_")
		kind := Kind(channel)
		if kind == "" {
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
		info := sysattr.Describe(ic.Input, kind)
		info.Waveform = wave
		if info.Accuracy, err = sysattr.Accuracy(o, info.Kind, 0.01); err != nil {
			return nil, err
		}
		d.Info = append(d.Info, info)
		d.in = append(d.in, input{name: channel})
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
