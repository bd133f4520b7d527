package bench_test

import (
	"context"
	"log/slog"
	"math"
	"math/rand/v2"
	"strings"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/hwmon"
	"tipoff/drivers/iio"
	"tipoff/drivers/modbus"
	"tipoff/drivers/registry"
	"tipoff/drivers/serialgauge"
	"tipoff/drivers/serialport/wire"
	"tipoff/logger/bench"
	"tipoff/logger/config"
)

// The channels that faults are tried on, one for each driver.
const (
	glassCh = iota
	shellCh
	fillCh
	currentCh
	mcpCh
	iioCh
	hwmonCh
	rtuCh
	tcpCh
	serialCh
	contactCh
	subjects
)

const benchHead = `
[bench]
name = "bench-1"
mains = "50 Hz"
manifold_volume = "0.8 L"
[store]
directory = "unused"
`

// subject is a driver as a user would write it.
type subject struct {
	title string
	toml  string
	// within is how far a right value may lie off: a few noises and one reading's
	// share of what the data sheets leave open in the models.
	within float64
}

var subjectsOf = [subjects]subject{
	glassCh: {"MAX31856 (thermocouple)", `
name = "glass"
role = "glass"
driver = "max31856"
bus = "/dev/spidev0.0"
[channel.calibration]
kind = "thermocouple"
`, 1},
	shellCh: {"MAX31855 (thermocouple)", `
name = "shell"
role = "shell"
driver = "max31855"
bus = "/dev/spidev1.0"
[channel.calibration]
kind = "thermocouple"
`, 2},
	fillCh: {"ADS1115 (pressure gauge)", `
name = "fill"
role = "pressure"
driver = "ads1115"
bus = "/dev/i2c-1"
input = "ain0"
[channel.calibration]
kind = "linear"
volts_1 = "0 V"
pressure_1 = "0 Torr"
volts_2 = "10 V"
pressure_2 = "20 Torr"
divider = "3:1"
under_range = "0.1 V"
over_range = "9 V"
`, 30},
	currentCh: {"MCP3208 (current transformer, waveform)", `
name = "bombarder"
role = "current"
driver = "mcp3208"
bus = "/dev/spidev0.1"
input = "ch0"
rate = "2000/s"
reference = "3.3 V"
[channel.calibration]
kind = "current"
ratio = "1000:1"
burden = "820 ohm"
bias = "1.65 V"
`, 0.02},
	mcpCh: {"MCP9600 (thermocouple)", `
name = "middle"
role = "glass"
driver = "mcp9600"
bus = "/dev/i2c-2"
[channel.calibration]
kind = "thermocouple"
`, 2},
	iioCh: {"Linux IIO (thermometer)", `
name = "kernel"
role = "glass"
driver = "iio"
address = "name:mcp9600"
input = "temp"
[channel.calibration]
kind = "none"
`, 1},
	hwmonCh: {"Linux hwmon (thermometer)", `
name = "monitor"
role = "shell"
driver = "hwmon"
address = "name:max6675"
input = "temp1"
[channel.calibration]
kind = "none"
`, 2},
	rtuCh: {"Modbus RTU (temperature transmitter)", `
name = "transmitter"
role = "glass"
driver = "modbus-rtu"
bus = "/dev/serial/by-id/usb-rs485"
register = 0
type = "s16"
scale = 0.1
unit = "°C"
period = "100 ms"
[channel.calibration]
kind = "none"
`, 1},
	tcpCh: {"Modbus TCP (panel meter)", `
name = "meter"
role = "current"
driver = "modbus-tcp"
bus = "192.0.2.7:502"
register = 0
type = "s16"
scale = 0.1
unit = "mA"
period = "100 ms"
[channel.calibration]
kind = "none"
`, 0.02},
	serialCh: {"Serial gauge (ASCII)", `
name = "gauge"
role = "pressure"
driver = "serial-gauge"
bus = "/dev/serial/by-id/usb-gauge"
query = 'PR1\r'
pattern = '^P=([-+0-9.E]+)$'
unit = "Torr"
period = "100 ms"
timeout = "300 ms"
[channel.calibration]
kind = "none"
accuracy = "1 %"
`, 30},
	contactCh: {"Contact (contactor's auxiliary contact)", `
name = "contactor"
role = "contact"
driver = "contact"
bus = "GPIO17"
purpose = "contactor"
`, 0.01},
}

