package main

import (
	"os"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
)

// caller plays the kernel's part: it brings memory when it is asked for. Addresses
// are places in mem.
type caller struct {
	t     *testing.T
	dev   *device
	from  *os.File
	mem   []byte
	turns int
}

func newCaller(t *testing.T, h handle) *caller {
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close(); w.Close() })
	d := &device{name: "test", fd: int(w.Fd()), handles: map[uint64]*opening{1: {handle: h, known: map[request]asking{}}}}
	return &caller{t: t, dev: d, from: r, mem: make([]byte, 4096)}
}

// ioctl does the call and returns its result.
func (c *caller) ioctl(cmd uint32, arg uint64) (int32, error) {
	c.t.Helper()
	var in, out []window
	for c.turns = 1; c.turns < 10; c.turns++ {
		msg := make([]byte, inHeader+32)
		le.PutUint32(msg[4:], opIoctl)
		le.PutUint64(msg[inHeader:], 1)
		le.PutUint32(msg[inHeader+12:], cmd)
		le.PutUint64(msg[inHeader+16:], arg)
		room := uint64(0)
		for _, w := range in {
			msg = append(msg, c.mem[w.addr:w.addr+w.size]...)
		}
		for _, w := range out {
			room += w.size
		}
		le.PutUint32(msg[inHeader+24:], uint32(len(msg)-inHeader-32))
		le.PutUint32(msg[inHeader+28:], uint32(room))
		if err := c.dev.request(msg); err != nil {
			c.t.Fatal(err)
		}
		buf := make([]byte, 4096)
		n, err := c.from.Read(buf)
		if err != nil {
			c.t.Fatal(err)
		}
		if e := int32(le.Uint32(buf[4:])); e != 0 {
			return -1, syscall.Errno(-e)
		}
		body := buf[outHeader:n]
		result, flags, data := int32(le.Uint32(body)), le.Uint32(body[4:]), body[16:]
		if flags&ioctlRetry == 0 {
			for _, w := range out {
				k := copy(c.mem[w.addr:w.addr+w.size], data)
				data = data[k:]
			}
			return result, nil
		}
		in, out = nil, nil
		for range le.Uint32(body[8:]) {
			in = append(in, window{le.Uint64(data), le.Uint64(data[8:])})
			data = data[16:]
		}
		for range le.Uint32(body[12:]) {
			out = append(out, window{le.Uint64(data), le.Uint64(data[8:])})
			data = data[16:]
		}
	}
	c.t.Fatal("the call does not come to an end")
	return 0, nil
}

// register lays out struct i2c_rdwr_ioctl_data at 0: one byte written from
// place w, two read to place r.
func (c *caller) register(addr uint16, reg byte, w, r uint64) {
	le.PutUint64(c.mem, 64)
	le.PutUint32(c.mem[8:], 2)
	le.PutUint16(c.mem[64:], addr)
	le.PutUint16(c.mem[68:], 1)
	le.PutUint64(c.mem[72:], w)
	le.PutUint16(c.mem[80:], addr)
	le.PutUint16(c.mem[82:], i2cRead)
	le.PutUint16(c.mem[84:], 2)
	le.PutUint64(c.mem[88:], r)
	c.mem[w] = reg
}

// The ADS1115's thresholds after power-up are 8000h and 7FFFh (TI SBAS444).
func TestI2C(t *testing.T) {
	b := emulated.NewBoard(clock.System{})
	b.AddI2C("/dev/i2c-1", 0x48, emulated.NewADS1115(clock.System{}))
	bus, err := b.I2C("/dev/i2c-1")
	if err != nil {
		t.Fatal(err)
	}
	c := newCaller(t, &i2cHandle{bus: bus})
	read := func(reg byte, w, r uint64, want [2]byte, turns int) {
		t.Helper()
		c.register(0x48, reg, w, r)
		n, err := c.ioctl(i2cRdwr, 0)
		if got := [2]byte(c.mem[r:]); err != nil || n != 2 || got != want || c.turns != turns {
			t.Errorf("% x, result %d in %d turns, %v; want % x in %d", got, n, c.turns, err, want, turns)
		}
	}
	read(2, 200, 300, [2]byte{0x80, 0x00}, 4)
	read(3, 200, 300, [2]byte{0x7F, 0xFF}, 2) // known by now
	read(2, 210, 320, [2]byte{0x80, 0x00}, 3) // the guess is wrong: asked again
	c.register(0x49, 0, 200, 300)
	if _, err := c.ioctl(i2cRdwr, 0); err != unix.EREMOTEIO {
		t.Errorf("absent chip: %v, want %v", err, unix.EREMOTEIO)
	}
	if _, err := c.ioctl(0x9999, 0); err != unix.ENOTTY {
		t.Errorf("unknown call: %v, want %v", err, unix.ENOTTY)
	}
}

// CR1 of the MAX31856 is 03h after power-up (its data sheet), read in mode 1.
func TestSPI(t *testing.T) {
	c := newCaller(t, &spiHandle{newSPI("/dev/spidev0.0", emulated.NewMAX31856(clock.System{}))})
	c.mem[100] = 1 // mode
	if _, err := c.ioctl(1<<30|1<<16|spiMagic|spiMode, 100); err != nil {
		t.Fatal(err)
	}
	le.PutUint64(c.mem, 200)
	le.PutUint64(c.mem[8:], 300)
	le.PutUint32(c.mem[16:], 2)
	le.PutUint32(c.mem[20:], 1_000_000)
	c.mem[26] = 8
	c.mem[200] = 0x01
	n, err := c.ioctl(1<<30|sizeOfTransfer<<16|spiMagic|spiMessage, 0)
	if err != nil || n != 2 || c.mem[301] != 0x03 {
		t.Errorf("CR1 = %#x, result %d, %v; want 0x03, 2", c.mem[301], n, err)
	}
	le.PutUint32(c.mem[16:], spiBuffer+1)
	if _, err := c.ioctl(1<<30|sizeOfTransfer<<16|spiMagic|spiMessage, 0); err != unix.EMSGSIZE {
		t.Errorf("beyond spidev's buffer: %v, want %v", err, unix.EMSGSIZE)
	}
}
