package iio

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/sysattr"
)

const absent = "the kernel knows no such device: load the chip's kernel module and its device-tree overlay, check the wiring"

// Dev is one IIO device. It implements drivers.Source.
type Dev struct {
	root     string
	clock    clock.Clock
	where    location
	in       []input
	info     []drivers.Input
	buffered bool
	rate     float64
	period   time.Duration
	trigger  string

	dir     string // of the device while it is there
	started bool
	closed  bool
	ready   time.Duration
	flag    drivers.Fault // for the next samples
	lost    int
	capture capture
	gone    func(error) bool // sysattr.Gone; no file system that tests can make says ENODEV
}

var _ drivers.Source = (*Dev)(nil)

// String implements drivers.Source.
func (d *Dev) String() string { return d.where.String() }

// Inputs implements drivers.Source.
func (d *Dev) Inputs() []drivers.Input { return d.info }

// SettingsLost counts how often a capture was found switched off.
func (d *Dev) SettingsLost() int { return d.lost }

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

func (d *Dev) fail(doing string, err error) error {
	return sysattr.Fail(d.String(), doing, err, absent)
}

// attach finds the device and opens what is read from it.
func (d *Dev) attach() error {
	d.detach()
	dir, err := d.find()
	if err != nil {
		return err
	}
	d.dir = dir
	for i := range d.in {
		if err := d.prepare(&d.in[i]); err != nil {
			d.detach()
			return err
		}
	}
	if d.buffered {
		if err := d.begin(); err != nil {
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
	}
	d.capture.close()
}

// find gives the device's directory.
func (d *Dev) find() (string, error) {
	const doing = "looking for it"
	all := filepath.Join(d.root, "sys/bus/iio/devices")
	candidates := []string{filepath.Join(d.root, d.where.bus)}
	if d.where.bus == "" {
		if _, err := os.Stat(all); err != nil {
			e := &drivers.Error{Device: d.String(), Doing: doing, Is: drivers.BusDisabled, Err: err,
				Hint: "this kernel has no Industrial I/O, or no module of it is loaded: load the chip's kernel module"}
			if errors.Is(err, os.ErrPermission) {
				e.Is, e.Hint = drivers.Permission, "the user that tipoff runs as may not read /sys/bus/iio"
			}
			return "", e
		}
		candidates, _ = filepath.Glob(filepath.Join(all, "iio:device*")) // fails for a wrong pattern only
	}
	kind, want, named := strings.Cut(d.where.address, ":")
	var found []string
	for _, dir := range candidates {
		got, err := sysattr.Read(filepath.Join(dir, "name"))
		if named && kind == "label" {
			got, err = sysattr.Read(filepath.Join(dir, "label"))
		}
		switch {
		case err != nil && d.where.bus != "":
			return "", d.fail(doing, err)
		case err == nil && (!named || got == want):
			found = append(found, dir)
		case err == nil && d.where.bus != "":
			return "", &drivers.Error{Device: d.String(), Doing: doing, Is: drivers.WrongDevice,
				Err: fmt.Errorf("its %s is %q", kind, got), Hint: "the kernel numbers devices anew at each start: leave bus out and name the device by address alone"}
		}
	}
	switch len(found) {
	case 0:
		return "", d.fail(doing, os.ErrNotExist)
	case 1:
		return found[0], nil
	}
	return "", &drivers.Error{Device: d.String(), Doing: doing, Is: drivers.BadConfig,
		Err: fmt.Errorf("%d devices have this %s", len(found), kind), Hint: "tell them apart by bus"}
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
			return &drivers.Error{Device: d.String(), Doing: doing, Is: drivers.BadConfig, Err: err,
				Hint: "the device has these inputs: " + d.list()}
		}
		if err != nil {
			return d.fail(doing, err)
		}
	}
	var err error
	if in.scale, err = d.shared(in, "scale"); err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return &drivers.Error{Device: d.String(), Doing: doing, Is: drivers.BadConfig, Err: err,
				Hint: "the kernel's driver tells no scale for this input, so its numbers can not be turned into a quantity"}
		}
		return d.fail(doing, err)
	}
	if in.offset, err = d.shared(in, "offset"); err != nil && !errors.Is(err, os.ErrNotExist) {
		return d.fail(doing, err)
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
func (d *Dev) shared(in *input, what string) (float64, error) {
	second := strings.TrimRight(in.second, "0123456789")
	var v float64
	var err error
	for _, name := range [...]string{
		in.name, in.kind + in.first + in.second, in.kind + in.modifier, in.kind + second + in.modifier, in.kind + second, in.kind,
	} {
		v, err = sysattr.Number(filepath.Join(d.dir, "in_"+name+"_"+what))
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
			names = append(names, strings.TrimSuffix(strings.TrimPrefix(filepath.Base(f), "in_"), pattern))
		}
	}
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
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
	if d.buffered {
		return d.collect(dst, now)
	}
	d.ready = max(d.ready+d.period, now)
	n, err := d.poll(dst)
	if d.gone(err) && d.attach() == nil {
		// It was unplugged and is back, perhaps under another number.
		d.flag = drivers.Restored
		d.ready = now + d.period
		n, err = d.poll(dst)
	}
	return n, d.ready, err
}

// poll reads each input once. One that fails does not keep the others away.
func (d *Dev) poll(dst []drivers.Sample) (n int, err error) {
	for i := range d.in {
		in := &d.in[i]
		v, e := in.value.Number()
		if e != nil {
			if err == nil {
				err = d.fail("reading input "+in.name, e)
			}
			continue
		}
		dst[n] = d.sample(i, v, d.clock.Now())
		n++
	}
	if n > 0 {
		d.flag = 0
	}
	return n, err
}

// sample makes one sample of a code.
func (d *Dev) sample(i int, code float64, at time.Duration) drivers.Sample {
	in := &d.in[i]
	s := drivers.Sample{At: at, Raw: (code + in.offset) * in.scale, Aux: math.NaN(), Input: uint8(i), Fault: d.flag}
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
	d.closed = true
	if d.started && d.buffered {
		// The device may be gone; nothing is lost if the capture goes on.
		_ = sysattr.Write(filepath.Join(d.dir, d.capture.buffer, "enable"), "0")
	}
	d.detach()
	return nil
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
