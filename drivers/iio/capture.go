package iio

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"tipoff/drivers"
	"tipoff/drivers/sysattr"
)

// readEvery is how often a capture is emptied.
const readEvery = 20 * time.Millisecond

// capture is the state of a buffered capture.
type capture struct {
	buffer  string // directory below the device's
	fd      int
	open    bool
	scan    int      // bytes
	clock   *element // the kernel's timestamp, nil if there is none
	ours    bool     // it is on our clock
	buf     []byte
	have    int           // bytes of a scan not yet whole
	last    time.Duration // stamp of the last scan
	heard   time.Duration // when scans came last
	shift   time.Duration // our clock less the kernel's timestamps
	aligned bool          // shift is known
}

func (c *capture) close() {
	if c.open {
		_ = unix.Close(c.fd) // opened for reading: nothing can be lost
		c.open = false
	}
}

// scanDir is where the scan elements are described.
func (d *Dev) scanDir() string {
	dir := filepath.Join(d.dir, "scan_elements")
	if _, err := os.Stat(dir); err == nil {
		return dir
	}
	return filepath.Join(d.dir, "buffer0") // since Linux 5.11
}

// begin sets a capture up and starts it.
func (d *Dev) begin() error {
	const doing = "setting up the capture"
	c := &d.capture
	c.buffer = "buffer"
	if _, err := os.Stat(filepath.Join(d.dir, c.buffer)); err != nil {
		c.buffer = "buffer0"
	}
	attr := func(name string) string { return filepath.Join(d.dir, c.buffer, name) }
	if err := sysattr.Write(attr("enable"), "0"); err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return d.Misfit(doing, drivers.BadConfig, err,
				"the kernel's driver has no buffer for this device: use waveform = no")
		}
		return d.Fail(doing, err)
	}
	if err := d.pace(); err != nil {
		return err
	}
	// The kernel's stamps on the clock that tipoff runs on; old kernels and
	// some devices have no choice, and stamps are shifted then.
	c.ours = sysattr.Write(filepath.Join(d.dir, "current_timestamp_clock"), "boottime") == nil
	if err := d.choose(); err != nil {
		return err
	}
	length := 128
	for float64(length) < d.rate/2 { // half a second
		length *= 2
	}
	if err := sysattr.Write(attr("length"), number(float64(length))); err != nil {
		return d.Fail("setting the buffer's length", err)
	}
	// Without a watermark (before Linux 4.2) reading costs more calls, no more.
	_ = sysattr.Write(attr("watermark"), number(max(1, math.Floor(d.rate*readEvery.Seconds()))))
	node, err := filepath.EvalSymlinks(d.dir)
	if err != nil {
		return d.Fail(doing, err)
	}
	path := filepath.Join(d.Root, "dev", filepath.Base(node))
	if c.fd, err = unix.Open(path, unix.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0); err != nil {
		return d.Fail(doing, &os.PathError{Op: "open", Path: path, Err: err})
	}
	c.open = true
	if err := sysattr.Write(attr("enable"), "1"); err != nil {
		e := d.Fail("starting the capture", err)
		var de *drivers.Error
		if errors.As(e, &de) && de.Hint == "" {
			de.Hint = "many devices need the option trigger"
		}
		return e
	}
	now := d.Clock.Now()
	c.have, c.last, c.heard, c.aligned = 0, now, now, false
	if need := c.scan * 512; len(c.buf) < need {
		c.buf = make([]byte, need)
	}
	return nil
}

