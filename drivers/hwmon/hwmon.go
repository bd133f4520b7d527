// Package hwmon reads the kernel's hardware monitoring chips: temperatures,
// voltages, currents and humidity that appear below /sys/class/hwmon.
//
// The kernel numbers the chips anew at each start, so a chip is best named by
// what its file name says ("name:sht3x"), and an input by its number ("temp1")
// or its label ("temp:Ambient").
//
// Raw is what the kernel prints: thousandths of a degree, millivolts,
// milliamperes, thousandths of a percent. A tempN_fault of 1 marks the reading
// as an open circuit.
//
// # Sources
//
// Linux Documentation/hwmon/sysfs-interface.rst (names, units, fault files).
package hwmon

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
	"tipoff/drivers/sysattr"
)

const absent = "the kernel knows no such chip: load its kernel module and its device-tree overlay, check the wiring"

// Driver describes the kernel's monitoring chips for the registry.
func Driver() drivers.Driver { return At("/") }

// At is Driver with another root directory in which sys is looked for.
func At(root string) drivers.Driver {
	d := describe()
	d.Open = func(_ drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
		return open(root, c, cfg)
	}
	return d
}

func describe() drivers.Driver {
	return drivers.Driver{
		Name:    "hwmon",
		Summary: "temperatures, voltages, currents and humidity of the kernel's hardware monitoring (hwmon)",
		Bus:     "kernel",
		Options: []drivers.Option{
			{Key: "rate", Allowed: "0.1/s to 20/s", Default: "2/s", Doc: "readings per second; most of these chips convert once or twice a second"},
			{Key: "accuracy", Allowed: "a percentage, or V or mV for a voltage, °C for a temperature", Default: "", Doc: "error limit of the chip, ±; 2 °C or 2 % is assumed if not given"},
		},
	}
}

// Dev is one chip. It implements drivers.Source.
type Dev struct {
	root, bus, address string
	clock              clock.Clock
	info               []drivers.Input
	in                 []input
	period             time.Duration
	started, closed    bool
	ready              time.Duration
	flag               drivers.Fault    // for the next samples
	gone               func(error) bool // sysattr.Gone; no file system that tests can make says ENODEV
}

type input struct {
	kind, label  string
	number       string // "" if it is found by label
	value, fault sysattr.File
	hasFault     bool
}

var _ drivers.Source = (*Dev)(nil)

// inputName is a kind with a number, or with a colon and a label.
var inputName = regexp.MustCompile(`^(temp|in|curr|humidity)(?:([0-9]{1,3})|:([^/\x00]+))$`)

func open(root string, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
	d := &Dev{root: root, bus: cfg.Bus, address: cfg.Address, clock: c, gone: sysattr.Gone}
	if err := d.checkPlace(); err != nil {
		return nil, err
	}
	if len(cfg.Inputs) == 0 {
		return nil, fmt.Errorf("hwmon: no input is used: %w", drivers.BadConfig)
	}
	desc := describe()
	for _, ic := range cfg.Inputs {
		m := inputName.FindStringSubmatch(ic.Input)
		if m == nil {
			return nil, fmt.Errorf(`hwmon: unknown input %q, allowed are temp, in, curr or humidity with a number or a label: "temp1", "temp:Ambient": %w`, ic.Input, drivers.BadConfig)
		}
		o, err := bus.NewOptions(desc, ic)
		if err != nil {
			return nil, err
		}
		rate, err := o.Number("rate", "/s")
		if err != nil || rate < 0.1 || rate > 20 {
			return nil, o.Wrong("rate")
		}
		if p := bus.Period(rate); d.period == 0 || p < d.period {
			d.period = p // the fastest that any input asks for
		}
		info := sysattr.Describe(ic.Input, m[1])
		if info.Accuracy, err = sysattr.Accuracy(o, info.Kind, 0.02); err != nil {
			return nil, err
		}
		d.info = append(d.info, info)
		d.in = append(d.in, input{kind: m[1], number: m[2], label: m[3]})
	}
	for i := range d.info {
		d.info[i].Interval = d.period
	}
	return d, nil
}

func (d *Dev) checkPlace() error {
	name, named := strings.CutPrefix(d.address, "name:")
	switch {
	case d.bus == "" && d.address == "":
		return fmt.Errorf(`hwmon: no chip is named, allowed is: address = "name:sht3x" or bus = "/sys/class/hwmon/hwmon0": %w`, drivers.BadConfig)
	case d.address != "" && (!named || name == ""):
		return fmt.Errorf(`hwmon: address = %q, allowed is: "name:" and what the chip's file name says: %w`, d.address, drivers.BadConfig)
	case d.bus != "" && (!strings.HasPrefix(d.bus, "/sys/") || filepath.Clean(d.bus) != d.bus):
		return fmt.Errorf(`hwmon: bus = %q, allowed is: the path of a chip such as "/sys/class/hwmon/hwmon0": %w`, d.bus, drivers.BadConfig)
	}
	return nil
}

// String implements drivers.Source.
func (d *Dev) String() string {
	return "hwmon chip " + strings.TrimSpace(d.bus+" "+d.address)
}

// Inputs implements drivers.Source.
func (d *Dev) Inputs() []drivers.Input { return d.info }

func (d *Dev) fail(doing string, err error) error {
	return sysattr.Fail(d.String(), doing, err, absent)
}

// Start implements drivers.Source.
func (d *Dev) Start(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if d.closed {
		return d.fail("starting", os.ErrClosed)
	}
	d.flag = 0
	return d.attach()
}

