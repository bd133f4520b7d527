package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/plant"
	"tipoff/drivers/probe"
	"tipoff/drivers/registry"
	"tipoff/logger/config"
)

// soundFor is how long --sound sounds.
const soundFor = time.Second

// errNothing ends the verb with code 1.
var errNothing = errors.New("nothing that measures was found")

// probeVerb looks at what is connected.
func probeVerb(ctx context.Context, e *env, args []string) error {
	fs := e.flags()
	onEmulated := fs.Bool("emulated", false, "look at the demo's emulated bench instead")
	asJSON := fs.Bool("json", false, "print everything as JSON, for scripts")
	write := fs.String("write", "", "write a first bench.toml to this new file")
	sound := fs.String("sound", "", `sound for a second: a line's name such as GPIO18, or gpiochip0/18, or with --tone pwmchip0/pwm0, or speaker, or speaker:/dev/snd/pcmC1D0p; looks at nothing else unless --write or --json is given`)
	activeLow := fs.Bool("active-low", false, "with --sound and a line: it sounds while the line is low")
	tone := fs.Float64("tone", 0, "with --sound and a PWM output: tone of the bare piezo on it in Hz, 100 to 20000")
	long := fs.Duration("time", 2*time.Second, "how long to take readings of each chip, 0.5s to 60s")
	mains := fs.Float64("mains", 50, "mains frequency in Hz, 50 or 60")
	only := fs.String("bus", "", "look at these buses only, with commas: /dev/i2c-1,/dev/spidev0.0")
	if _, err := e.parse(fs, args, 0, 0); err != nil {
		return err
	}
	switch {
	case *long < 500*time.Millisecond || *long > time.Minute:
		return input(fmt.Errorf("flag --time: found %v; allowed: 0.5s to 60s", *long))
	case *mains != 50 && *mains != 60:
		return input(fmt.Errorf("flag --mains: found %v; allowed: 50 or 60", *mains))
	case *sound == "" && (*activeLow || *tone != 0):
		return input(errors.New("flags --active-low, --tone: found without --sound; allowed: together with it"))
	case *tone != 0 && !(*tone >= 100 && *tone <= 20000):
		return input(fmt.Errorf("flag --tone: found %v; allowed: 100 to 20000", *tone))
	}
	o := probe.Options{Time: *long, Mains: *mains}
	if *only != "" {
		for p := range strings.SplitSeq(*only, ",") {
			p = strings.TrimSpace(p)
			if !strings.HasPrefix(p, "/dev/i2c-") && !strings.HasPrefix(p, "/dev/spidev") {
				return input(fmt.Errorf("flag --bus: found %q; allowed: device files such as /dev/i2c-1 or /dev/spidev0.0", p))
			}
			o.Only = append(o.Only, p)
		}
	}
	if err := isFree(*write); err != nil { // before anything is touched
		return input(err)
	}
	sys := probe.Host()
	if *onEmulated {
		emulation, done, err := emulatedSystem()
		if err != nil {
			return err
		}
		defer done()
		sys = emulation
	}
	v := &probing{env: e, sys: sys, opt: o, json: *asJSON, write: *write}
	if *sound != "" {
		s, err := sounderNamed(sys, *sound, *activeLow, *tone)
		if err == nil && *onEmulated && s.Driver == "speaker" {
			err = errors.New("flag --sound: found speaker with --emulated; allowed: a line, since the emulated bench has no loudspeaker")
		}
		if err != nil {
			return input(err)
		}
		v.sounder = s
	}
	return v.run(ctx)
}

// isFree tells whether a new file may be made there; "" is none.
func isFree(file string) error {
	if file == "" {
		return nil
	}
	if _, err := os.Lstat(file); err == nil {
		return fmt.Errorf("flag --write: found %s, which is there already; allowed: a new file (nothing is overwritten)", file)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("flag --write: %w", err)
	}
	return nil
}

// probing is one run of the verb.
type probing struct {
	*env
	sys     probe.System
	opt     probe.Options
	json    bool
	write   string
	sounder *probe.Sounder // nil: silent
}

// run does everything in a goroutine of the clock, as readings need it.
func (v *probing) run(ctx context.Context) error {
	ended := make(chan error, 1)
	v.sys.Clock.Go(func() { ended <- v.all(ctx) })
	return <-ended
}

func (v *probing) all(ctx context.Context) error {
	if v.sounder != nil {
		if err := v.sound(ctx); err != nil {
			return err
		}
		if v.write == "" && !v.json {
			return nil
		}
	}
	r, err := probe.Look(ctx, v.sys, v.opt)
	if err != nil {
		return err
	}
	if v.json {
		enc := json.NewEncoder(v.out)
		enc.SetIndent("", "  ")
		err = enc.Encode(r)
	} else {
		err = r.Print(v.out)
	}
	if err != nil {
		return err
	}
	if v.write != "" {
		if err := v.writeBench(r); err != nil {
			return err
		}
	}
	if !r.Measures() {
		return errNothing
	}
	return nil
}