// pace sets trigger and sampling frequency, and makes sure of the frequency.
func (d *Dev) pace() error {
	const doing = "setting the rate"
	places := []string{d.dir}
	if d.trigger != "" {
		dir, err := d.findTrigger()
		if err != nil {
			return err
		}
		if err := sysattr.Write(filepath.Join(d.dir, "trigger/current_trigger"), d.trigger); err != nil {
			return d.Fail("choosing the trigger", err)
		}
		places = []string{dir, d.dir}
	}
	for _, dir := range places {
		for _, name := range [...]string{"sampling_frequency", "in_" + Kind(d.in[0].name) + "_sampling_frequency", "in_" + d.in[0].name + "_sampling_frequency"} {
			path := filepath.Join(dir, name)
			if _, err := os.Stat(path); err != nil {
				continue
			}
			werr := sysattr.Write(path, number(d.rate))
			got, err := sysattr.Number(path)
			if err != nil {
				return d.Fail(doing, err)
			}
			if math.Abs(got-d.rate) <= 0.1*d.rate {
				return nil
			}
			hint := "choose another rate"
			if list, err := sysattr.Read(path + "_available"); err == nil {
				hint = "the device offers: " + list
			}
			return d.Misfit(doing, drivers.BadConfig, errors.Join(fmt.Errorf("it stays at %v/s where %v/s was asked for", got, d.rate), werr),
				hint)
		}
	}
	return nil // timed from outside
}

// findTrigger gives the directory of the trigger that was asked for.
func (d *Dev) findTrigger() (string, error) {
	all := filepath.Join(d.Root, "sys/bus/iio/devices")
	dirs, _ := filepath.Glob(filepath.Join(all, "trigger*"))
	var names []string
	for _, dir := range dirs {
		name, err := sysattr.Read(filepath.Join(dir, "name"))
		if err == nil && name == d.trigger {
			return dir, nil
		}
		names = append(names, name)
	}
	return "", d.Misfit("choosing the trigger", drivers.BadConfig, fmt.Errorf("the kernel has no trigger %q", d.trigger),
		"it has: "+strings.Join(append(names, "none else"), ", "))
}

// choose enables the elements of our inputs and the timestamp, disables all
// others as far as possible, and finds out how a scan is laid out.
func (d *Dev) choose() error {
	const doing = "choosing what is captured"
	files, _ := filepath.Glob(filepath.Join(d.scanDir(), "in_*_en"))
	var es []element
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), "_en")
		want := "0"
		if name == "in_timestamp" || d.inputOf(name) >= 0 {
			want = "1"
		}
		werr := sysattr.Write(f, want)
		got, err := sysattr.Read(f)
		if err != nil {
			return d.Fail(doing, errors.Join(werr, err))
		}
		if got != "1" {
			if want == "1" && name != "in_timestamp" {
				return d.Fail(doing, errors.Join(fmt.Errorf("%s can not be enabled", name), werr))
			}
			continue
		}
		e := element{name: name}
		base := strings.TrimSuffix(f, "_en")
		index, err := sysattr.Number(base + "_index")
		if err != nil {
			return d.Fail(doing, err)
		}
		e.index = int(index)
		text, err := sysattr.Read(base + "_type")
		if err != nil {
			return d.Fail(doing, err)
		}
		if e.scanType, err = parseType(text); err != nil {
			return d.Misfit(doing, drivers.BadConfig, fmt.Errorf("%s: %w", name, err),
				"tipoff does not know this form: use waveform = no")
		}
		es = append(es, e)
	}
	d.capture.scan = place(es)
	d.capture.clock = nil
	found := make([]bool, len(d.in))
	for k := range es {
		if i := d.inputOf(es[k].name); i >= 0 {
			d.in[i].element, found[i] = es[k], true
			d.in[i].low, d.in[i].high = es[k].rails()
		} else if es[k].name == "in_timestamp" {
			d.capture.clock = &es[k]
		}
	}
	for i, ok := range found {
		if !ok {
			return d.Misfit(doing, drivers.BadConfig, fmt.Errorf("input %s can not be captured", d.in[i].name),
				"use waveform = no, or another input")
		}
	}
	return nil
}

func (d *Dev) inputOf(element string) int {
	for i := range d.in {
		if "in_"+d.in[i].name == element {
			return i
		}
	}
	return -1
}

