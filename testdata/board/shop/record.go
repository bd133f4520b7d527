package main

import (
	"errors"
	"fmt"
	"io"
	"unsafe"

	"golang.org/x/sys/unix"
)

// rate is the frames a second of the recording, mono, 16 bits, little endian.
const rate = 48000

// Requests of include/uapi/sound/asound.h on 64 bits, and where the settings
// lie in struct snd_pcm_hw_params. It is written here once more, without the
// code that tipoff plays with.
const (
	pcmHWParams = 0xC2604111
	pcmPrepare  = 0x4140

	paramsSize      = 608
	paramsMasks     = 4
	paramsIntervals = 260
	paramsMost      = 404 // end of the intervals
	paramsAsked     = 512
	paramsInfo      = 520
)

// record writes what the device hears to w until it fails or stop says so.
func record(path string, w io.Writer, stop func() bool) error {
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("opening %s: %w", path, err)
	}
	defer unix.Close(fd)
	var p [paramsSize]byte
	for i := paramsMasks; i < paramsMasks+3*32; i++ {
		p[i] = 0xFF
	}
	for i := paramsIntervals; i < paramsMost; i += 12 {
		le.PutUint32(p[i+4:], ^uint32(0))
	}
	le.PutUint32(p[paramsAsked:], ^uint32(0))
	le.PutUint32(p[paramsInfo:], ^uint32(0))
	mask := func(i int, bit uint32) {
		m := p[paramsMasks+32*i : paramsMasks+32*(i+1)]
		clear(m)
		le.PutUint32(m, bit)
	}
	between := func(i int, low, high uint32) {
		v := p[paramsIntervals+12*(i-8):]
		le.PutUint32(v, low)
		le.PutUint32(v[4:], high)
		le.PutUint32(v[8:], 1<<2) // whole numbers
	}
	mask(0, 1<<3)                // access: read and write, interleaved
	mask(1, 1<<2)                // format: signed 16 bits, little endian
	between(10, 1, 1)            // channels
	between(11, rate, rate)      // frames a second
	between(17, 5*rate, 10*rate) // buffer, frames: this program may be late
	if err := ioctl(fd, pcmHWParams, unsafe.Pointer(&p)); err != nil {
		return fmt.Errorf("setting %s up: %w", path, err)
	}
	if err := ioctl(fd, pcmPrepare, nil); err != nil {
		return fmt.Errorf("preparing %s: %w", path, err)
	}
	buf := make([]byte, 2*rate/10)
	for !stop() {
		n, err := unix.Read(fd, buf)
		if errors.Is(err, unix.EINTR) {
			continue
		}
		if err != nil {
			return fmt.Errorf("recording from %s: %w", path, err)
		}
		if _, err := w.Write(buf[:n]); err != nil {
			return fmt.Errorf("keeping the recording: %w", err)
		}
	}
	return nil
}
