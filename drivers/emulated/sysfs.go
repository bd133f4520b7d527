package emulated

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"golang.org/x/sys/unix"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

// Sysfs is a device of the kernel's (IIO, hwmon) as a folder of attribute files,
// of which one holds a number that changes. It stands below a root that drivers
// with such a parameter are given.
//
// A kernel makes an attribute's text when it is read. [Sysfs.Under] puts that
// between driver and files: each Read and Start first brings the file up to date.
type Sysfs struct {
	Faults
	// Value is the attribute's number at a time; it is written as a whole one.
	Value func(at time.Duration) float64

	// FaultFile is an attribute that says 1 while the sensor is open, "" for none.
	FaultFile string

	root  string
	class string // folder of all devices of the kind, below root
	stem  string // "iio:device", "hwmon"
	fixed map[string]string
	attr  string

	number  int // of the device's folder, counts up each time it is plugged in
	plugged bool
	broken  bool
	other   bool
	last    string
	rng     *rand.Rand
}

// NewSysfs makes a device and plugs it in: class is "sys/bus/iio/devices" or the
// like, stem what its folders' names begin with, fixed the files that do not
// change ("name" among them), attr the file that does.
func NewSysfs(root, class, stem string, fixed map[string]string, attr string) *Sysfs {
	return &Sysfs{root: root, class: class, stem: stem, fixed: fixed, attr: attr, rng: rand.New(rand.NewPCG(8, 8))}
}

func (s *Sysfs) dir() string {
	return filepath.Join(s.root, s.class, s.stem+strconv.Itoa(s.number))
}

// step brings the files up to the time at.
func (s *Sysfs) step(at time.Duration) error {
	there := !s.is(absent)
	if there != s.plugged || s.is(otherChip) != s.other {
		if err := s.plug(there); err != nil {
			return err
		}
	}
	if !there {
		return os.MkdirAll(filepath.Join(s.root, s.class), 0o755) // the kernel has the class all the same
	}
	if dead := s.is(busLow) || s.nakEvery.Load() == 1; dead != s.broken {
		if err := s.breakFile(dead); err != nil {
			return err
		}
	}
	if s.broken {
		return nil
	}
	if s.refuses() {
		// The kernel's read fails; here there is nothing in the file.
		return os.Truncate(filepath.Join(s.dir(), s.attr), 0)
	}
	if s.FaultFile != "" {
		text := "0\n"
		if s.is(opened) {
			text = "1\n"
		}
		if err := os.WriteFile(filepath.Join(s.dir(), s.FaultFile), []byte(text), 0o644); err != nil {
			return err
		}
	}
	if !s.is(frozen) || s.last == "" {
		s.last = strconv.FormatInt(s.turned(int64(math.Round(s.Value(at)))), 10)
	}
	return os.WriteFile(filepath.Join(s.dir(), s.attr), []byte(s.last+"\n"), 0o644)
}

// turned is a code some of whose 16 bits turned over on the chip's bus below the
// kernel.
func (s *Sysfs) turned(code int64) int64 {
	p := math.Float64frombits(s.flip.Load())
	for bit := range 16 {
		if p > 0 && s.rng.Float64() < p {
			code ^= 1 << bit
		}
	}
	return code
}

// plug takes the device's folder away or makes it anew, under the next number as
// the kernel does, and with another chip's name if that is what is there.
func (s *Sysfs) plug(there bool) error {
	s.other = s.is(otherChip)
	if s.plugged {
		if err := s.breakFile(true); err != nil {
			return err
		}
		if err := os.RemoveAll(s.dir()); err != nil {
			return err
		}
		s.number++
	}
	s.plugged, s.broken = there, false
	if !there {
		return nil
	}
	for name, text := range s.fixed {
		if name == "name" && s.other {
			text = "another"
		}
		path := filepath.Join(s.dir(), name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(path, []byte(text+"\n"), 0o644); err != nil {
			return err
		}
	}
	return os.WriteFile(filepath.Join(s.dir(), s.attr), nil, 0o644)
}

// unreadable is a file that can be opened and whose reading fails with EIO:
// nothing is mapped at the beginning of a program's memory.
const unreadable = "/proc/self/mem"

// breakFile makes the attribute fail with EIO, also for those who have it open.
func (s *Sysfs) breakFile(on bool) error {
	s.broken = on
	path := filepath.Join(s.dir(), s.attr)
	if !on {
		if err := os.Remove(path); err != nil {
			return err
		}
		return os.WriteFile(path, nil, 0o644)
	}
	f, err := os.Open(unreadable)
	if err != nil {
		return err
	}
	defer f.Close()
	open, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		return err
	}
	for _, e := range open {
		if where, err := os.Readlink("/proc/self/fd/" + e.Name()); err != nil || where != path {
			continue
		}
		fd, err := strconv.Atoi(e.Name())
		if err != nil {
			return err
		}
		if err := unix.Dup3(int(f.Fd()), fd, unix.O_CLOEXEC); err != nil {
			return fmt.Errorf("breaking %s: %w", path, err)
		}
	}
	if err := os.Remove(path); err != nil {
		return err
	}
	return os.Symlink(unreadable, path)
}

// Under gives d whose devices are this one.
func (s *Sysfs) Under(d drivers.Driver) drivers.Driver {
	open := d.Open
	d.Open = func(p drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
		src, err := open(p, c, cfg)
		if err != nil {
			return nil, err
		}
		return &sysfsSource{Source: src, clock: c, device: s}, nil
	}
	return d
}

type sysfsSource struct {
	drivers.Source
	clock  clock.Clock
	device *Sysfs
}

// Unwrap gives the driver's own source, which reads the files as they are.
func (s *sysfsSource) Unwrap() drivers.Source { return s.Source }

func (s *sysfsSource) now() error {
	wait(s.clock, s.device)
	return s.device.step(s.clock.Now())
}

// Start implements drivers.Source.
func (s *sysfsSource) Start(ctx context.Context) error {
	if err := s.now(); err != nil {
		return err
	}
	return s.Source.Start(ctx)
}

// Read implements drivers.Source.
func (s *sysfsSource) Read(ctx context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	if err := s.now(); err != nil {
		return 0, s.clock.Now(), err
	}
	return s.Source.Read(ctx, dst)
}
