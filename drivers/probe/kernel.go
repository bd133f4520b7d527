package probe

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/iio"
	"tipoff/drivers/sysattr"
)

// attribute is one number of the kernel's and how to take it.
type attribute struct {
	file   string
	means  drivers.Input
	device *KernelDevice
	input  int
	tally  tally
}

// hwmonValue is how hwmon names its inputs.
var hwmonValue = regexp.MustCompile(`^(temp|in|curr|humidity)([0-9]{1,3})_input$`)

// kernel lists what drivers of the kernel read and reads it for a while, all at
// the same time.
func (l *look) kernel(ctx context.Context) error {
	converters, monitors := l.glob("sys/bus/iio/devices/iio:device*"), l.glob("sys/class/hwmon/hwmon*")
	// Attributes point into these, so they must not move.
	l.report.IIO, l.report.HWMon = make([]KernelDevice, len(converters)), make([]KernelDevice, len(monitors))
	var all []*attribute
	for i, dir := range converters {
		all = append(all, l.device(dir, &l.report.IIO[i], l.iioAttribute)...)
	}
	for i, dir := range monitors {
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
		a.device.Inputs[a.input].Reading = a.tally.reading(a.means)
	}
	return nil
}

// device lists a device's inputs. known gives the attribute to read beside one,
// nil if what it would read has no meaning, and no name for a file that is none.
func (l *look) device(dir string, d *KernelDevice, known func(dir, file string) (*attribute, Input)) []*attribute {
	*d = KernelDevice{Path: "/" + dir, Name: l.text(dir + "/name"), Inputs: []Input{}}
	var all []*attribute
	for _, p := range l.glob(dir + "/*") {
		a, in := known(dir, path.Base(p))
		if in.Name == "" || slices.ContainsFunc(d.Inputs, func(o Input) bool { return o.Name == in.Name }) {
			continue // no input, or one by two names
		}
		if a != nil {
			a.device, a.input = d, len(d.Inputs)
			all = append(all, a)
		}
		d.Inputs = append(d.Inputs, in)
	}
	return all
}

func (l *look) iioAttribute(dir, file string) (*attribute, Input) {
	channel, ok := strings.CutPrefix(file, "in_")
	channel, processed := strings.CutSuffix(channel, "_input")
	channel, raw := strings.CutSuffix(channel, "_raw")
	kind := iio.Kind(channel)
	if !ok || processed == raw || kind == "" {
		return nil, Input{}
	}
	if processed { // of a channel that has both numbers the driver takes the raw one
		if _, err := fs.Stat(l.Root, dir+"/in_"+channel+"_raw"); err == nil {
			return nil, Input{}
		}
	}
	in := Input{Name: channel, Pin: file}
	a := &attribute{file: dir + "/" + file, means: sysattr.Describe(channel, kind)}
	if raw {
		scale, err := l.shared(dir, channel, "scale")
		if err != nil {
			return nil, in
		}
		offset, err := l.shared(dir, channel, "offset")
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, in
		}
		a.means.Scale *= scale
		a.means.Offset = offset
	}
	return a, in
}

func (l *look) hwmonAttribute(dir, file string) (*attribute, Input) {
	m := hwmonValue.FindStringSubmatch(file)
	if m == nil {
		return nil, Input{}
	}
	name := m[1] + m[2]
	return &attribute{file: dir + "/" + file, means: sysattr.Describe(name, m[1])},
		Input{Name: name, Pin: file, To: l.text(dir + "/" + name + "_label")}
}

// shared reads an attribute of an IIO channel where the driver iio would find it;
// fs.ErrNotExist if there is none.
func (l *look) shared(dir, channel, what string) (float64, error) {
	for _, file := range iio.Shared(channel, what) {
		b, err := fs.ReadFile(l.Root, dir+"/"+file)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return 0, err
		}
		v, ok := sysattr.ParseNumber(bytes.TrimSpace(b))
		if !ok {
			return 0, fmt.Errorf("%s reads %q, which is not a number", file, b)
		}
		return v, nil
	}
	return 0, fs.ErrNotExist
}
