package host

import (
	"errors"
	"os"
	"syscall"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// Sizes, places and numbers printed by a C program that includes
// linux/spi/spidev.h (Debian's linux-libc-dev, gcc on amd64).
func TestSPILayout(t *testing.T) {
	var x spiTransfer
	for what, got := range map[string][2]uintptr{
		"sizeof(struct spi_ioc_transfer)":    {unsafe.Sizeof(x), 0x20},
		"offset of speed_hz":                 {unsafe.Offsetof(x.speedHz), 0x14},
		"offset of delay_usecs":              {unsafe.Offsetof(x.delay), 0x18},
		"offset of cs_change":                {unsafe.Offsetof(x.csChange), 0x1b},
		"offset of word_delay_usecs":         {unsafe.Offsetof(x.wordDelay), 0x1e},
		"SPI_IOC_MESSAGE(1)":                 {spiMessages(1), 0x40206b00},
		"SPI_IOC_MESSAGE(511)":               {spiMessages(511), 0x7fe06b00},
		"the most transfers (512 wrap to 0)": {spiMost, 511},
		"SPI_NO_CS | SPI_LSB_FIRST | _3WIRE": {spiNoCS | spiLSBFirst | spi3Wire, 0x40 | 0x08 | 0x10},
	} {
		if got[0] != got[1] {
			t.Errorf("%s = %#x, want %#x", what, got[0], got[1])
		}
	}
}

// fakeSPI stands for the kernel: it notes what it is asked and answers each
// byte with its complement, reading and writing at the addresses it is given.
type fakeSPI struct {
	ops  []uintptr
	mode uint8
	last []spiTransfer
	fail unix.Errno
}

func (f *fakeSPI) call(_, op uintptr, arg unsafe.Pointer) unix.Errno {
	if f.fail != 0 {
		return f.fail
	}
	if op == spiWriteMode {
		f.ops, f.mode = append(f.ops[:0], op), *(*uint8)(arg)
		return 0
	}
	n := op >> 16 & 0x3FFF / transferSize
	f.ops = append(f.ops[:0], op)
	f.last = append(f.last[:0], unsafe.Slice((*spiTransfer)(arg), n)...)
	for _, x := range f.last {
		for i := range uintptr(x.length) {
			b := byte(0)
			if x.tx != 0 {
				b = *at(x.tx, i)
			}
			if x.rx != 0 {
				*at(x.rx, i) = ^b
			}
		}
	}
	return 0
}

// at is the byte i beyond an address that a transfer carries as a number. The
// caller keeps what is there alive.
func at(addr uint64, i uintptr) *byte {
	p := uintptr(addr) + i
	return *(**byte)(unsafe.Pointer(&p))
}

func fakePort(t *testing.T) (*spiPort, *fakeSPI) {
	t.Helper()
	p, err := openSPI(os.DevNull)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = p.Close() })
	f := &fakeSPI{}
	p.call, p.buffer = f.call, 4096
	return p, f
}

func TestSPIBatch(t *testing.T) {
	p, f := fakePort(t)
	if err := p.LimitSpeed(500 * physic.KiloHertz); err != nil {
		t.Fatal(err)
	}
	c, err := p.Connect(physic.MegaHertz, spi.Mode3|spi.LSBFirst, 8)
	if err != nil || f.mode != 0x03|0x08 {
		t.Fatalf("mode %#x, %v", f.mode, err)
	}
	if _, err := p.Connect(physic.MegaHertz, spi.Mode0, 8); err == nil {
		t.Error("a second Connect passes")
	}
	w, r := []byte{1, 2, 3}, make([]byte, 3)
	batch := []spi.Packet{{W: w, R: r}, {W: w[:2], KeepCS: true}, {R: make([]byte, 1), BitsPerWord: 16}}
	if err := c.TxPackets(batch); err != nil {
		t.Fatal(err)
	}
	// Chip select rises after the first and falls again, stays low after the
	// second as asked, and rises at the end: cs_change 1, 0, 0.
	for i, want := range []spiTransfer{
		{length: 3, speedHz: 500_000, bitsPerWord: 8, csChange: 1},
		{length: 2, speedHz: 500_000, bitsPerWord: 8},
		{length: 1, speedHz: 500_000, bitsPerWord: 16},
	} {
		got := f.last[i]
		got.tx, got.rx = 0, 0
		if got != want {
			t.Errorf("transfer %d: %+v, want %+v", i, got, want)
		}
	}
	if r[0] != 0xFE || r[2] != 0xFC || batch[2].R[0] != 0xFF {
		t.Errorf("received % X and % X", r, batch[2].R)
	}
	if err := c.Tx(w, r); err != nil || f.last[0].csChange != 0 || len(f.last) != 1 {
		t.Errorf("single transfer: %+v, %v", f.last, err)
	}
	f.fail = syscall.EIO
	if err := c.Tx(w, r); !errors.Is(err, syscall.EIO) {
		t.Errorf("%v, want %v", err, syscall.EIO)
	}
}

