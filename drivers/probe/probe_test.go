package probe

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/spi"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/emulated"
)

func TestFullBoard(t *testing.T) {
	rep, text := full().look(t, Options{})
	golden(t, "full.txt", text)
	var drivers []string
	for _, c := range rep.Chips {
		drivers = append(drivers, c.Driver+" "+c.Where())
		if c.Trouble != "" {
			t.Errorf("%s: %s", c.Where(), c.Trouble)
		}
	}
	want := []string{"ads1115 /dev/i2c-1 at 0x4A", "mcp9600 /dev/i2c-1 at 0x63", "max31856 /dev/spidev0.0", "mcp3208 /dev/spidev0.1", "max31855 /dev/spidev1.0"}
	if !slices.Equal(drivers, want) {
		t.Fatalf("found %v, want %v", drivers, want)
	}
	// What was led to the inputs comes out. A square wave deviates by its height;
	// a sine of 0.8 V by 0.8/√2 V, and spans 1.6 V.
	for _, c := range []struct {
		r               *Reading
		value, sd, span float64
		within          float64
	}{
		{rep.Chips[0].Inputs[0].Reading, 1.25, 0.0123, 0.0246, 0.003},
		{rep.Chips[0].Inputs[2].Reading, 3.5, 0, 0, 2e-4},
		{rep.Chips[1].Inputs[0].Reading, 180, 0, 0, 0.1},
		{rep.Chips[2].Inputs[0].Reading, 231, 0, 0, 0.1},
		{rep.Chips[3].Inputs[0].Reading, 1.65, 0.8 / math.Sqrt2, 1.6, 0.01},
		{rep.Chips[4].Inputs[0].Reading, 225, 0, 0, 0.3}, // 200 K above a chip at 25 °C
		{rep.IIO[0].Inputs[1].Reading, 2, 0, 0, 1e-9},    // 1000 times 2 mV
		{rep.IIO[0].Inputs[0].Reading, 23.5, 0, 0, 1e-9},
		{rep.HWMon[0].Inputs[0].Reading, 21.37, 0, 0, 1e-9},
	} {
		if c.r == nil || c.r.Count < 10 {
			t.Fatalf("no reading for %v: %+v", c.value, c.r)
		}
		if math.Abs(c.r.Value-c.value) > c.within || math.Abs(c.r.ValueSD-c.sd) > c.within || math.Abs(c.r.ValueSpan-c.span) > c.within {
			t.Errorf("%+v, want %v, deviation %v, span %v", c.r, c.value, c.sd, c.span)
		}
	}
	if cold := rep.Chips[1].Inputs[0].Reading.Cold; cold == nil || math.Abs(*cold-25) > 0.1 {
		t.Errorf("cold junction %v, want 25 °C", cold)
	}
	if len(rep.Sound) != 2 || rep.Sound[1].Path != "/dev/snd/pcmC1D0p" {
		t.Errorf("sound devices %+v", rep.Sound)
	}
	if len(rep.Serial) != 2 || rep.Serial[0].Path != "/dev/serial/by-id/usb-maker_cable_7-if00-port0" || rep.Serial[1].Use == "" {
		t.Errorf("serial ports %+v", rep.Serial)
	}
	if len(rep.PWM) != 1 || !slices.Equal(rep.PWM[0].Outputs, []string{"pwmchip0/pwm0", "pwmchip0/pwm1"}) {
		t.Errorf("PWM outputs %+v", rep.PWM)
	}
	if len(rep.GPIO) != 1 {
		t.Errorf("a chip of two names is listed %d times", len(rep.GPIO))
	}
	contains(t, text, "SDA of /dev/i2c-1 (header pin 3)", "0x68       the kernel's driver rtc-ds1307",
		"inner wiring", "GPIO8 (spi0 CS0)", "3.500 V, which is above a supply")
}