// faulty is what the emulated chips have in common.
type faulty interface {
	SetAbsent(bool)
	SetNAKEvery(int)
	SetFailRate(float64, uint64)
	SetFlipRate(float64, uint64)
	SetBusLow(bool)
	SetDelay(time.Duration)
	SetFreeze(bool)
	SetOtherChip(bool)
	SetOpen(bool)
	SetShortGND(bool)
	SetShortVCC(bool)
	LoseConfig()
}

// world is what the sensors see and how they are wired.
type world struct {
	hot      [2]float64 // glass and shell, °C
	gain     float64    // of the glass, °C/s, from since on
	since    time.Duration
	volts    float64 // of the gauge at the converter
	amps     float64
	shut     bool // the contactor
	under    int  // channel under test
	reversed bool // its thermocouple
	pinned   float64
	noCT     bool // transformer unplugged from its burden
	noBias   bool // the whole input circuit gone
}

// temperature is that of glass (0) or shell (1).
func (w *world) temperature(i int, at time.Duration) float64 {
	if i == 1 {
		return w.hot[1]
	}
	return w.hot[0] + w.gain*max(at-w.since, 0).Seconds()
}

// pressure is in Torr.
func (w *world) pressure() float64 { return w.volts * 3 / 10 * 20 }

// truth is what channel i should show.
func (w *world) truth(i int, at time.Duration) float64 {
	switch i {
	case fillCh, serialCh:
		return w.pressure() * 101325 / 760
	case currentCh, tcpCh:
		return w.amps
	case shellCh, hwmonCh:
		return w.temperature(1, at)
	case contactCh:
		if w.shut {
			return 1
		}
		return 0
	}
	return w.temperature(0, at)
}

// rigged is a bench on emulated devices: glass, gauge and current, and what is
// under test.
type rigged struct {
	clock *clock.Virtual
	world world
	chips [subjects]faulty
	index [subjects]int // of each subject's channel, -1 if it is not there
	pin   *emulated.Pin
	bench *bench.Bench
	each  func(at time.Duration)

	cfg     *config.Bench
	known   []drivers.Driver
	board   *emulated.Board
	outputs []bench.Output
	log     *slog.Logger // nil: none
	parts   *bench.Parts
}

// base is what is on each bench.
var base = []int{glassCh, fillCh, currentCh}

func newRigged(t *testing.T, also ...int) *rigged {
	t.Helper()
	r := &rigged{
		clock: clock.NewVirtual(time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), 0),
		world: world{hot: [2]float64{200, 400}, volts: 1.5, amps: 0.5, shut: true, pinned: math.NaN()},
	}
	text := benchHead
	n := 0
	for i := range r.index {
		r.index[i] = -1
	}
	for _, i := range append(append([]int(nil), base...), also...) {
		if r.index[i] < 0 {
			r.index[i] = n
			n++
			text += "[[channel]]" + subjectsOf[i].toml
		}
	}
	board := emulated.NewBoard(r.clock)
	known := r.wire(t.TempDir(), board)
	cfg, err := config.Parse("bench.toml", []byte(text), known)
	if err != nil {
		t.Fatal(err)
	}
	r.cfg, r.known, r.board = cfg, known, board
	r.behind(t, nil)
	return r
}

// behind makes the bench with the board's ports behind g, nil for nothing.
func (r *rigged) behind(t *testing.T, g *gate) {
	t.Helper()
	var ports drivers.Ports = r.board
	if g != nil {
		g.Ports, ports = r.board, g
	}
	var err error
	if r.parts, err = bench.FromConfig(r.cfg, r.known, ports, r.clock); err != nil {
		t.Fatal(err)
	}
	r.remake(t)
}

