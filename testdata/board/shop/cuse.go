package main

import (
	"encoding/binary"
	"errors"
	"fmt"
	"syscall"

	"golang.org/x/sys/unix"
)

// What follows is the kernel's side of a character device served from user
// space, include/uapi/linux/fuse.h of Linux 6.1, spoken on /dev/cuse.
const (
	opOpen      = 14
	opRead      = 15
	opWrite     = 16
	opRelease   = 18
	opFlush     = 25
	opInterrupt = 36
	opIoctl     = 39
	opPoll      = 40
	opInit      = 4096

	inHeader  = 40
	outHeader = 16

	unrestrictedIoctl = 1 << 0 // CUSE_UNRESTRICTED_IOCTL
	ioctlRetry        = 1 << 2 // FUSE_IOCTL_RETRY
	directIO          = 1 << 0 // FOPEN_DIRECT_IO
)

var le = binary.LittleEndian

// handle is one opening of a device.
type handle interface {
	// ioctl carries out a call; its result is what the caller's ioctl returns.
	// While c lacks memory that it asked for, what it returns is not used and
	// it is called again.
	ioctl(c *call) (result int32, err error)
	read(b []byte) error
	write(b []byte) error
}

// window is a stretch of the caller's memory.
type window struct{ addr, size uint64 }

// call is an ioctl under way. The kernel brings the caller's memory only after
// it was asked for, so a call is played again until nothing is missing.
type call struct {
	cmd  uint32
	arg  uint64
	in   []byte // the memory asked for so far
	room uint32 // of the answer

	ins, outs []window
	used      uint64 // of in
	missing   bool
	answer    []byte
}

// fetch is n bytes of the caller's memory at addr; zeros while they are missing.
func (c *call) fetch(addr, n uint64) []byte {
	c.ins = widen(c.ins, addr, n)
	from := c.used
	c.used += n
	if c.used > uint64(len(c.in)) {
		c.missing = true
		return make([]byte, n)
	}
	return c.in[from:c.used]
}

// give is n bytes that the caller will find at addr.
func (c *call) give(addr, n uint64) []byte {
	c.outs = widen(c.outs, addr, n)
	total := uint64(0)
	for _, w := range c.outs {
		total += w.size
	}
	if total > uint64(c.room) {
		c.missing = true
	}
	from := len(c.answer)
	c.answer = append(c.answer, make([]byte, n)...)
	return c.answer[from:]
}

// reserve keeps answer from moving while slices of it are held.
func (c *call) reserve(n uint64) { c.answer = make([]byte, 0, n) }

// widen joins neighbours: the kernel takes 256 windows at most.
func widen(ws []window, addr, n uint64) []window {
	if k := len(ws) - 1; k >= 0 && ws[k].addr+ws[k].size == addr {
		ws[k].size += n
		return ws
	}
	return append(ws, window{addr, n})
}

// device is a character device that the kernel shows as /dev/NAME.
type device struct {
	name    string
	fd      int
	open    func() handle
	handles map[uint64]handle
	last    uint64
}

// serve makes /dev/NAME and answers until the kernel ends it.
func serve(name string, open func() handle) error {
	fd, err := unix.Open("/dev/cuse", unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("opening /dev/cuse for %s: %w", name, err)
	}
	d := &device{name: name, fd: fd, open: open, handles: map[uint64]handle{}}
	buf := make([]byte, 256<<10)
	for {
		n, err := unix.Read(fd, buf)
		switch {
		case errors.Is(err, unix.EINTR), errors.Is(err, unix.ENOENT): // a call that was given up
			continue
		case err != nil:
			return fmt.Errorf("serving /dev/%s: %w", name, err)
		}
		if err := d.request(buf[:n]); err != nil {
			return fmt.Errorf("serving /dev/%s: %w", name, err)
		}
	}
}

func (d *device) request(b []byte) error {
	op, id, body := le.Uint32(b[4:]), le.Uint64(b[8:]), b[inHeader:]
	switch op {
	case opInit:
		out := make([]byte, 72)
		le.PutUint32(out, le.Uint32(body))
		le.PutUint32(out[4:], le.Uint32(body[4:]))
		le.PutUint32(out[12:], unrestrictedIoctl)
		le.PutUint32(out[16:], 1<<16) // largest read
		le.PutUint32(out[20:], 1<<16) // largest write
		return d.reply(id, nil, out, []byte("DEVNAME="+d.name+"\x00"))
	case opOpen:
		d.last++
		d.handles[d.last] = d.open()
		out := make([]byte, 16)
		le.PutUint64(out, d.last)
		le.PutUint32(out[8:], directIO)
		return d.reply(id, nil, out)
	case opRelease:
		delete(d.handles, le.Uint64(body))
		return d.reply(id, nil)
	case opFlush:
		return d.reply(id, nil)
	case opInterrupt:
		return nil // no call takes long
	case opPoll:
		return d.reply(id, unix.ENOSYS)
	}
	h := d.handles[le.Uint64(body)]
	switch {
	case h == nil:
		return d.reply(id, unix.ENOSYS)
	case op == opRead:
		out := make([]byte, le.Uint32(body[16:]))
		if err := h.read(out); err != nil {
			return d.reply(id, err)
		}
		return d.reply(id, nil, out)
	case op == opWrite:
		n := le.Uint32(body[16:])
		if err := h.write(body[40 : 40+n]); err != nil {
			return d.reply(id, err)
		}
		out := make([]byte, 8)
		le.PutUint32(out, n)
		return d.reply(id, nil, out)
	case op == opIoctl:
		return d.ioctl(id, h, body)
	}
	return d.reply(id, unix.ENOSYS)
}

func (d *device) ioctl(id uint64, h handle, body []byte) error {
	n := le.Uint32(body[24:])
	c := &call{cmd: le.Uint32(body[12:]), arg: le.Uint64(body[16:]), in: body[32 : 32+n], room: le.Uint32(body[28:])}
	result, err := h.ioctl(c)
	out := make([]byte, 16)
	if c.missing {
		le.PutUint32(out[4:], ioctlRetry)
		le.PutUint32(out[8:], uint32(len(c.ins)))
		le.PutUint32(out[12:], uint32(len(c.outs)))
		for _, w := range append(c.ins, c.outs...) {
			out = le.AppendUint64(out, w.addr)
			out = le.AppendUint64(out, w.size)
		}
		return d.reply(id, nil, out)
	}
	if err != nil {
		return d.reply(id, err)
	}
	le.PutUint32(out, uint32(result))
	return d.reply(id, nil, out, c.answer)
}

// reply answers the request; an err without an errno is told as EIO.
func (d *device) reply(id uint64, err error, parts ...[]byte) error {
	out := make([]byte, outHeader)
	if err != nil {
		errno := syscall.EIO
		errors.As(err, &errno)
		le.PutUint32(out[4:], uint32(-int32(errno)))
	}
	le.PutUint64(out[8:], id)
	for _, p := range parts {
		out = append(out, p...)
	}
	le.PutUint32(out, uint32(len(out)))
	_, werr := unix.Write(d.fd, out)
	if errors.Is(werr, unix.ENOENT) {
		return nil // the caller has gone away
	}
	return werr
}