// Nothing is written to chips that are not tipoff's: not a byte on I²C outside
// their addresses, one pointer byte at most within, and nothing on SPI that a
// memory would take for a command.
func TestHarmless(t *testing.T) {
	r := newRig()
	all := map[uint16]*memory{}
	for addr := uint16(0x03); addr < 0x80; addr++ {
		all[addr] = &memory{}
		r.addI2C("/dev/i2c-1", addr, all[addr])
	}
	flash := &flash{}
	r.addSPI("/dev/spidev0.0", flash)
	rep, _ := r.look(t, Options{})
	for addr, m := range all {
		ours := addr >= 0x48 && addr <= 0x4B || addr >= 0x60 && addr <= 0x67
		for _, w := range m.written {
			if !ours || len(w) > 1 {
				t.Errorf("% X was written to %#x", w, addr)
			}
		}
		left := addr < 0x08 || addr == 0x0C || addr >= 0x30 && addr <= 0x37 || addr == 0x69 || addr > 0x77
		if left != (m.answered == 0) {
			t.Errorf("%#x was asked %d times", addr, m.answered)
		}
	}
	// What it says happens to have a MAX31855's fixed bits, but two faults at once.
	if rep.Measures() || len(rep.Chips) != 1 || rep.Chips[0].Confidence != bus.Possible {
		t.Errorf("took %+v for chips of ours", rep.Chips)
	}
	if _, err := rep.BenchFile(50, nil); !errors.Is(err, ErrNoChannel) {
		t.Errorf("a chip that is possible only goes into bench.toml: %v", err)
	}
	if len(flash.first) == 0 {
		t.Error("the SPI port was not looked at")
	}
	for _, b := range flash.first {
		if b != 0 {
			t.Errorf("a memory would have taken %02Xh for a command", b)
		}
	}
}

// flash notes the first byte of each stretch of chip select.
type flash struct{ first []byte }

// Modes implements emulated.SPIChip.
func (*flash) Modes() []spi.Mode { return []spi.Mode{spi.Mode0, spi.Mode1, spi.Mode3} }

// Transfer implements emulated.SPIChip.
func (f *flash) Transfer(_, _ time.Duration, w, r []byte) {
	f.first = append(f.first, w[0])
	for i := range r {
		r[i] = byte(i*37) ^ 0x5C
	}
}

// A MAX31856 keeps the settings it had before.
func TestRestored(t *testing.T) {
	r := newRig()
	c := emulated.NewMAX31856(r.clock)
	r.addSPI("/dev/spidev0.0", c)
	before := c.Registers()
	l := &look{System: r.system(), report: &Report{}}
	port := l.selected("/dev/spidev0.0")
	if port.Answer.Chip != "MAX31856" {
		t.Fatalf("%+v", port)
	}
	if got := c.Registers(); got != before {
		t.Errorf("registers % X, before % X", got, before)
	}
}

func TestUnplugged(t *testing.T) {
	r := newRig()
	ads, tc, ct, cold := emulated.NewADS1115(r.clock), emulated.NewMAX31856(r.clock), emulated.NewMCP3208(r.clock, 3.3), emulated.NewMAX31855(r.clock, 'K')
	ads.SetAbsent(true)
	tc.SetAbsent(true)
	ct.SetBusLow(true)
	cold.SetOpen(true)
	r.addI2C("/dev/i2c-1", 0x48, ads)
	r.addSPI("/dev/spidev0.0", tc)
	r.addSPI("/dev/spidev0.1", ct)
	r.addSPI("/dev/spidev1.0", cold)
	rep, text := r.look(t, Options{})
	golden(t, "unplugged.txt", text)
	contains(t, text, "nothing answers: check supply, SDA and SCL", "nothing answers: the data line stays high: all FFh",
		"nothing answers: the data line stays low: all 00h", "open circuit")
	if len(rep.Chips) != 1 || rep.Chips[0].Inputs[0].Reading.Count != 0 {
		t.Errorf("an open thermocouple gave readings: %+v", rep.Chips)
	}
}

func TestOtherChip(t *testing.T) {
	r := newRig()
	ads, mcp, tc := emulated.NewADS1115(r.clock), emulated.NewMCP9600(r.clock), emulated.NewMAX31856(r.clock)
	ads.SetOtherChip(true)
	mcp.SetOtherChip(true)
	tc.SetOtherChip(true)
	r.addI2C("/dev/i2c-1", 0x48, ads)
	r.addI2C("/dev/i2c-1", 0x67, mcp)
	r.addSPI("/dev/spidev0.0", tc)
	rep, text := r.look(t, Options{})
	golden(t, "other-chip.txt", text)
	if len(rep.Chips) != 0 {
		t.Errorf("took another chip for %+v", rep.Chips)
	}
	contains(t, text, "registers 01h to 03h read 5A5Ah", "register 20h reads 5A5Ah", "something answers, but none of")
}