// remake makes the bench of the parts, with the outputs.
func (r *rigged) remake(t *testing.T) {
	t.Helper()
	var err error
	r.bench, err = bench.New(bench.Options{
		Clock: r.clock, Name: "bench-1", Layout: r.parts.Layout, Devices: r.parts.Devices, Chains: r.parts.Chains,
		Directory: t.TempDir(), Version: "test", Speed: 1, Patient: true, Outputs: r.outputs, Log: r.log,
		OnFrame: func(at time.Duration) { r.each(at) },
	})
	if err != nil {
		t.Fatal(err)
	}
}

// wire puts all devices into place and gives the drivers that find them.
func (r *rigged) wire(root string, board *emulated.Board) []drivers.Driver {
	c, w := r.clock, &r.world
	noise := rand.New(rand.NewPCG(1, 2))
	rough := func(x, sigma float64) float64 { return x + sigma*noise.NormFloat64() }
	cold := func(time.Duration) float64 { return rough(27, 0.02) }
	junction := func(ch, i int, at time.Duration) float64 {
		x := rough(w.temperature(i, at), 0.2)
		if w.reversed && w.under == ch {
			x = 2*27 - x
		}
		return x
	}
	glass := func(ch int) func(time.Duration) float64 {
		return func(at time.Duration) float64 { return junction(ch, 0, at) }
	}
	tc, shell, middle := emulated.NewMAX31856(c), emulated.NewMAX31855(c, 'K'), emulated.NewMCP9600(c)
	gauge, ct := emulated.NewADS1115(c), emulated.NewMCP3208(c, 3.3)
	tc.Cold, shell.Cold, middle.Cold = cold, cold, cold
	tc.Hot, middle.Hot = glass(glassCh), glass(mcpCh)
	shell.EMF = func(at time.Duration) float64 {
		return emulated.TypeK(junction(shellCh, 1, at)) - emulated.TypeK(27)
	}
	gauge.Input[0] = func(time.Duration) float64 {
		if w.pinned == w.pinned {
			return rough(w.pinned, 0.0005)
		}
		return rough(w.volts, 0.0005)
	}
	ct.Input[0] = func(at time.Duration) float64 {
		switch {
		case w.noBias:
			return 0
		case w.noCT:
			return 1.65
		}
		return min(max(1.65+0.82*w.amps*math.Sqrt2*math.Sin(2*math.Pi*50*at.Seconds()+1), 0), 3.3)
	}
	board.AddSPI("/dev/spidev0.0", tc)
	board.AddSPI("/dev/spidev1.0", shell)
	board.AddSPI("/dev/spidev0.1", ct)
	board.AddI2C("/dev/i2c-1", 0x48, gauge)
	board.AddI2C("/dev/i2c-2", 0x67, middle)
	r.pin = board.AddPin("GPIO17") // low: closed

	kernel := emulated.NewSysfs(root, "sys/bus/iio/devices", "iio:device",
		map[string]string{"name": "mcp9600", "in_temp_scale": "62.5"}, "in_temp_raw")
	kernel.Value = func(at time.Duration) float64 { return junction(iioCh, 0, at) * 16 }
	monitor := emulated.NewSysfs(root, "sys/class/hwmon", "hwmon",
		map[string]string{"name": "max6675"}, "temp1_input")
	monitor.Value = func(at time.Duration) float64 { return 250 * math.Round(4*junction(hwmonCh, 1, at)) }
	monitor.FaultFile = "temp1_fault"

	rtu, tcp, text := emulated.NewMeter(c, false), emulated.NewMeter(c, true), emulated.NewTextGauge(c, "PR1\r")
	rtu.Value = func(at time.Duration) float64 { return 10 * junction(rtuCh, 0, at) }
	tcp.Value = func(time.Duration) float64 { return 1e4 * rough(w.amps, 0.001) }
	text.Value = func(time.Duration) float64 { return rough(w.pressure(), 0.01) }
	line := func(answer func([]byte) []byte, byteTime time.Duration) *wire.Line {
		return &wire.Line{Clock: c, ByteTime: byteTime, Delay: 5 * time.Millisecond, Answer: answer}
	}
	rs485, net, usb := line(rtu.Answer, time.Millisecond), line(tcp.Answer, 0), line(text.Answer, time.Millisecond)
	r.chips = [subjects]faulty{
		glassCh: tc, shellCh: shell, fillCh: gauge, currentCh: ct, mcpCh: middle,
		iioCh: settingless{kernel}, hwmonCh: settingless{monitor},
		rtuCh:     &onLine{Meter: rtu, line: rs485, gone: syscall.EIO, none: syscall.ENOENT},
		tcpCh:     &onLine{Meter: tcp, line: net, gone: syscall.ECONNRESET, none: syscall.ECONNREFUSED},
		serialCh:  &onSerial{TextGauge: text, line: usb},
		contactCh: &onPin{Pin: r.pin, world: w},
	}
	known := registry.All()
	for i := range known {
		switch known[i].Name {
		case "iio":
			known[i] = kernel.Under(iio.At(root))
		case "hwmon":
			known[i] = monitor.Under(hwmon.At(root))
		case "modbus-rtu":
			known[i] = modbus.RTUOver(rs485.Opener)
		case "modbus-tcp":
			known[i] = modbus.TCPOver(net.Opener)
		case "serial-gauge":
			known[i] = serialgauge.Over(usb.Opener)
		}
	}
	return known
}

