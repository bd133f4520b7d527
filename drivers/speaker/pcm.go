package speaker

import (
	"errors"
	"unsafe"

	"golang.org/x/sys/unix"
)

// What follows is the kernel's interface to PCM devices, include/uapi/sound/
// asound.h of Linux 6.1, version 2.0.15 of the protocol. unsigned long is
// uintptr, long is int: the layout then is right on 32 and 64 bits.

type interval struct{ min, max, flags uint32 }

const (
	intervalOpenMax = 1 << 1
	intervalInteger = 1 << 2
)

// hwParams is struct snd_pcm_hw_params.
type hwParams struct {
	flags     uint32
	masks     [3][8]uint32
	mres      [5][8]uint32
	intervals [12]interval
	ires      [9]interval
	rmask     uint32
	cmask     uint32
	info      uint32
	msbits    uint32
	rateNum   uint32
	rateDen   uint32
	fifoSize  uintptr
	reserved  [64]byte
}

// swParams is struct snd_pcm_sw_params.
type swParams struct {
	tstampMode       int32
	periodStep       uint32
	sleepMin         uint32
	availMin         uintptr
	xferAlign        uintptr
	startThreshold   uintptr
	stopThreshold    uintptr
	silenceThreshold uintptr
	silenceSize      uintptr
	boundary         uintptr
	proto            uint32
	tstampType       uint32
	reserved         [56]byte
}

// xferi is struct snd_xferi.
type xferi struct {
	result int
	buf    unsafe.Pointer
	frames uintptr
}

// Indices of masks and, less 8, of intervals.
const (
	maskAccess     = 0
	maskFormat     = 1
	rangeChannels  = 10 - 8
	rangeRate      = 11 - 8
	rangePeriodUS  = 12 - 8
	rangeBufferLen = 17 - 8

	accessInterleaved = 3 // SNDRV_PCM_ACCESS_RW_INTERLEAVED
	formatS16LE       = 2 // SNDRV_PCM_FORMAT_S16_LE
)

// ioctl request numbers by include/uapi/asm-generic/ioctl.h, which arm, arm64,
// x86 and riscv use.
const (
	ioRead  = 2 << 30
	ioWrite = 1 << 30
	ioSound = 'A' << 8

	ioHWParams = ioRead | ioWrite | uint32(unsafe.Sizeof(hwParams{}))<<16 | ioSound | 0x11
	ioSWParams = ioRead | ioWrite | uint32(unsafe.Sizeof(swParams{}))<<16 | ioSound | 0x13
	ioDelay    = ioRead | uint32(unsafe.Sizeof(int(0)))<<16 | ioSound | 0x21
	ioPrepare  = ioSound | 0x40
	ioDrop     = ioSound | 0x43
	ioWriteI   = ioWrite | uint32(unsafe.Sizeof(xferi{}))<<16 | ioSound | 0x50
)

// file is an open PCM device.
type file interface {
	// ioctl does the request; an error is a unix.Errno.
	ioctl(req uint32, arg unsafe.Pointer) error
	close() error
}

type deviceFile int

// openFile opens a PCM device so that nothing waits: neither opening it while
// another program has it, nor writing while it is full.
func openFile(path string) (file, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	return deviceFile(fd), nil
}

func (f deviceFile) ioctl(req uint32, arg unsafe.Pointer) error {
	for {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(f), uintptr(req), uintptr(arg))
		switch errno {
		case 0:
			return nil
		case unix.EINTR:
		default:
			return errno
		}
	}
}

func (f deviceFile) close() error { return unix.Close(int(f)) }

// card is a PCM device that is set up.
type card struct {
	file     file
	rate     int
	channels int
	buffer   int // frames
	playing  bool
	x        xferi
	frames   int // for the delay; a field so that it does not escape anew
}

// setup agrees with the device on how it plays: 16 bits, 48 or 44.1 kHz, mono or
// stereo, whichever it has first in that order.
func setup(f file) (*card, error) {
	var last error
	for _, roomy := range []bool{true, false} {
		for _, rate := range []uint32{48000, 44100} {
			for _, channels := range []uint32{1, 2} {
				c := &card{file: f, rate: int(rate), channels: int(channels)}
				last = c.hardware(rate, channels, roomy)
				if last == nil {
					return c, c.software()
				}
				if !errors.Is(last, unix.EINVAL) {
					return nil, last
				}
			}
		}
	}
	return nil, last
}

// hardware asks for the settings. roomy also bounds buffer and period; a device
// that has nothing in these bounds is asked without them.
func (c *card) hardware(rate, channels uint32, roomy bool) error {
	var p hwParams
	for i := range p.masks {
		for j := range p.masks[i] {
			p.masks[i][j] = ^uint32(0)
		}
	}
	for i := range p.intervals {
		p.intervals[i].max = ^uint32(0)
	}
	p.rmask, p.info = ^uint32(0), ^uint32(0)
	p.masks[maskAccess] = [8]uint32{1 << accessInterleaved}
	p.masks[maskFormat] = [8]uint32{1 << formatS16LE}
	p.intervals[rangeChannels] = interval{channels, channels, intervalInteger}
	p.intervals[rangeRate] = interval{rate, rate, intervalInteger}
	if roomy {
		p.intervals[rangePeriodUS] = interval{5_000, 60_000, 0}
		p.intervals[rangeBufferLen] = interval{rate / 5, rate, intervalInteger}
	}
	if err := c.file.ioctl(ioHWParams, unsafe.Pointer(&p)); err != nil {
		return err
	}
	c.buffer = int(p.intervals[rangeBufferLen].max)
	if p.intervals[rangeBufferLen].flags&intervalOpenMax != 0 {
		c.buffer--
	}
	return nil
}

// software makes the device begin with the first frame and stop when it has
// played all.
func (c *card) software() error {
	p := swParams{periodStep: 1, availMin: 1, xferAlign: 1, startThreshold: 1, stopThreshold: uintptr(c.buffer)}
	p.boundary = uintptr(c.buffer)
	for p.boundary*2 <= ^uintptr(0)>>1-uintptr(c.buffer) {
		p.boundary *= 2
	}
	if err := c.file.ioctl(ioSWParams, unsafe.Pointer(&p)); err != nil {
		return err
	}
	return c.prepare()
}

func (c *card) prepare() error {
	c.playing = false
	return c.file.ioctl(ioPrepare, nil)
}

// stop silences the device at once and makes it ready again.
func (c *card) stop() error {
	if !c.playing {
		return nil
	}
	if err := c.file.ioctl(ioDrop, nil); err != nil {
		return err
	}
	return c.prepare()
}

// queued is how many frames are not heard yet. A device that has run dry, or
// was asleep, is made ready again.
func (c *card) queued() (int, error) {
	if !c.playing {
		return 0, nil
	}
	err := c.file.ioctl(ioDelay, unsafe.Pointer(&c.frames))
	if ranDry(err) {
		return 0, c.prepare()
	}
	return max(c.frames, 0), err
}

// write hands over as many of the frames as the device takes now.
func (c *card) write(b []int16) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	c.x = xferi{buf: unsafe.Pointer(&b[0]), frames: uintptr(len(b) / c.channels)}
	err := c.file.ioctl(ioWriteI, unsafe.Pointer(&c.x))
	switch {
	case errors.Is(err, unix.EAGAIN):
		return 0, nil
	case ranDry(err):
		return 0, c.prepare()
	case err != nil:
		return 0, err
	}
	c.playing = true
	return c.x.result, nil
}

func ranDry(err error) bool { return errors.Is(err, unix.EPIPE) || errors.Is(err, unix.ESTRPIPE) }