func TestPermission(t *testing.T) {
	r := full()
	for _, p := range []string{"/dev/i2c-1", "/dev/spidev0.0", "/dev/spidev0.1", "/dev/spidev1.0", "/dev/gpiochip0", "/dev/snd/pcmC0D0p", "/dev/ttyUSB0"} {
		r.deny[p] = syscall.EACCES
	}
	rep, text := r.look(t, Options{})
	golden(t, "permission.txt", text)
	if len(rep.Chips) != 0 {
		t.Errorf("%+v", rep.Chips)
	}
	for _, g := range []string{"i2c", "spi", "gpio", "audio", "dialout"} {
		contains(t, text, "join the group "+g+": sudo usermod -aG "+g+" $USER")
	}
	contains(t, text, "60-tipoff.rules") // the files belong to root
	r.group = "sensors"
	if _, text = r.look(t, Options{}); !strings.Contains(text, "join the group sensors") || strings.Contains(text, "60-tipoff") {
		t.Errorf("a group of the system's own is not named:\n%s", text)
	}
}

func TestMissingBus(t *testing.T) {
	r := newRig()
	_, text := r.look(t, Options{})
	golden(t, "missing.txt", text)
	contains(t, text, "this computer has no I²C bus", "this computer has no SPI port", "i2c-dev")

	r.file("/boot/firmware/config.txt", "# dtparam=i2c_arm=on\n[all]\ndtparam=audio=on\ndtparam=i2c_arm=off,spi=off\n")
	_, text = r.look(t, Options{})
	contains(t, text, "write dtparam=i2c_arm=on into /boot/firmware/config.txt", "write dtparam=spi=on into /boot/firmware/config.txt")

	r.file("/boot/firmware/config.txt", "dtparam=i2c_arm=on,i2c_arm_baudrate=100000\ndtparam=spi=on\n")
	_, text = r.look(t, Options{})
	contains(t, text, "though dtparam=i2c_arm=on is in /boot/firmware/config.txt", "though dtparam=spi=on is in")

	r.file("/sys/bus/i2c/devices/i2c-1/name", "bcm2835\n")
	r.file("/sys/class/spi_master/spi0/uevent", "")
	_, text = r.look(t, Options{})
	contains(t, text, "no device files /dev/i2c-*", "sudo modprobe i2c-dev", "has to name a spidev")
}

func TestStuckBus(t *testing.T) {
	r := newRig()
	ads := emulated.NewADS1115(r.clock)
	ads.SetBusLow(true)
	r.addI2C("/dev/i2c-1", 0x48, ads)
	rep, text := r.look(t, Options{})
	contains(t, text, "a line of the bus is held low", "SDA and SCL for a short")
	if len(rep.I2C[0].Answers) != 0 || len(rep.Problems) == 0 {
		t.Errorf("%+v", rep)
	}
}

// --bus looks at what is named, even at a bus of the computer's own, and at
// nothing else.
func TestOnly(t *testing.T) {
	rep, _ := full().look(t, Options{Only: []string{"/dev/i2c-20"}})
	if len(rep.I2C) != 1 || !rep.I2C[0].Looked || len(rep.I2C[0].Answers) != 1 || len(rep.SPI) != 0 {
		t.Errorf("%+v %+v", rep.I2C, rep.SPI)
	}
	_, text := full().look(t, Options{Only: []string{"/dev/i2c-9"}})
	contains(t, text, "/dev/i2c-9: there is no such bus")
}

// Spoilt transfers cost confidence or readings, never a wrong chip.
func TestNoise(t *testing.T) {
	for seed := range uint64(20) {
		r := newRig()
		ads, tc, ct := emulated.NewADS1115(r.clock), emulated.NewMAX31856(r.clock), emulated.NewMCP3208(r.clock, 3.3)
		for i, f := range []*emulated.Faults{&ads.Faults, &tc.Faults, &ct.Faults} {
			f.SetFlipRate(0.002, seed*3+uint64(i))
		}
		ct.Input[0] = volts(1.65)
		r.addI2C("/dev/i2c-1", 0x49, ads)
		r.addSPI("/dev/spidev0.0", tc)
		r.addSPI("/dev/spidev0.1", ct)
		rep, _ := r.look(t, Options{})
		for _, c := range rep.Chips {
			if want := map[string]string{"/dev/i2c-1": "ads1115", "/dev/spidev0.0": "max31856", "/dev/spidev0.1": "mcp3208"}[c.Bus]; c.Driver != want {
				t.Errorf("seed %d: took %s for %s", seed, want, c.Driver)
			}
		}
	}
}

