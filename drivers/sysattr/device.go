package sysattr

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

// Class is a kind of the kernel's devices: where they are and what they are
// called in messages.
type Class struct {
	Driver   string   // "iio"
	Noun     string   // "device"
	Title    string   // "IIO device"
	Dir      string   // "sys/bus/iio/devices", below the root
	Stem     string   // "iio:device": what the folders' names begin with
	Kinds    []string // files by whose text a device may be named: "name", "label"
	Example  string   // such a text
	Absent   string   // hint for a device that is not there
	Disabled string   // hint where the kernel has no such class
}

// Place is one device as bench.toml names it.
type Place struct {
	Class
	Root         string // of the files, "/" but in tests and containers
	Bus, Address string // "/sys/bus/iio/devices/iio:device0", "name:ads1015"
}

// Check finds fault with how the device is named.
func (p *Place) Check() error {
	path := "/" + p.Dir + "/" + p.Stem + "0"
	if p.Bus == "" && p.Address == "" {
		return fmt.Errorf(`%s: no %s is named, allowed is: address = "%s:%s" or bus = "%s": %w`, p.Driver, p.Noun, p.Kinds[0], p.Example, path, drivers.BadConfig)
	}
	if p.Bus != "" && (!strings.HasPrefix(p.Bus, "/sys/") || filepath.Clean(p.Bus) != p.Bus) {
		return fmt.Errorf(`%s: bus = %q, allowed is: the path of a %s such as "%s": %w`, p.Driver, p.Bus, p.Noun, path, drivers.BadConfig)
	}
	if kind, text, _ := strings.Cut(p.Address, ":"); p.Address != "" && (text == "" || !slices.Contains(p.Kinds, kind)) {
		return fmt.Errorf(`%s: address = %q, allowed is: "%s:" and what the %s's file of that name says: %w`, p.Driver, p.Address, strings.Join(p.Kinds, `:" or "`), p.Noun, drivers.BadConfig)
	}
	return nil
}

// String names the device for messages.
func (p *Place) String() string {
	return p.Title + " " + strings.TrimSpace(p.Bus+" "+p.Address)
}

// Fail makes a drivers.Error of what the kernel answered.
func (p *Place) Fail(doing string, err error) error { return Fail(p.String(), doing, err, p.Absent) }

// Misfit is the error of a device that can not be used as it is named.
func (p *Place) Misfit(doing string, is drivers.Condition, err error, hint string) error {
	return &drivers.Error{Device: p.String(), Doing: doing, Is: is, Err: err, Hint: hint}
}

// Find gives the device's folder: the kernel numbers devices anew at each start.
func (p *Place) Find() (string, error) {
	const doing = "looking for it"
	kind, want, named := strings.Cut(p.Address, ":")
	if !named {
		kind = p.Kinds[0]
	}
	if p.Bus != "" {
		dir := filepath.Join(p.Root, p.Bus)
		got, err := Read(filepath.Join(dir, kind))
		if err != nil {
			return "", p.Fail(doing, err)
		}
		if named && got != want {
			return "", p.Misfit(doing, drivers.WrongDevice, fmt.Errorf("its %s is %q", kind, got),
				fmt.Sprintf("the kernel numbers %ss anew at each start: leave bus out and name the %s by address alone", p.Noun, p.Noun))
		}
		return dir, nil
	}
	all := filepath.Join(p.Root, p.Dir)
	if _, err := os.Stat(all); errors.Is(err, os.ErrPermission) {
		return "", p.Misfit(doing, drivers.Permission, err, "the user that tipoff runs as may not read /"+p.Dir)
	} else if err != nil {
		return "", p.Misfit(doing, drivers.BusDisabled, err, p.Disabled)
	}
	candidates, _ := filepath.Glob(filepath.Join(all, p.Stem+"*")) // fails for a wrong pattern only
	var found []string
	for _, dir := range candidates {
		if got, err := Read(filepath.Join(dir, kind)); err == nil && got == want {
			found = append(found, dir)
		}
	}
	switch len(found) {
	case 0:
		return "", p.Fail(doing, os.ErrNotExist)
	case 1:
		return found[0], nil
	}
	return "", p.Misfit(doing, drivers.BadConfig, fmt.Errorf("%d %ss have this %s", len(found), p.Noun, kind), "tell them apart by bus")
}

// Reader is what one kind of device does by itself.
type Reader interface {
	// Open opens what is read of the device whose folder is dir.
	Open(dir string) error
	// Shut closes what Open opened, also after it failed half-way.
	Shut()
	// One reads input i.
	One(i int) (drivers.Sample, error)
}

// Polled is what the sources of the kernel's devices have in common: they are
// found, read at a pace, and found again when they come back.
type Polled struct {
	Place
	Device Reader
	Clock  clock.Clock
	Info   []drivers.Input
	Period time.Duration
	Gone   func(error) bool // [Gone]; no file system that tests can make says ENODEV

	Ready   time.Duration // when to read next
	Flag    drivers.Fault // for the next samples
	started bool
	closed  bool
}

// Inputs implements drivers.Source.
func (d *Polled) Inputs() []drivers.Input { return d.Info }

// Start implements drivers.Source.
func (d *Polled) Start(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if d.closed {
		return d.Fail("starting", os.ErrClosed)
	}
	d.Flag = 0
	return d.Attach()
}

// Attach finds the device and opens what is read from it.
func (d *Polled) Attach() error {
	d.detach()
	dir, err := d.Find()
	if err != nil {
		return err
	}
	if err := d.Device.Open(dir); err != nil {
		d.detach()
		return err
	}
	d.started, d.Ready = true, d.Clock.Now()
	return nil
}

func (d *Polled) detach() {
	d.started = false
	d.Device.Shut()
}

// Started tells whether the device is there and open.
func (d *Polled) Started() bool { return d.started }

// Due tells whether it is time to read; if not, Read returns what it is given.
func (d *Polled) Due(ctx context.Context) (due bool, now, next time.Duration, err error) {
	now = d.Clock.Now()
	if err := ctx.Err(); err != nil {
		return false, now, now, err
	}
	if !d.started {
		return false, now, now, &drivers.Error{Device: d.String(), Doing: "reading", Is: drivers.Transient, Err: errors.New("not started")}
	}
	return now >= d.Ready, now, d.Ready, nil
}

// Read implements drivers.Source.
func (d *Polled) Read(ctx context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	due, now, next, err := d.Due(ctx)
	if !due {
		return 0, next, err
	}
	d.Ready = max(d.Ready+d.Period, now)
	n, err := d.poll(dst)
	if d.Gone(err) && d.Attach() == nil {
		// It was unplugged and is back, perhaps under another number.
		d.Flag, d.Ready = drivers.Restored, now+d.Period
		n, err = d.poll(dst)
	}
	return n, d.Ready, err
}

// poll reads each input once. One that fails does not keep the others away.
func (d *Polled) poll(dst []drivers.Sample) (n int, err error) {
	for i := range d.Info {
		s, e := d.Device.One(i)
		if e != nil {
			if err == nil {
				err = d.Fail("reading input "+d.Info[i].Name, e)
			}
			continue
		}
		dst[n] = s
		n++
	}
	if n > 0 {
		d.Flag = 0
	}
	return n, err
}

// Close implements drivers.Source.
func (d *Polled) Close() error {
	d.closed = true
	d.detach()
	return nil
}
