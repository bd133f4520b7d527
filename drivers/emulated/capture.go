package emulated

import (
	"context"
	"encoding/binary"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"golang.org/x/sys/unix"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

// Capture is an IIO device of the kernel's that is read by its buffer: a folder
// of attributes and a device file, here a pipe, to which a scan of one input and
// a timestamp comes at each tick of its clock while the buffer is enabled.
type Capture struct {
	Faults
	// Value is the input's code at a time, 12 bits, signed.
	Value func(at time.Duration) float64

	root, name string
	rate       float64
	clock      clock.Clock

	number  int // of the device, counts up each time it is plugged in
	plugged bool
	other   bool
	pipe    int // what the kernel writes to
	enable  int // the buffer's switch, read
	open    bool
	taken   time.Duration // last scan
	code    int16
	scan    [16]byte
	text    [1]byte
}

// NewCapture makes a device of that name below root, with input voltage0.
func NewCapture(root, name string, rate float64) *Capture {
	return &Capture{root: root, name: name, rate: rate}
}

func (s *Capture) place() (folder, device string) {
	n := "iio:device" + strconv.Itoa(s.number)
	return filepath.Join(s.root, "sys/bus/iio/devices", n), filepath.Join(s.root, "dev", n)
}

// LoseConfig switches the buffer off, as another program does.
func (s *Capture) LoseConfig() {
	folder, _ := s.place()
	// A device that is not there has nothing to switch.
	_ = os.WriteFile(filepath.Join(folder, "buffer/enable"), []byte("0\n"), 0o644)
}

// Under gives d, the driver at root, whose devices are this one.
func (s *Capture) Under(d drivers.Driver) drivers.Driver {
	open := d.Open
	d.Open = func(p drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
		src, err := open(p, c, cfg)
		if err != nil {
			return nil, err
		}
		s.clock = c
		return &captureSource{Source: src, device: s}, nil
	}
	return d
}

// captureSource lets the device do what it has done meanwhile before each call.
type captureSource struct {
	drivers.Source
	device *Capture
}

// SettingsLost is the driver's own count.
func (s *captureSource) SettingsLost() int {
	return s.Source.(interface{ SettingsLost() int }).SettingsLost()
}

// Start implements drivers.Source.
func (s *captureSource) Start(ctx context.Context) error {
	if err := s.device.step(); err != nil {
		return err
	}
	return s.Source.Start(ctx)
}

// Read implements drivers.Source.
func (s *captureSource) Read(ctx context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	if err := s.device.step(); err != nil {
		return 0, s.device.clock.Now(), err
	}
	return s.Source.Read(ctx, dst)
}

// Close implements drivers.Source.
func (s *captureSource) Close() error {
	err := s.Source.Close()
	s.device.shut()
	return err
}

// step brings files and pipe up to now.
func (s *Capture) step() error {
	wait(s.clock, s)
	now := s.clock.Now()
	there := !s.is(absent)
	if there != s.plugged || s.is(otherChip) != s.other {
		if err := s.plug(there); err != nil {
			return err
		}
		s.taken = now
	}
	if !there {
		return os.MkdirAll(filepath.Join(s.root, "sys/bus/iio/devices"), 0o755) // the kernel has the class all the same
	}
	if n, err := unix.Pread(s.enable, s.text[:], 0); n != 1 || err != nil || s.text[0] != '1' {
		s.taken = now
		return nil
	}
	period := time.Duration(1e9 / s.rate)
	for ; s.taken+period <= now; s.taken += period {
		// A chip that the kernel's driver can not reach gives no scan.
		if s.is(busLow) || s.refuses() {
			continue
		}
		at := s.taken + period
		if !s.is(frozen) {
			s.code = int16(math.Round(s.Value(at)))
		}
		binary.LittleEndian.PutUint16(s.scan[:], uint16(s.code<<4)) // le:s12/16>>4
		binary.LittleEndian.PutUint64(s.scan[8:], uint64(at))
		if _, err := unix.Write(s.pipe, s.scan[:]); err != nil && !errors.Is(err, unix.EAGAIN) {
			return err
		}
	}
	return nil
}

// shut closes what the kernel has open.
func (s *Capture) shut() {
	if s.open {
		_ = errors.Join(unix.Close(s.pipe), unix.Close(s.enable)) // a model's: nothing can be lost
		s.open = false
	}
}

// plug takes the device away or makes it anew, under the next number.
func (s *Capture) plug(there bool) error {
	s.other = s.is(otherChip)
	folder, device := s.place()
	if s.plugged {
		s.shut()
		if err := errors.Join(os.RemoveAll(folder), os.Remove(device)); err != nil {
			return err
		}
		s.number++
		folder, device = s.place()
	}
	s.plugged = there
	if !there {
		return nil
	}
	if err := os.MkdirAll(filepath.Dir(device), 0o755); err != nil {
		return err
	}
	name := s.name
	if s.other {
		name = "another"
	}
	for file, text := range map[string]string{
		"name": name, "in_voltage0_raw": "0", "in_voltage0_scale": "2.000000000", "sampling_frequency": "10", "current_timestamp_clock": "realtime",
		"buffer/enable": "0", "buffer/length": "2", "buffer/watermark": "1",
		"scan_elements/in_voltage0_en": "0", "scan_elements/in_voltage0_index": "0", "scan_elements/in_voltage0_type": "le:s12/16>>4",
		"scan_elements/in_timestamp_en": "0", "scan_elements/in_timestamp_index": "1", "scan_elements/in_timestamp_type": "le:s64/64>>0",
	} {
		path := filepath.Join(folder, file)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text+"\n"), 0o644)); err != nil {
			return err
		}
	}
	if err := unix.Mkfifo(device, 0o600); err != nil {
		return err
	}
	var err error
	// Open both ways, so that there is always somebody at either end.
	if s.pipe, err = unix.Open(device, unix.O_RDWR|unix.O_NONBLOCK|unix.O_CLOEXEC, 0); err != nil {
		return err
	}
	if s.enable, err = unix.Open(filepath.Join(folder, "buffer/enable"), unix.O_RDONLY|unix.O_CLOEXEC, 0); err != nil {
		return errors.Join(err, unix.Close(s.pipe))
	}
	s.open = true
	return nil
}