// attach finds the chip and opens what is read from it.
func (d *Dev) attach() error {
	d.detach()
	dir, err := d.find()
	if err != nil {
		return err
	}
	for i := range d.in {
		if err := d.prepare(dir, &d.in[i]); err != nil {
			d.detach()
			return err
		}
	}
	d.started, d.ready = true, d.clock.Now()
	return nil
}

func (d *Dev) detach() {
	d.started = false
	for i := range d.in {
		d.in[i].value.Close()
		d.in[i].fault.Close()
	}
}

// find gives the chip's directory.
func (d *Dev) find() (string, error) {
	const doing = "looking for it"
	want, named := strings.CutPrefix(d.address, "name:")
	if d.bus != "" {
		dir := filepath.Join(d.root, d.bus)
		got, err := sysattr.Read(filepath.Join(dir, "name"))
		if err != nil {
			return "", d.fail(doing, err)
		}
		if named && got != want {
			return "", &drivers.Error{Device: d.String(), Doing: doing, Is: drivers.WrongDevice, Err: fmt.Errorf("its name is %q", got),
				Hint: "the kernel numbers chips anew at each start: leave bus out and name the chip by address alone"}
		}
		return dir, nil
	}
	all, _ := filepath.Glob(filepath.Join(d.root, "sys/class/hwmon/hwmon*")) // fails for a wrong pattern only
	var found []string
	for _, dir := range all {
		if got, err := sysattr.Read(filepath.Join(dir, "name")); err == nil && got == want {
			found = append(found, dir)
		}
	}
	switch len(found) {
	case 0:
		return "", d.fail(doing, os.ErrNotExist)
	case 1:
		return found[0], nil
	}
	return "", &drivers.Error{Device: d.String(), Doing: doing, Is: drivers.BadConfig,
		Err: fmt.Errorf("%d chips have this name", len(found)), Hint: "tell them apart by bus"}
}

// prepare finds an input's files.
func (d *Dev) prepare(dir string, in *input) error {
	stem := filepath.Join(dir, in.kind+in.number)
	if in.number == "" {
		labels, _ := filepath.Glob(filepath.Join(dir, in.kind+"[0-9]*_label"))
		stem = ""
		for _, l := range labels {
			if got, err := sysattr.Read(l); err == nil && got == in.label {
				stem = strings.TrimSuffix(l, "_label")
			}
		}
		if stem == "" {
			return d.noInput(dir, in, os.ErrNotExist)
		}
	}
	if err := in.value.Open(stem + "_input"); errors.Is(err, os.ErrNotExist) {
		return d.noInput(dir, in, err)
	} else if err != nil {
		return d.fail("opening input "+filepath.Base(stem), err)
	}
	err := in.fault.Open(stem + "_fault")
	in.hasFault = err == nil
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return d.fail("opening the fault file of "+filepath.Base(stem), err)
	}
	return nil
}

// noInput tells which inputs the chip has, by number and label.
func (d *Dev) noInput(dir string, in *input, err error) error {
	files, _ := filepath.Glob(filepath.Join(dir, "*_input"))
	list := []string{}
	for _, f := range files {
		stem := strings.TrimSuffix(f, "_input")
		name := filepath.Base(stem)
		if label, err := sysattr.Read(stem + "_label"); err == nil {
			name += " (" + label + ")"
		}
		list = append(list, name)
	}
	return &drivers.Error{Device: d.String(), Doing: "looking for input " + in.kind + in.number + in.label,
		Is: drivers.BadConfig, Err: err, Hint: "the chip has these inputs: " + strings.Join(list, ", ")}
}

// Read implements drivers.Source.
func (d *Dev) Read(ctx context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	now := d.clock.Now()
	if err := ctx.Err(); err != nil {
		return 0, now, err
	}
	if !d.started {
		return 0, now, &drivers.Error{Device: d.String(), Doing: "reading", Is: drivers.Transient, Err: errors.New("not started")}
	}
	if now < d.ready {
		return 0, d.ready, nil
	}
	d.ready = max(d.ready+d.period, now)
	n, err := d.poll(dst)
	if d.gone(err) && d.attach() == nil {
		// It was unplugged and is back, perhaps under another number.
		d.flag, d.ready = drivers.Restored, now+d.period
		n, err = d.poll(dst)
	}
	return n, d.ready, err
}

// poll reads each input once. One that fails does not keep the others away.
func (d *Dev) poll(dst []drivers.Sample) (n int, err error) {
	for i := range d.in {
		s, e := d.one(i)
		if e != nil {
			if err == nil {
				err = d.fail("reading input "+d.info[i].Name, e)
			}
			continue
		}
		dst[n] = s
		n++
	}
	if n > 0 {
		d.flag = 0
	}
	return n, err
}

func (d *Dev) one(i int) (drivers.Sample, error) {
	in := &d.in[i]
	s := drivers.Sample{Aux: math.NaN(), Input: uint8(i), Fault: d.flag}
	if in.hasFault {
		f, err := in.fault.Number()
		if err != nil {
			return s, err
		}
		if f != 0 {
			s.Fault |= drivers.OpenCircuit
		}
	}
	v, err := in.value.Number()
	if err != nil && (s.Fault&drivers.OpenCircuit == 0 || d.gone(err)) {
		return s, err
	}
	s.Raw, s.At = v, d.clock.Now()
	return s, nil
}

// Close implements drivers.Source.
func (d *Dev) Close() error {
	d.closed = true
	d.detach()
	return nil
}
