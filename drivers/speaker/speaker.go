package speaker

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"tipoff/drivers"
)

const (
	// ahead is how much sound the device holds at most. A program that is held
	// up for longer than this leaves a gap.
	ahead = 120 * time.Millisecond
	// retryEvery is how often a device that does not work is opened again.
	retryEvery = 500 * time.Millisecond
	// auto is the Device that stands for the first one that works.
	auto = "auto"
	// blockFrames is the most that is computed for one write.
	blockFrames = 1024
)

// Options say where and how loud.
type Options struct {
	// Device is a PCM device, "/dev/snd/pcmC1D0p", or a link to a card such as
	// "/dev/snd/by-id/usb-…", or "auto" or "" for the first that works.
	Device string
	// Level is the peak of the sound, above 0 and at most 1 of full scale; 0
	// stands for 0.8. The card's own mixer comes on top of it.
	Level float64
}

// Dev is a loudspeaker. It implements drivers.Sounder. Its methods may be called
// from several goroutines; none of them waits for the sound.
type Dev struct {
	name   string
	device string
	level  float64
	open   func(path string) (file, error)
	list   func() []string

	mu      sync.Mutex
	pattern *drivers.Pattern
	card    *card // nil: none is open
	synth   *Synth
	retry   time.Duration
	tried   bool
	err     error // why there is no card
	buf     [2 * blockFrames]int16
	pending []int16 // of buf: computed and not taken yet
	closed  bool
}

var _ drivers.Sounder = (*Dev)(nil)

// Open makes the loudspeaker and tries its device. If the device is missing or
// does not work, the error says so and the Dev, which is then not nil, goes on
// trying with each Tick: start-up need not fail. With wrong Options the
// Dev is nil.
func Open(o Options) (*Dev, error) { return open(o, openFile, listFiles) }

func open(o Options, openf func(string) (file, error), list func() []string) (*Dev, error) {
	if o.Level == 0 {
		o.Level = 0.8
	}
	if !(o.Level > 0 && o.Level <= 1) {
		return nil, fmt.Errorf("speaker: level = %v, allowed is: above 0, at most 1: %w", o.Level, drivers.BadConfig)
	}
	if o.Device == "" {
		o.Device = auto
	}
	if o.Device != auto && !strings.HasPrefix(o.Device, "/") {
		return nil, fmt.Errorf("speaker: device = %q, allowed is: /dev/snd/pcmC0D0p or the like, /dev/snd/by-id/…, auto: %w", o.Device, drivers.BadConfig)
	}
	d := &Dev{name: "speaker on " + o.Device, device: o.Device, level: o.Level, open: openf, list: list}
	d.mu.Lock()
	defer d.mu.Unlock()
	return d, d.attach()
}

// String implements drivers.Sounder.
func (d *Dev) String() string { return d.name }

// Set implements drivers.Sounder. What the device still holds of the pattern
// before is not heard any more. Setting the pattern that is set already changes
// nothing.
func (d *Dev) Set(p *drivers.Pattern) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return d.fail("playing", os.ErrClosed)
	}
	if p == d.pattern {
		return nil
	}
	d.pattern = p
	d.pending = nil
	if d.card == nil {
		return nil // Tick opens it, and tells if it can not
	}
	d.synth.Set(p)
	if err := d.card.stop(); err != nil {
		return d.detach("silencing", err)
	}
	return nil
}

// Tick implements drivers.Sounder: it keeps 0.12 s of sound in the device. A
// device that is not there is opened again every 0.5 s, also while nothing sounds.
func (d *Dev) Tick(now time.Duration) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed || d.pattern == nil && d.card != nil {
		return nil
	}
	if d.card == nil {
		if d.tried && now < d.retry {
			return d.err
		}
		d.tried, d.retry = true, now+retryEvery
		if err := d.attach(); err != nil || d.pattern == nil {
			return err
		}
	}
	if err := d.feed(); err != nil {
		d.tried, d.retry = true, now+retryEvery
		return d.detach("playing", err)
	}
	return nil
}

