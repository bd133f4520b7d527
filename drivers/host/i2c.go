package host

import (
	"errors"
	"fmt"
	"os"
	"runtime"
	"sync"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// i2cBus is a bus of the kernel's i2c-dev. It stands in for periph's sysfs.I2C
// (host v3.8.5), which hands the kernel addresses of variables on a stack that
// Go may have moved by then, and keeps of an errno the text only.
type i2cBus struct {
	file *os.File

	mu   sync.Mutex
	call i2cCall // on the heap, where things stay
}

var _ i2c.BusCloser = (*i2cBus)(nil)

// i2cCall is struct i2c_rdwr_ioctl_data with the messages it points to.
type i2cCall struct {
	msgs  uintptr
	count uint32
	msg   [2]i2cMessage
}

// i2cMessage is struct i2c_msg.
type i2cMessage struct {
	addr, flags, length uint16
	buf                 uintptr
}

// From linux/i2c-dev.h and linux/i2c.h.
const (
	i2cTimeout = 0x702 // unit 10 ms
	i2cRdwr    = 0x707
	i2cRead    = 0x0001
)

func openI2C(path string) (*i2cBus, error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	// A transfer takes a few milliseconds at most; waiting the usual second
	// for a bus that is held low would delay its other devices. Adapters that
	// can not be told keep their own limit.
	_ = ioctl(f.Fd(), i2cTimeout, 10)
	return &i2cBus{file: f}, nil
}

// String implements i2c.Bus.
func (b *i2cBus) String() string { return b.file.Name() }

// Close implements i2c.BusCloser.
func (b *i2cBus) Close() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.file.Close()
}

// SetSpeed implements i2c.Bus; the kernel offers no way.
func (b *i2cBus) SetSpeed(physic.Frequency) error {
	return errors.New("the speed of an I²C bus is set in the device tree")
}

// Tx implements i2c.Bus: one transaction with a repeated start between writing
// and reading. Its error wraps the kernel's errno.
func (b *i2cBus) Tx(addr uint16, w, r []byte) error {
	if addr >= 0x80 || len(w) > 8192 || len(r) > 8192 { // i2c-dev's limit
		return fmt.Errorf("%s: no transaction with %#x of %d and %d bytes: %w", b, addr, len(w), len(r), unix.EINVAL)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	n := 0
	if len(w) > 0 {
		b.call.msg[n] = i2cMessage{addr: addr, length: uint16(len(w)), buf: uintptr(unsafe.Pointer(&w[0]))}
		n++
	}
	if len(r) > 0 {
		b.call.msg[n] = i2cMessage{addr: addr, flags: i2cRead, length: uint16(len(r)), buf: uintptr(unsafe.Pointer(&r[0]))}
		n++
	}
	if n == 0 {
		return nil
	}
	b.call.msgs, b.call.count = uintptr(unsafe.Pointer(&b.call.msg[0])), uint32(n)
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, b.file.Fd(), i2cRdwr, uintptr(unsafe.Pointer(&b.call)))
	runtime.KeepAlive(w)
	runtime.KeepAlive(r)
	if errno != 0 {
		return errno
	}
	return nil
}

func ioctlPointer(fd, op uintptr, arg unsafe.Pointer) unix.Errno {
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, fd, op, uintptr(arg))
	return errno
}

func ioctl(fd uintptr, op, arg uintptr) error {
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, fd, op, arg); errno != 0 {
		return errno
	}
	return nil
}
