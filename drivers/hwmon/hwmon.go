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
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
	"tipoff/drivers/sysattr"
)

func class() sysattr.Class {
	return sysattr.Class{
		Driver: "hwmon", Noun: "chip", Title: "hwmon chip", Dir: "sys/class/hwmon", Stem: "hwmon", Kinds: []string{"name"}, Example: "sht3x",
		Absent:   "the kernel knows no such chip: load its kernel module and its device-tree overlay, check the wiring",
		Disabled: "this kernel has no hardware monitoring, or no module of it is loaded: load the chip's kernel module",
	}
}

// Driver describes the kernel's monitoring chips for the registry.
func Driver() drivers.Driver { return At("/") }

// At is Driver with another root directory in which sys is looked for.
func At(root string) drivers.Driver {
	return drivers.Driver{
		Name:    "hwmon",
		Summary: "temperatures, voltages, currents and humidity of the kernel's hardware monitoring (hwmon)",
		Bus:     "kernel",
		Options: []drivers.Option{
			{Key: "rate", Allowed: "0.1/s to 20/s", Default: "2/s", Doc: "readings per second; most of these chips convert once or twice a second"},
			{Key: "accuracy", Allowed: "a percentage, or V or mV for a voltage, °C for a temperature", Default: "", Doc: "error limit of the chip, ±; 2 °C or 2 % is assumed if not given"},
		},
		Open: func(_ drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
			return open(root, c, cfg)
		},
	}
}

// Dev is one chip. It implements drivers.Source.
type Dev struct {
	sysattr.Polled
	in []input
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
	d := &Dev{Polled: sysattr.Polled{
		Place: sysattr.Place{Class: class(), Root: root, Bus: cfg.Bus, Address: cfg.Address}, Clock: c, Gone: sysattr.Gone,
	}}
	d.Device = d
	if err := d.Check(); err != nil {
		return nil, err
	}
	if len(cfg.Inputs) == 0 {
		return nil, fmt.Errorf("hwmon: no input is used: %w", drivers.BadConfig)
	}
	desc := At(root)
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
		if p := bus.Period(rate); d.Period == 0 || p < d.Period {
			d.Period = p // the fastest that any input asks for
		}
		info := sysattr.Describe(ic.Input, m[1])
		if info.Accuracy, err = sysattr.Accuracy(o, info.Kind, 0.02); err != nil {
			return nil, err
		}
		d.Info = append(d.Info, info)
		d.in = append(d.in, input{kind: m[1], number: m[2], label: m[3]})
	}
	for i := range d.Info {
		d.Info[i].Interval = d.Period
	}
	return d, nil
}

// Open implements sysattr.Reader.
func (d *Dev) Open(dir string) error {
	for i := range d.in {
		if err := d.prepare(dir, &d.in[i]); err != nil {
			return err
		}
	}
	return nil
}

// Shut implements sysattr.Reader.
func (d *Dev) Shut() {
	for i := range d.in {
		d.in[i].value.Close()
		d.in[i].fault.Close()
	}
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
		return d.Fail("opening input "+filepath.Base(stem), err)
	}
	err := in.fault.Open(stem + "_fault")
	in.hasFault = err == nil
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return d.Fail("opening the fault file of "+filepath.Base(stem), err)
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
	return d.Misfit("looking for input "+in.kind+in.number+in.label, drivers.BadConfig, err, "the chip has these inputs: "+strings.Join(list, ", "))
}

// One implements sysattr.Reader.
func (d *Dev) One(i int) (drivers.Sample, error) {
	in := &d.in[i]
	s := drivers.Sample{Aux: math.NaN(), Input: uint8(i), Fault: d.Flag}
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
	if err != nil && (s.Fault&drivers.OpenCircuit == 0 || d.Gone(err)) {
		return s, err
	}
	s.Raw, s.At = v, d.Clock.Now()
	return s, nil
}
