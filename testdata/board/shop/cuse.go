package main

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
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
	cmd uint32
	arg uint64
	in  []byte // the memory asked for so far

	asked, needed asking // of the kernel, and by the call
	used          uint64 // of in
	missing       bool
	answer        []byte
}

// asking is windows to read from and to write to.
type asking struct{ in, out []window }

// fetch is n bytes of the caller's memory at addr; zeros while they are missing.
func (c *call) fetch(addr, n uint64) []byte {
	c.needed.in = widen(c.needed.in, addr, n)
	from := c.used
	c.used += n
	if !begins(c.asked.in, c.needed.in) || c.used > uint64(len(c.in)) {
		c.missing = true
		return make([]byte, n)
	}
	return c.in[from:c.used]
}

// give is n bytes that the caller will find at addr.
func (c *call) give(addr, n uint64) []byte {
	c.needed.out = widen(c.needed.out, addr, n)
	if !begins(c.asked.out, c.needed.out) {
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

// begins tells whether some is the begin of all; its last window may be shorter.
func begins(all, some []window) bool {
	k := len(some) - 1
	return k < 0 || len(some) <= len(all) && slices.Equal(all[:k], some[:k]) &&
		all[k].addr == some[k].addr && all[k].size >= some[k].size
}

// request is which ioctl a handle was last seen to do, with what it needed: a
// caller that lays its memory out once is served one turn sooner.
type request struct {
	cmd uint32
	arg uint64
}

// mostKnown bounds what is kept of a caller whose memory moves.
const mostKnown = 64

// opening is a handle with what is known of its caller.
type opening struct {
	handle
	asked asking // by the call under way
	known map[request]asking
}

// device is a character device that the kernel shows as /dev/NAME.
type device struct {
	name    string
	fd      int
	open    func() handle
	handles map[uint64]*opening
	last    uint64
}

// serve makes /dev/NAME and answers until the kernel ends it.
func serve(name string, open func() handle) error {
	fd, err := unix.Open("/dev/cuse", unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("opening /dev/cuse for %s: %w", name, err)
	}
	d := &device{name: name, fd: fd, open: open, handles: map[uint64]*opening{}}
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
		d.handles[d.last] = &opening{handle: d.open(), known: map[request]asking{}}
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

func (d *device) ioctl(id uint64, h *opening, body []byte) error {
	n := le.Uint32(body[24:])
	c := &call{cmd: le.Uint32(body[12:]), arg: le.Uint64(body[16:]), in: body[32 : 32+n]}
	key := request{c.cmd, c.arg}
	first := n == 0 && le.Uint32(body[28:]) == 0
	if !first {
		c.asked = h.asked
	}
	result, err := h.ioctl(c)
	if c.missing {
		h.asked = c.needed
		if guess, ok := h.known[key]; ok && first {
			h.asked = guess
		}
		delete(h.known, key)
		return d.retry(id, h.asked)
	}
	if len(c.needed.in)+len(c.needed.out) > 0 {
		if len(h.known) == mostKnown {
			clear(h.known)
		}
		h.known[key] = c.needed
	}
	if err != nil {
		return d.reply(id, err)
	}
	out := make([]byte, 16)
	le.PutUint32(out, uint32(result))
	return d.reply(id, nil, out, c.answer)
}

// retry asks the kernel for the caller's memory.
func (d *device) retry(id uint64, a asking) error {
	out := make([]byte, 16)
	le.PutUint32(out[4:], ioctlRetry)
	le.PutUint32(out[8:], uint32(len(a.in)))
	le.PutUint32(out[12:], uint32(len(a.out)))
	for _, ws := range [][]window{a.in, a.out} {
		for _, w := range ws {
			out = le.AppendUint64(out, w.addr)
			out = le.AppendUint64(out, w.size)
		}
	}
	return d.reply(id, nil, out)
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