// collect empties the kernel's buffer as far as dst has room for whole scans.
func (d *Dev) collect(dst []drivers.Sample, now time.Duration) (int, time.Duration, error) {
	c := &d.capture
	d.Ready = now + readEvery
	room := min(len(dst)/len(d.in)*c.scan, len(c.buf))
	k, err := unix.Read(c.fd, c.buf[c.have:room])
	if err == unix.EAGAIN || err == unix.EINTR {
		k, err = 0, nil
	}
	if err != nil {
		err = &os.PathError{Op: "read", Path: "capture", Err: err}
		if d.Gone(err) && d.Attach() == nil {
			d.Flag = drivers.Restored
			return 0, now + readEvery, nil
		}
		return 0, d.Ready, d.Fail("reading the capture", err)
	}
	c.have += k
	scans := c.have / c.scan
	if scans == 0 {
		return 0, d.Ready, d.quiet(now)
	}
	full := c.have == room
	d.stamp(scans, now, full)
	n := 0
	for j := range scans {
		b := c.buf[j*c.scan : (j+1)*c.scan]
		at := d.at(j, scans, now, full, b)
		for i := range d.in {
			e := &d.in[i].element
			dst[n] = d.sample(i, e.value(b[e.at:]), at)
			n++
		}
	}
	c.last = dst[n-1].At
	c.heard, d.Flag = now, 0
	c.have = copy(c.buf, c.buf[scans*c.scan:c.have])
	if full {
		d.Ready = now // there may be more
	}
	return n, d.Ready, nil
}

// stamp aligns the kernel's timestamps with our clock. The scan that came with
// the least delay tells the shift best; if an emptied buffer ends a second or
// more before now, the kernel's clock was set.
func (d *Dev) stamp(scans int, now time.Duration, full bool) {
	c := &d.capture
	if c.clock == nil {
		return
	}
	newest := time.Duration(c.clock.integer(c.buf[(scans-1)*c.scan+c.clock.at:]))
	delay := now - newest
	switch {
	case c.ours && delay >= 0 && delay < time.Second:
		c.shift = 0
	case !c.aligned || delay < c.shift || !full && delay > c.shift+time.Second:
		c.shift = delay
	}
	c.aligned = true
}

// at gives the time of scan j of a batch. Stamps rise and never lie ahead.
func (d *Dev) at(j, scans int, now time.Duration, full bool, b []byte) time.Duration {
	c := &d.capture
	if c.clock != nil {
		at := time.Duration(c.clock.integer(b[c.clock.at:])) + c.shift
		return max(min(at, now), c.last+time.Duration(j+1))
	}
	// Without timestamps scans lie one period apart. The row follows our clock
	// slowly, and starts anew after a gap.
	end := c.last + time.Duration(scans)*d.Period
	switch slack := now - end; {
	case slack < 0 || !full && slack > 100*time.Millisecond:
		end = now
	case !full:
		end += slack / 64
	}
	begin := max(c.last, end-time.Duration(scans)*d.Period)
	return begin + (end-begin)*time.Duration(j+1)/time.Duration(scans)
}

// quiet finds out why a capture brings nothing.
func (d *Dev) quiet(now time.Duration) error {
	c := &d.capture
	if now-c.heard < d.silent() {
		return nil
	}
	c.heard = now
	on, err := sysattr.Read(filepath.Join(d.dir, c.buffer, "enable"))
	if err != nil {
		// It is gone, or has come back under another number.
		if err := d.Attach(); err != nil {
			return err
		}
		d.Flag = drivers.Restored
		return nil
	}
	if on == "1" {
		return d.Misfit("reading the capture", drivers.Transient, fmt.Errorf("no scan for %v", d.silent()),
			"check that the device's trigger runs and that its clock or interrupt line is connected")
	}
	d.lost++
	if err := d.Attach(); err != nil {
		return err
	}
	d.Flag = drivers.Restored
	return nil
}
