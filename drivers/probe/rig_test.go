package probe

import (
	"bytes"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
)

// rig is a computer for tests.
type rig struct {
	clock *clock.Virtual
	board *emulated.Board
	root  fstest.MapFS
	deny  map[string]error // by path
	group string
	lines map[string]GPIOChip
}

func newRig() *rig {
	v := clock.NewVirtual(time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC), 0)
	return &rig{clock: v, board: emulated.NewBoard(v), root: fstest.MapFS{}, deny: map[string]error{}, group: "root", lines: map[string]GPIOChip{}}
}

func (r *rig) file(path, text string) {
	r.root[strings.TrimPrefix(path, "/")] = &fstest.MapFile{Data: []byte(text)}
}

func (r *rig) link(path, to string) {
	r.root[strings.TrimPrefix(path, "/")] = &fstest.MapFile{Data: []byte(to), Mode: fs.ModeSymlink}
}

func (r *rig) addI2C(bus string, addr uint16, c emulated.I2CChip) {
	r.file(bus, "")
	r.board.AddI2C(bus, addr, c)
}

func (r *rig) addSPI(port string, c emulated.SPIChip) {
	r.file(port, "")
	r.board.AddSPI(port, c)
}

// I2C implements drivers.Ports.
func (r *rig) I2C(name string) (i2c.BusCloser, error) {
	if err := r.deny[name]; err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	return r.board.I2C(name)
}

// SPI implements drivers.Ports.
func (r *rig) SPI(name string) (spi.PortCloser, error) {
	if err := r.deny[name]; err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	return r.board.SPI(name)
}

type ports struct {
	*rig
	drivers.Ports
}

func (p ports) I2C(name string) (i2c.BusCloser, error)  { return p.rig.I2C(name) }
func (p ports) SPI(name string) (spi.PortCloser, error) { return p.rig.SPI(name) }

func (r *rig) system() System {
	return System{
		Root: r.root, Ports: ports{r, r.board}, Clock: r.clock,
		May: func(path string) (string, error) {
			if err := r.deny[path]; err != nil {
				return r.group, &fs.PathError{Op: "access", Path: path, Err: err}
			}
			return r.group, nil
		},
		Lines: func(path string) (GPIOChip, error) {
			if err := r.deny[path]; err != nil {
				return GPIOChip{}, &fs.PathError{Op: "open", Path: path, Err: err}
			}
			return r.lines[path], nil
		},
	}
}

// look looks in a goroutine of the clock, as System asks.
func (r *rig) look(t *testing.T, o Options) (*Report, string) {
	t.Helper()
	if o.Time == 0 {
		o.Time = 2 * time.Second
	}
	if o.Mains == 0 {
		o.Mains = 50
	}
	var rep *Report
	var err error
	done := make(chan struct{})
	r.clock.Go(func() {
		defer close(done)
		rep, err = Look(t.Context(), r.system(), o)
	})
	<-done
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := rep.Print(&b); err != nil {
		t.Fatal(err)
	}
	return rep, b.String()
}

// golden compares with a file of testdata, which TIPOFF_WRITE_DOCS=1 writes.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if os.Getenv("TIPOFF_WRITE_DOCS") != "" {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if string(want) != got {
		t.Errorf("%s differs (TIPOFF_WRITE_DOCS=1 writes it anew); got:\n%s", file, got)
	}
}

func contains(t *testing.T, text string, wanted ...string) {
	t.Helper()
	for _, w := range wanted {
		if !strings.Contains(text, w) {
			t.Errorf("lacks %q:\n%s", w, text)
		}
	}
}

func volts(v float64) func(time.Duration) float64 {
	return func(time.Duration) float64 { return v }
}

