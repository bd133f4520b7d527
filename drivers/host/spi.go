package host

import (
	"errors"
	"fmt"
	"os"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// From linux/spi/spidev.h.
const (
	spiWriteMode = 0x40016b01
	spiMessage   = 0x40006b00 // SPI_IOC_MESSAGE(0); the size goes into bits 16 to 29
	spiNoCS      = 0x40
	spiLSBFirst  = 0x08
	spi3Wire     = 0x10
	// spiMost is the most transfers whose size fits those bits.
	spiMost = 1<<14/transferSize - 1
)

const transferSize = 32

// spiTransfer is struct spi_ioc_transfer.
type spiTransfer struct {
	tx, rx      uint64
	length      uint32
	speedHz     uint32
	delay       uint16 // µs
	bitsPerWord uint8
	csChange    uint8
	txBits      uint8
	rxBits      uint8
	wordDelay   uint8
	_           uint8
}

func spiMessages(n int) uintptr { return spiMessage | uintptr(n)*transferSize<<16 }

// spiBufferFile says how many bytes spidev takes in one call.
const spiBufferFile = "/sys/module/spidev/parameters/bufsiz"

// spiPort is a port of the kernel's spidev. It stands in for periph's sysfs.SPI
// (host v3.8.5), which allocates a list of transfers for each batch and keeps of
// an errno the text only.
//
// Nothing waits between the transfers of a batch but the controller: spidev's
// own pauses (delay_usecs, word_delay_usecs) are sleeps of the kernel from 10 µs
// on, and so less steady than clock pulses. A driver that wants time between two
// samples clocks idle bytes, as mcp3208 does.
type spiPort struct {
	file   *os.File
	call   func(fd, op uintptr, arg unsafe.Pointer) unix.Errno
	buffer int
	limit  physic.Frequency

	mu        sync.Mutex
	connected bool
	freq      physic.Frequency
	bits      uint8
	half      bool
	noCS      bool
	transfers []spiTransfer // grows to the longest batch, once
	one       [2]spi.Packet // of Tx
}

var (
	_ spi.PortCloser = (*spiPort)(nil)
	_ spi.Conn       = (*spiPort)(nil)
	_ conn.Limits    = (*spiPort)(nil)
)

func openSPI(path string) (*spiPort, error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	p := &spiPort{file: f, call: ioctlPointer, buffer: 4096}
	if b, err := os.ReadFile(spiBufferFile); err == nil {
		if n, err := strconv.Atoi(strings.TrimSpace(string(b))); err == nil && n > 0 {
			p.buffer = n
		}
	}
	return p, nil
}

func ioctlPointer(fd, op uintptr, arg unsafe.Pointer) unix.Errno {
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, fd, op, uintptr(arg))
	return errno
}

// String implements spi.Port and spi.Conn.
func (p *spiPort) String() string { return p.file.Name() }

// Close implements spi.PortCloser.
func (p *spiPort) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.file.Close()
}

// LimitSpeed implements spi.PortCloser.
func (p *spiPort) LimitSpeed(f physic.Frequency) error {
	if f < 100*physic.Hertz || f > physic.GigaHertz {
		return fmt.Errorf("%s: no SPI clock of %v", p, f)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.limit = f
	return nil
}

// Connect implements spi.Port. It may be called once.
func (p *spiPort) Connect(f physic.Frequency, mode spi.Mode, bits int) (spi.Conn, error) {
	if f < 100*physic.Hertz || f > physic.GigaHertz || bits < 1 || bits > 255 ||
		mode&^(spi.Mode3|spi.HalfDuplex|spi.NoCS|spi.LSBFirst) != 0 {
		return nil, fmt.Errorf("%s: no SPI with %v, mode %v and %d bits: %w", p, f, mode, bits, unix.EINVAL)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.connected {
		return nil, errors.New(p.String() + ": connected already")
	}
	m := uint8(mode & spi.Mode3)
	p.half, p.noCS = mode&spi.HalfDuplex != 0, mode&spi.NoCS != 0
	if p.half {
		m |= spi3Wire
	}
	if p.noCS {
		m |= spiNoCS
	}
	if mode&spi.LSBFirst != 0 {
		m |= spiLSBFirst
	}
	if errno := p.call(p.file.Fd(), spiWriteMode, unsafe.Pointer(&m)); errno != 0 {
		return nil, fmt.Errorf("%s: setting mode %v: %w", p, mode, errno)
	}
	p.connected, p.freq, p.bits = true, f, uint8(bits)
	return p, nil
}

// Duplex implements conn.Conn.
func (p *spiPort) Duplex() conn.Duplex {
	if p.half {
		return conn.Half
	}
	return conn.Full
}

// MaxTxSize implements conn.Limits.
func (p *spiPort) MaxTxSize() int { return p.buffer }

// Tx implements conn.Conn: one stretch of chip select.
func (p *spiPort) Tx(w, r []byte) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.one[0] = spi.Packet{W: w, R: r}
	n := 1
	if p.half && len(w) != 0 && len(r) != 0 {
		p.one[0] = spi.Packet{W: w, KeepCS: true}
		p.one[1] = spi.Packet{R: r}
		n = 2
	}
	return p.send(p.one[:n])
}

// TxPackets implements spi.Conn. It allocates only for a batch longer than all
// before.
func (p *spiPort) TxPackets(packets []spi.Packet) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.send(packets)
}

func (p *spiPort) send(packets []spi.Packet) error {
	f := p.freq
	if p.limit != 0 && p.limit < f {
		f = p.limit
	}
	if len(packets) > spiMost {
		return p.refuse(packets)
	}
	if len(packets) > len(p.transfers) {
		p.transfers = make([]spiTransfer, len(packets))
	}
	hz := uint32((f + physic.Hertz/2) / physic.Hertz)
	total := 0
	for i := range packets {
		k := &packets[i]
		n := max(len(k.W), len(k.R))
		both := len(k.W) != 0 && len(k.R) != 0
		if both && (p.half || len(k.W) != len(k.R)) {
			return p.refuse(packets)
		}
		total += n
		t := spiTransfer{length: uint32(n), speedHz: hz, bitsPerWord: k.BitsPerWord}
		if t.bitsPerWord == 0 {
			t.bitsPerWord = p.bits
		}
		if len(k.W) != 0 {
			t.tx = uint64(uintptr(unsafe.Pointer(&k.W[0])))
		}
		if len(k.R) != 0 {
			t.rx = uint64(uintptr(unsafe.Pointer(&k.R[0])))
		}
		// Between transfers the kernel keeps chip select unless told to change;
		// after the last it releases it unless told to change.
		if last := i == len(packets)-1; !p.noCS && k.KeepCS == last {
			t.csChange = 1
		}
		p.transfers[i] = t
	}
	if total == 0 || total > p.buffer || !p.connected {
		return p.refuse(packets)
	}
	errno := p.call(p.file.Fd(), spiMessages(len(packets)), unsafe.Pointer(&p.transfers[0]))
	runtime.KeepAlive(packets)
	if errno != 0 {
		return errno
	}
	return nil
}

func (p *spiPort) refuse(packets []spi.Packet) error {
	return fmt.Errorf("%s: no batch of %d packets of such sizes, %d bytes at most: %w", p, len(packets), p.buffer, unix.EMSGSIZE)
}