// An MCP3204 answers to channels 4 to 7 with its four; an ADS1015 leaves four
// bits of each code 0.
func TestSisters(t *testing.T) {
	r := newRig()
	ct := emulated.NewMCP3208(r.clock, 3.3)
	for i := range 8 {
		ct.Input[i] = volts(0.4 + 0.7*float64(i%4))
	}
	r.addSPI("/dev/spidev0.0", ct)
	ads := emulated.NewADS1115(r.clock)
	for i := range 4 {
		ads.Input[i] = volts(float64(16*40*(i+1)) * 4.096 / 32768)
	}
	r.addI2C("/dev/i2c-1", 0x48, ads)
	rep, text := r.look(t, Options{})
	contains(t, text, "this is an MCP3204", "this is an ADS1015")
	if n := len(rep.Chips[1].Inputs); n != 4 {
		t.Errorf("%d inputs of an MCP3204", n)
	}
}

// Mean and deviation of a textbook's row: 2 4 4 4 5 5 7 9 has the mean 5 and
// the sum of squares about it 32.
func TestTally(t *testing.T) {
	var a tally
	for _, x := range []float64{2, 4, 4, 4, 5, 5, 7, 9} {
		a.add(x)
	}
	r := a.reading(drivers.Input{Kind: drivers.Voltage, Scale: -0.5, Offset: 1})
	if r.Mean != 5 || math.Abs(r.SD-math.Sqrt(32.0/7)) > 1e-12 || r.Span != 7 || r.Value != -3 || r.ValueSpan != 3.5 {
		t.Errorf("%+v", r)
	}
}

func TestJSON(t *testing.T) {
	rep, _ := full().look(t, Options{})
	b, err := json.Marshal(rep)
	if err != nil {
		t.Fatal(err)
	}
	var back struct {
		Chips []struct {
			Driver, Confidence string
			Inputs             []struct{ Reading struct{ SD float64 } }
		}
		Problems []any
	}
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	if len(back.Chips) != 5 || back.Chips[0].Confidence != "certain" || back.Chips[0].Inputs[0].Reading.SD < 50 {
		t.Errorf("%s", b)
	}
	if strings.Contains(string(b), ":null") {
		t.Errorf("lists that are empty must be []: %s", b)
	}
}

func TestNatural(t *testing.T) {
	names := []string{"dev/i2c-10", "dev/i2c-2", "dev/i2c-1", "dev/i2c-02b", "dev/i2c-"}
	sortNatural(names)
	if got, want := fmt.Sprint(names), "[dev/i2c- dev/i2c-1 dev/i2c-2 dev/i2c-02b dev/i2c-10]"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// The whole look ends when its user ends it.
func TestEnds(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	r := full()
	done := make(chan error)
	r.clock.Go(func() {
		_, err := Look(ctx, r.system(), Options{Time: time.Second, Mains: 50})
		done <- err
	})
	if err := <-done; err == nil {
		t.Error("it went on")
	}
}

func FuzzNatural(f *testing.F) {
	f.Add("i2c-2", "i2c-10")
	f.Add("007", "7")
	f.Add("", "x")
	f.Fuzz(func(t *testing.T, a, b string) {
		if compareNatural(a, b) != -compareNatural(b, a) || compareNatural(a, a) != 0 {
			t.Errorf("no order: %q %q", a, b)
		}
	})
}

// Whatever stands in the files of the system, the look ends and prints.
func FuzzFiles(f *testing.F) {
	f.Add("00-00: a : b : playback 1\n", "tty0 -W-\n", "dtparam=spi=on", "12\n")
	f.Add(":::", "\x00", "dtparam=", "-")
	f.Fuzz(func(t *testing.T, pcm, consoles, config, number string) {
		r := newRig()
		r.file("/proc/asound/pcm", pcm)
		r.file("/proc/consoles", consoles)
		r.file("/boot/config.txt", config)
		r.file("/sys/class/hwmon/hwmon0/name", number)
		r.file("/sys/class/hwmon/hwmon0/temp1_input", number)
		r.file("/dev/ttyUSB0", "")
		rep, text := r.look(t, Options{Time: 200 * time.Millisecond})
		if len(rep.HWMon) != 1 || !strings.Contains(text, "PROBLEMS") {
			t.Errorf("%+v", rep)
		}
	})
}
