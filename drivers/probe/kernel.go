package probe

import (
	"context"
	"path"
	"regexp"
	"slices"
	"strings"
	"time"

	"tipoff/drivers/sysattr"
)

// attribute is one number of the kernel's and how to take it.
type attribute struct {
	file          string
	unit          string
	scale, offset float64
	device        *KernelDevice
	input         int
	tally         tally
}

// How the kernel names inputs, and what their number means: IIO's processed and
// scaled values are mV, m°C, mA, kPa and milli-percent; hwmon's mV, m°C, mA and
// milli-percent.
var (
	iioValue   = regexp.MustCompile(`^in_(voltage|temp|current|pressure|humidityrelative)([0-9]*(?:-[a-z]+[0-9]+)?(?:_[a-z0-9]+)*?)_(raw|input)$`)
	hwmonValue = regexp.MustCompile(`^(temp|in|curr|humidity)([0-9]+)_input$`)
)

var kernelUnits = map[string]struct {
	unit  string
	scale float64
}{
	"voltage": {"V", 1e-3}, "temp": {"°C", 1e-3}, "current": {"A", 1e-3}, "pressure": {"kPa", 1}, "humidityrelative": {"%", 1e-3},
	"in": {"V", 1e-3}, "curr": {"A", 1e-3}, "humidity": {"%", 1e-3},
}

// kernel lists what drivers of the kernel read and reads it for a while, all at
// the same time.
func (l *look) kernel(ctx context.Context) error {
	iio, hwmon := l.glob("sys/bus/iio/devices/iio:device*"), l.glob("sys/class/hwmon/hwmon*")
	// Attributes point into these, so they must not move.
	l.report.IIO, l.report.HWMon = make([]KernelDevice, len(iio)), make([]KernelDevice, len(hwmon))
	var all []*attribute
	for i, dir := range iio {
		all = append(all, l.device(dir, &l.report.IIO[i], l.iioAttribute)...)
	}
	for i, dir := range hwmon {
		all = append(all, l.device(dir, &l.report.HWMon[i], l.hwmonAttribute)...)
	}
	if len(all) == 0 {
		return nil
	}
	const every = 100 * time.Millisecond
	end := l.Clock.Now() + l.opt.Time
	for next := l.Clock.Now(); next < end; {
		for _, a := range all {
			if v, ok := sysattr.ParseNumber([]byte(l.text(a.file))); ok {
				a.tally.add(v)
			}
		}
		next = max(next+every, l.Clock.Now())
		if err := l.Clock.SleepUntil(ctx, next); err != nil {
			return err
		}
	}
	for _, a := range all {
		a.device.Inputs[a.input].Reading = a.tally.reading(a.unit, a.scale, a.offset, 0)
	}
	return nil
}

// device lists a device's inputs.
func (l *look) device(dir string, d *KernelDevice, known func(dir, file string) (*attribute, Input)) []*attribute {
	*d = KernelDevice{Path: "/" + dir, Name: l.text(dir + "/name"), Inputs: []Input{}}
	var all []*attribute
	for _, p := range l.glob(dir + "/*") {
		a, in := known(dir, path.Base(p))
		if a == nil || slices.ContainsFunc(d.Inputs, func(o Input) bool { return o.Name == in.Name }) {
			continue // a channel that has both a raw and a processed number
		}
		a.device, a.input = d, len(d.Inputs)
		d.Inputs = append(d.Inputs, in)
		all = append(all, a)
	}
	return all
}

func (l *look) iioAttribute(dir, file string) (*attribute, Input) {
	m := iioValue.FindStringSubmatch(file)
	if m == nil {
		return nil, Input{}
	}
	u := kernelUnits[m[1]]
	a := &attribute{file: dir + "/" + file, unit: u.unit, scale: u.scale}
	if m[3] == "raw" {
		// A channel's own scale, else that of all channels of its kind.
		a.scale *= l.number(1, dir+"/in_"+m[1]+m[2]+"_scale", dir+"/in_"+m[1]+"_scale")
		a.offset = l.number(0, dir+"/in_"+m[1]+m[2]+"_offset", dir+"/in_"+m[1]+"_offset")
	}
	return a, Input{Name: m[1] + m[2], Pin: file}
}

func (l *look) hwmonAttribute(dir, file string) (*attribute, Input) {
	m := hwmonValue.FindStringSubmatch(file)
	if m == nil {
		return nil, Input{}
	}
	u := kernelUnits[m[1]]
	return &attribute{file: dir + "/" + file, unit: u.unit, scale: u.scale},
		Input{Name: m[1] + m[2], Pin: file, To: l.text(dir + "/" + strings.TrimSuffix(file, "_input") + "_label")}
}

// number is that in the first of the files that holds one, else missing.
func (l *look) number(missing float64, files ...string) float64 {
	for _, f := range files {
		if v, ok := sysattr.ParseNumber([]byte(l.text(f))); ok {
			return v
		}
	}
	return missing
}
