package iio

import (
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/sysattr"
)

func class() sysattr.Class {
	return sysattr.Class{
		Driver: "iio", Noun: "device", Title: "IIO device", Dir: "sys/bus/iio/devices", Stem: "iio:device", Kinds: []string{"name", "label"}, Example: "ads1015",
		Absent:   "the kernel knows no such device: load the chip's kernel module and its device-tree overlay, check the wiring",
		Disabled: "this kernel has no Industrial I/O, or no module of it is loaded: load the chip's kernel module",
	}
}

// Dev is one IIO device. It implements drivers.Source.
type Dev struct {
	sysattr.Polled
	in       []input
	buffered bool
	rate     float64
	trigger  string

	dir     string // of the device while it is there
	lost    int
	capture capture
}

var _ drivers.Source = (*Dev)(nil)

// SettingsLost counts how often a capture was found switched off.
func (d *Dev) SettingsLost() int { return d.lost }

// Open implements sysattr.Reader.
func (d *Dev) Open(dir string) error {
	d.dir = dir
	for i := range d.in {
		if err := d.prepare(&d.in[i]); err != nil {
			return err
		}
	}
	if d.buffered {
		return d.begin()
	}
	return nil
}

// Shut implements sysattr.Reader.
func (d *Dev) Shut() {
	for i := range d.in {
		d.in[i].value.Close()
	}
	d.capture.close()
}

// prepare finds an input's attributes.
func (d *Dev) prepare(in *input) error {
	doing := "opening input " + in.name
	in.scale, in.offset, in.processed, in.low, in.high = 1, 0, false, 0, 0
	channel := filepath.Join(d.dir, "in_"+in.name)
	if !d.buffered {
		err := in.value.Open(channel + "_raw")
		if errors.Is(err, os.ErrNotExist) {
			in.processed = true
			if e := in.value.Open(channel + "_input"); e == nil {
				return nil
			} else if !errors.Is(e, os.ErrNotExist) {
				err = e
			}
		}
		if errors.Is(err, os.ErrNotExist) {
			return d.Misfit(doing, drivers.BadConfig, err,
				"the device has these inputs: "+d.list())
		}
		if err != nil {
			return d.Fail(doing, err)
		}
	}
	var err error
	if in.scale, err = d.shared(in, "scale"); err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return d.Misfit(doing, drivers.BadConfig, err,
				"the kernel's driver tells no scale for this input, so its numbers can not be turned into a quantity")
		}
		return d.Fail(doing, err)
	}
	if in.offset, err = d.shared(in, "offset"); err != nil && !errors.Is(err, os.ErrNotExist) {
		return d.Fail(doing, err)
	}
	if text, err := sysattr.Read(filepath.Join(d.scanDir(), "in_"+in.name+"_type")); err == nil {
		if t, err := parseType(text); err == nil {
			in.low, in.high = t.rails()
		}
	}
	return nil
}

// shared reads an attribute of an input, or the one that inputs of its kind have
// in common; os.ErrNotExist if there is neither.
func (d *Dev) shared(in *input, what string) (v float64, err error) {
	for _, file := range Shared(in.name, what) {
		v, err = sysattr.Number(filepath.Join(d.dir, file))
		if !errors.Is(err, os.ErrNotExist) {
			return v, err
		}
	}
	return 0, err
}

// list names the inputs that the device has.
func (d *Dev) list() string {
	var names []string
	for _, pattern := range [...]string{"_raw", "_input"} {
		files, _ := filepath.Glob(filepath.Join(d.dir, "in_*"+pattern))
		for _, f := range files {
			name := strings.TrimSuffix(strings.TrimPrefix(filepath.Base(f), "in_"), pattern)
			if !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}

// Read implements drivers.Source.
func (d *Dev) Read(ctx context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	if !d.buffered {
		return d.Polled.Read(ctx, dst)
	}
	due, now, next, err := d.Due(ctx)
	if !due {
		return 0, next, err
	}
	return d.collect(dst, now)
}

// One implements sysattr.Reader.
func (d *Dev) One(i int) (drivers.Sample, error) {
	v, err := d.in[i].value.Number()
	return d.sample(i, v, d.Clock.Now()), err
}

// sample makes one sample of a code.
func (d *Dev) sample(i int, code float64, at time.Duration) drivers.Sample {
	in := &d.in[i]
	s := drivers.Sample{At: at, Raw: (code + in.offset) * in.scale, Aux: math.NaN(), Input: uint8(i), Fault: d.Flag}
	if in.low != in.high && (code <= in.low || code >= in.high) {
		s.Fault |= drivers.Clipped
	}
	if math.IsNaN(s.Raw) || math.IsInf(s.Raw, 0) {
		s.Fault |= drivers.Framing
	}
	return s
}

// Close implements drivers.Source: it ends a capture.
func (d *Dev) Close() error {
	if d.Started() && d.buffered {
		// The device may be gone; nothing is lost if the capture goes on.
		_ = sysattr.Write(filepath.Join(d.dir, d.capture.buffer, "enable"), "0")
	}
	return d.Polled.Close()
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