// full is a board with a bit of everything, at odd addresses.
func full() *rig {
	r := newRig()
	r.file("/proc/device-tree/model", "Raspberry Pi 4 Model B Rev 1.4\x00")
	ads := emulated.NewADS1115(r.clock)
	// ±12.3 mV of square wave about 1.25 V: mean, deviation and span are known.
	ads.Input[0] = func(t time.Duration) float64 { return 1.25 + 0.0123*float64(2*(int(t.Seconds()*37)%2)-1) }
	ads.Input[2] = volts(3.5)
	r.addI2C("/dev/i2c-1", 0x4A, ads)
	r.file("/sys/class/i2c-dev/i2c-1/name", "bcm2835 (i2c@7e804000)\n")
	tc := emulated.NewMCP9601(r.clock)
	tc.Hot = volts(180)
	r.addI2C("/dev/i2c-1", 0x63, tc)
	r.addI2C("/dev/i2c-1", 0x50, &memory{})
	r.addI2C("/dev/i2c-1", 0x68, &memory{})
	r.link("/sys/bus/i2c/devices/1-0068/driver", "../../../../bus/i2c/drivers/rtc-ds1307")
	r.file("/sys/bus/i2c/drivers/rtc-ds1307/uevent", "")
	r.addI2C("/dev/i2c-20", 0x50, &memory{})
	r.file("/sys/class/i2c-dev/i2c-20/name", "fef04500.i2c HDMI DDC\n")
	hot := emulated.NewMAX31856(r.clock)
	hot.Hot = volts(231)
	r.addSPI("/dev/spidev0.0", hot)
	ct := emulated.NewMCP3208(r.clock, 3.3)
	ct.Input[0] = func(t time.Duration) float64 { return 1.65 + 0.8*math.Sin(2*math.Pi*50*t.Seconds()) }
	r.addSPI("/dev/spidev0.1", ct)
	cold := emulated.NewMAX31855(r.clock, 'K')
	cold.EMF = volts(41.276e-6 * 200)
	r.addSPI("/dev/spidev1.0", cold)
	r.file("/dev/gpiochip0", "")
	r.link("/dev/gpiochip4", "gpiochip0")
	r.lines["/dev/gpiochip0"] = GPIOChip{Label: "pinctrl-bcm2711", Lines: []Line{
		{Offset: 0, Name: "ID_SDA"}, {Offset: 1, Name: "GPIO17"},
		{Offset: 2, Name: "GPIO8", Used: true, Output: true, By: "spi0 CS0"}, {Offset: 3}, {Offset: 4, Name: "GPIO18"},
	}}
	r.file("/sys/class/pwm/pwmchip0/npwm", "2\n")
	r.file("/proc/asound/pcm", "00-00: bcm2835 Headphones : bcm2835 Headphones : playback 8\n01-00: USB Audio : USB Audio : playback 1 : capture 1\n02-00: loop in : loop in : capture 1\n")
	iio := "/sys/bus/iio/devices/iio:device0/"
	r.file(iio+"name", "ads1015\n")
	r.file(iio+"in_voltage0_raw", "1000\n")
	r.file(iio+"in_voltage0_scale", "2.000000000\n")
	r.file(iio+"in_temp_input", "23500\n")
	hw := "/sys/class/hwmon/hwmon0/"
	r.file(hw+"name", "sht3x\n")
	r.file(hw+"temp1_input", "21370\n")
	r.file(hw+"temp1_label", "Ambient\n")
	r.file("/dev/ttyUSB0", "")
	r.link("/dev/serial/by-id/usb-maker_cable_7-if00-port0", "../../ttyUSB0")
	r.file("/dev/ttyS0", "")
	r.file("/sys/class/tty/ttyS0/type", "0\n")
	r.file("/dev/ttyAMA0", "")
	r.file("/proc/consoles", "ttyAMA0              -W- (EC p a)  204:64\n")
	return r
}

// memory is a chip that keeps what is written, and so must not be written to.
type memory struct {
	mu       sync.Mutex
	written  [][]byte
	answered int
}

// Tx implements emulated.I2CChip.
func (m *memory) Tx(w, r []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(w) > 0 {
		m.written = append(m.written, bytes.Clone(w))
	}
	m.answered++
	for i := range r {
		r[i] = 0xA5
	}
	return nil
}