// writeBench writes the first bench.toml, once it has passed the same check that
// the daemon makes.
func (v *probing) writeBench(r *probe.Report) error {
	text, err := r.BenchFile(v.opt.Mains, v.sounder)
	if err != nil {
		return fmt.Errorf("%s was not written: %w", v.write, err)
	}
	if _, err := config.Parse(v.write, []byte(text), registry.All()); err != nil {
		return fmt.Errorf("%s was not written, since it would not pass tipoff check: %w", v.write, err)
	}
	f, err := os.OpenFile(v.write, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return input(fmt.Errorf("flag --write: %w", err))
	}
	_, err = f.WriteString(text)
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("writing %s: %w", v.write, err)
	}
	_, err = fmt.Fprintf(v.err, "%s is written: replace what is marked FILL IN, then: tipoff check %s\n", v.write, v.write)
	return err
}

// sounderNamed reads the flag --sound. A line given by chip and number gets the
// name by which bench.toml knows it, if it has one.
func sounderNamed(sys probe.System, text string, activeLow bool, tone float64) (*probe.Sounder, error) {
	if kind, device, _ := strings.Cut(text, ":"); kind == "speaker" {
		if activeLow || tone != 0 {
			return nil, errors.New("flags --active-low, --tone: found with a speaker; allowed: with a line")
		}
		if device == "" {
			device = "auto"
		}
		return &probe.Sounder{Driver: "speaker", Device: device}, nil
	}
	s := &probe.Sounder{Driver: "buzzer", Line: text, ActiveLow: activeLow, Tone: tone}
	if pwm := strings.HasPrefix(text, "pwmchip"); pwm != (tone != 0) {
		return nil, fmt.Errorf("flag --sound: found %q with --tone %g; allowed: a tone with a PWM output such as pwmchip0/pwm0, none with a line", text, tone)
	}
	if !strings.HasPrefix(text, "gpiochip") {
		return s, nil
	}
	name, number, _ := strings.Cut(strings.Replace(text, ":", "/", 1), "/")
	n, err := strconv.Atoi(number)
	if err != nil {
		return nil, fmt.Errorf("flag --sound: found %q; allowed: a line's name such as GPIO18, or chip and number such as gpiochip0/18", text)
	}
	chip, err := sys.Lines("/dev/" + name)
	if err != nil {
		return nil, fmt.Errorf("flag --sound: %w", err)
	}
	for _, l := range chip.Lines {
		if l.Offset == n {
			s.Line = cmp.Or(l.Name, name+"/"+number)
			return s, nil
		}
	}
	return nil, fmt.Errorf("flag --sound: found line %d of %s; allowed: 0 to %d", n, name, len(chip.Lines)-1)
}

// sound sounds for a second.
func (v *probing) sound(ctx context.Context) (err error) {
	s := v.sounder
	dev, err := openSounder(&config.Sounder{Driver: s.Driver, Line: s.Line, ActiveLow: s.ActiveLow, Tone: s.Tone, Device: s.Device, Level: 0.8}, v.sys.Ports)
	if dev != nil {
		defer func() { err = errors.Join(err, dev.Close()) }()
	}
	if errors.Is(err, fs.ErrNotExist) && s.Driver == "buzzer" {
		return input(fmt.Errorf("flag --sound: found no line %q; allowed: a line that 'tipoff probe' lists (%w)", s.Line, err))
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(v.err, "%s sounds for %v: do you hear it where you work?\n", dev, soundFor)
	p := &drivers.Pattern{Name: "try", Pulses: []drivers.Pulse{{Length: soundFor}}, Repeat: 10 * soundFor, Tone: 880}
	if err := dev.Set(p); err != nil {
		return err
	}
	c := v.sys.Clock
	for end := c.Now() + soundFor; c.Now() < end; {
		if err := dev.Tick(c.Now()); err != nil {
			return err
		}
		if err := c.SleepUntil(ctx, min(c.Now()+10*time.Millisecond, end)); err != nil {
			return err
		}
	}
	return dev.Set(nil)
}

// emulatedSystem is the demo's bench with the files that a computer with these
// buses would have, in a folder that done removes.
func emulatedSystem() (sys probe.System, done func(), err error) {
	dir, err := os.MkdirTemp("", "tipoff-probe-")
	if err != nil {
		return sys, nil, err
	}
	v := clock.NewVirtual(time.Now(), 0)
	board := emulated.NewBoard(v)
	w := plant.DefaultWiring()
	plant.NewShow(v, 1).Wire(board, w)
	files := map[string]string{"proc/device-tree/model": "emulated bench of the demo", "dev/gpiochip0": ""}
	for _, path := range []string{w.I2C, w.TC, w.CT} {
		files[path] = ""
	}
	for path, text := range files {
		file := filepath.Join(dir, path)
		err = errors.Join(err, os.MkdirAll(filepath.Dir(file), 0o755), os.WriteFile(file, []byte(text), 0o644))
	}
	if err != nil {
		return sys, nil, errors.Join(err, os.RemoveAll(dir))
	}
	sys = probe.System{
		Root: os.DirFS(dir), Ports: board, Clock: v,
		May: func(string) (string, error) { return "", nil },
		Lines: func(string) (probe.GPIOChip, error) {
			c := probe.GPIOChip{Label: "emulated"}
			for i := range 28 {
				l := probe.Line{Offset: i, Name: fmt.Sprintf("GPIO%d", i)}
				switch i {
				case 7, 8:
					l.Used, l.Output, l.By = true, true, fmt.Sprintf("spi0 CS%d", 8-i)
				}
				c.Lines = append(c.Lines, l)
			}
			return c, nil
		},
	}
	return sys, func() { _ = os.RemoveAll(dir) }, nil // a left-over empty folder does no harm
}