// settingless is a device of the kernel's, which keeps the settings itself.
type settingless struct{ *emulated.Sysfs }

func (settingless) LoseConfig() {}

// unplug pulls a line's adapter or cable out.
func unplug(l *wire.Line, gone, none error, on bool) {
	l.Do(func(l *wire.Line) {
		l.Gone, l.OpenErr = nil, nil
		if on {
			l.Gone, l.OpenErr = gone, none
		}
	})
}

func slow(l *wire.Line, d time.Duration) {
	l.Do(func(l *wire.Line) { l.Delay = 5*time.Millisecond + d })
}

type onLine struct {
	*emulated.Meter
	line       *wire.Line
	gone, none error
}

func (o *onLine) SetAbsent(on bool)        { unplug(o.line, o.gone, o.none, on) }
func (o *onLine) SetDelay(d time.Duration) { slow(o.line, d) }
func (o *onLine) LoseConfig()              {}

type onSerial struct {
	*emulated.TextGauge
	line *wire.Line
}

func (o *onSerial) SetAbsent(on bool)        { unplug(o.line, syscall.EIO, syscall.ENOENT, on) }
func (o *onSerial) SetDelay(d time.Duration) { slow(o.line, d) }
func (o *onSerial) LoseConfig()              {}

// onPin is a switch to ground on a line with a pull-up.
type onPin struct {
	*emulated.Pin
	world *world
}

func (o *onPin) LoseConfig() {}

// SetAbsent breaks the wire.
func (o *onPin) SetAbsent(on bool) { o.Drive(gpio.Level(on)) }

// SetBusLow shorts the wire to ground; the contact itself opens, and the arc goes out.
func (o *onPin) SetBusLow(on bool) { o.world.shut, o.world.amps = !on, pick(on, 0, 0.5) }

// glitch opens the contact for 5 ms.
func (r *rigged) glitch() {
	r.clock.Go(func() {
		r.pin.Drive(gpio.High)
		_ = r.clock.SleepUntil(context.Background(), r.clock.Now()+5*time.Millisecond)
		r.pin.Drive(gpio.Low)
	})
}

// driverOf is the driver of a subject, as its bench.toml has it.
func driverOf(i int) string {
	_, rest, _ := strings.Cut(subjectsOf[i].toml, `driver = "`)
	name, _, _ := strings.Cut(rest, `"`)
	return name
}