// feed fills the device up. It ends when the device takes no more.
func (d *Dev) feed() error {
	c := d.card
	queued, err := c.queued()
	if err != nil {
		return err
	}
	room := int(ahead.Seconds()*float64(c.rate)) - queued
	for room > 0 {
		if len(d.pending) == 0 {
			d.pending = d.buf[:min(room, blockFrames)*c.channels]
			d.synth.Render(d.pending, c.channels)
		}
		n, err := c.write(d.pending)
		if err != nil {
			return err
		}
		if n <= 0 {
			return nil
		}
		d.pending = d.pending[min(n*c.channels, len(d.pending)):]
		room -= n
	}
	return nil
}

// attach opens the device, or the first that works.
func (d *Dev) attach() error {
	paths := []string{d.device}
	if d.device == auto {
		paths = d.list()
		if len(paths) == 0 {
			d.err = d.fail("looking for a sound device", syscall.ENOENT)
			return d.err
		}
	}
	var first error
	for _, path := range paths {
		c, err := d.try(path)
		if err == nil {
			d.card, d.err, d.pending = c, nil, nil
			d.synth = NewSynth(c.rate, d.level)
			d.synth.Set(d.pattern)
			return nil
		}
		if first == nil {
			first = d.fail("opening "+path, err)
		}
	}
	d.err = first
	return first
}

func (d *Dev) try(path string) (*card, error) {
	f, err := d.open(playback(path))
	if err != nil {
		return nil, err
	}
	c, err := setup(f)
	if err != nil {
		// Why it can not be set up is what matters.
		_ = f.close()
		return nil, err
	}
	return c, nil
}

// detach closes a device that has failed.
func (d *Dev) detach(doing string, err error) error {
	_ = d.card.file.close() // it has failed already
	d.card, d.pending = nil, nil
	d.err = d.fail(doing, err)
	return d.err
}

// playback is the PCM device of a path: a link to a card's control device
// (/dev/snd/by-id/…) stands for that card's first one.
func playback(path string) string {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return path // opening it tells why
	}
	dir, base := filepath.Split(real)
	if n, ok := strings.CutPrefix(base, "controlC"); ok {
		return dir + "pcmC" + n + "D0p"
	}
	return real
}

// listFiles lists the playback devices by card.
func listFiles() []string {
	// The pattern is well-formed, which is all that Glob complains about.
	all, _ := filepath.Glob("/dev/snd/pcmC*D*p")
	slices.SortFunc(all, func(a, b string) int {
		if len(a) != len(b) {
			return len(a) - len(b) // card 2 before card 10
		}
		return strings.Compare(a, b)
	})
	return all
}

func (d *Dev) fail(doing string, err error) error {
	e := &drivers.Error{Device: d.name, Doing: doing, Is: drivers.Transient, Err: err, Hint: "the alarm is not heard"}
	switch {
	case errors.Is(err, syscall.ENOENT), errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ENXIO):
		e.Is = drivers.NotPresent
		e.Hint = "the alarm is not heard: plug the sound device in or switch it on in the board's settings (on a Raspberry Pi: dtparam=audio=on in config.txt); ls /dev/snd shows what is there"
	case errors.Is(err, syscall.EACCES), errors.Is(err, syscall.EPERM):
		e.Is = drivers.Permission
		e.Hint = "the alarm is not heard: the user that tipoff runs as must be in group audio, which owns the device file"
	case errors.Is(err, syscall.EBUSY), errors.Is(err, syscall.EAGAIN):
		e.Hint = "the alarm is not heard: another program has the sound device; end it (a desktop's sound server) or give tipoff a device of its own"
	case errors.Is(err, syscall.EINVAL), errors.Is(err, syscall.ENOTTY):
		e.Is = drivers.WrongDevice
		e.Hint = "the alarm is not heard: this device does not play 16 bits at 48 or 44.1 kHz; name another in bench.toml"
	}
	return e
}

// Close implements drivers.Sounder.
func (d *Dev) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil
	}
	d.closed, d.pattern = true, nil
	if d.card == nil {
		return nil
	}
	err := d.card.stop()
	if e := d.card.file.close(); err == nil {
		err = e
	}
	d.card = nil
	if err != nil {
		return d.fail("closing", err)
	}
	return nil
}