func TestSPIHalfDuplexAndLimits(t *testing.T) {
	p, f := fakePort(t)
	if err := p.Tx([]byte{1}, nil); err == nil {
		t.Error("a transfer before Connect passes")
	}
	if _, err := p.Connect(physic.MegaHertz, spi.HalfDuplex|spi.NoCS, 8); err != nil || f.mode != 0x50 {
		t.Fatalf("mode %#x, %v", f.mode, err)
	}
	if err := p.Tx([]byte{1, 2}, make([]byte, 1)); err != nil || len(f.last) != 2 || f.last[0].length != 2 || f.last[1].length != 1 {
		t.Errorf("half duplex: %+v, %v", f.last, err)
	}
	for what, batch := range map[string][]spi.Packet{
		"nothing": {{}}, "too many bytes": {{W: make([]byte, 4097)}}, "too many packets": make([]spi.Packet, 512),
		"unequal lengths": {{W: make([]byte, 2), R: make([]byte, 1)}},
	} {
		if err := p.TxPackets(batch); !errors.Is(err, unix.EMSGSIZE) {
			t.Errorf("%s: %v, want %v", what, err, unix.EMSGSIZE)
		}
	}
	for what, err := range map[string]error{
		"clock": p.LimitSpeed(physic.Hertz),
	} {
		if err == nil {
			t.Errorf("wrong %s passes", what)
		}
	}
	q, _ := fakePort(t)
	if _, err := q.Connect(physic.Hertz, spi.Mode0, 8); !errors.Is(err, unix.EINVAL) {
		t.Errorf("1 Hz: %v", err)
	}
}

// What is no SPI port refuses, with its errno reachable.
func TestSPIRefused(t *testing.T) {
	p, err := openSPI(os.DevNull)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if _, err := p.Connect(physic.MegaHertz, spi.Mode0, 8); !errors.Is(err, syscall.ENOTTY) {
		t.Errorf("%v, want %v", err, syscall.ENOTTY)
	}
}

// batch80 is what mcp3208 sends 50 times a second.
func batch80() []spi.Packet {
	tx, rx := make([]byte, 400), make([]byte, 400)
	out := make([]spi.Packet, 80)
	for i := range out {
		out[i] = spi.Packet{W: tx[5*i : 5*i+5], R: rx[5*i : 5*i+5]}
	}
	return out
}

func TestSPIBatchAllocatesNothing(t *testing.T) {
	p, _ := fakePort(t)
	if _, err := p.Connect(physic.MegaHertz, spi.Mode0, 8); err != nil {
		t.Fatal(err)
	}
	p.call = func(uintptr, uintptr, unsafe.Pointer) unix.Errno { return 0 }
	batch, w, r := batch80(), make([]byte, 17), make([]byte, 17)
	if n := testing.AllocsPerRun(100, func() {
		if p.TxPackets(batch) != nil || p.Tx(w, r) != nil {
			t.Error("refused")
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkSPIBatch80(b *testing.B) {
	p, err := openSPI(os.DevNull)
	if err != nil {
		b.Fatal(err)
	}
	defer p.Close()
	p.call = func(uintptr, uintptr, unsafe.Pointer) unix.Errno { return 0 }
	if _, err := p.Connect(physic.MegaHertz, spi.Mode0, 8); err != nil {
		b.Fatal(err)
	}
	batch := batch80()
	b.ReportAllocs()
	for b.Loop() {
		if err := p.TxPackets(batch); err != nil {
			b.Fatal(err)
		}
	}
}
