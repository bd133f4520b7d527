package bench_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/host"
	"tipoff/drivers/speaker"
	"tipoff/logger/bench"
)

// gate keeps one port shut until it is opened.
type gate struct {
	drivers.Ports
	clock *clock.Virtual
	name  string
	until time.Duration
	err   error
}

func (g *gate) shut(name string) error {
	if name == g.name && g.clock.Now() < g.until {
		return g.err
	}
	return nil
}

func (g *gate) I2C(name string) (i2c.BusCloser, error) {
	if err := g.shut(name); err != nil {
		return nil, err
	}
	return g.Ports.I2C(name)
}

func (g *gate) SPI(name string) (spi.PortCloser, error) {
	if err := g.shut(name); err != nil {
		return nil, err
	}
	return g.Ports.SPI(name)
}

func (g *gate) Pin(name string) (gpio.PinIO, error) {
	if err := g.shut(name); err != nil {
		return nil, err
	}
	return g.Ports.Pin(name)
}

// refused is what the board's own ports say of a device file that belongs to
// group dialout and may not be opened.
func refused(t *testing.T, name string) error {
	t.Helper()
	file := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(file, nil, 0o660); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(file, 0o660); err != nil { // whatever the umask
		t.Fatal(err)
	}
	if err := os.Chown(file, -1, 20); err != nil {
		t.Skipf("files cannot be given to another group here: %v", err)
	}
	return host.Explain(file, &fs.PathError{Op: "open", Path: file, Err: syscall.EACCES})
}

// missing is a device file that this computer has not either: the kernel's own
// answer.
func missing(name string) error {
	var p host.Ports
	_, err := p.I2C("/dev/i2c-65000")
	if strings.HasPrefix(name, "/dev/spi") {
		_, err = p.SPI("/dev/spidev32000.250")
	}
	return err
}

// A bench starts with anything missing: that channel says why and what to do, the
// others are right from the first second on, and it joins within 2 s of being
// plugged in, enabled or permitted.
func TestStartWithAnythingMissing(t *testing.T) {
	const opened = 6 * time.Second
	noLines := host.Explain("/dev/gpiochip0", &fs.PathError{Op: "open", Path: "/dev/gpiochip0", Err: syscall.ENOENT})
	group := "group dialout"
	for name, c := range map[string]struct {
		ch   int
		port string // what is shut; "": the device itself
		err  func(t *testing.T) error
		told []string
	}{
		"I²C disabled":         {fillCh, "/dev/i2c-1", func(*testing.T) error { return missing("/dev/i2c-1") }, []string{"bus not enabled", "dtparam=i2c_arm=on"}},
		"I²C not permitted":    {fillCh, "/dev/i2c-1", func(t *testing.T) error { return refused(t, "i2c-1") }, []string{"not permitted", group}},
		"I²C chip missing":     {fillCh, "", nil, []string{"not there", "SDA and SCL"}},
		"SPI disabled":         {glassCh, "/dev/spidev0.0", func(*testing.T) error { return missing("/dev/spidev0.0") }, []string{"bus not enabled", "dtparam=spi=on"}},
		"SPI not permitted":    {glassCh, "/dev/spidev0.0", func(t *testing.T) error { return refused(t, "spidev0.0") }, []string{"not permitted", group}},
		"SPI chip missing":     {currentCh, "", nil, []string{"not there", "chip select"}},
		"GPIO disabled":        {contactCh, "GPIO17", func(*testing.T) error { return noLines }, []string{"bus not enabled", "no GPIO lines"}},
		"GPIO not permitted":   {contactCh, "GPIO17", func(t *testing.T) error { return refused(t, "gpiochip0") }, []string{"not permitted", group}},
		"serial unplugged":     {serialCh, "", nil, []string{"not there", "plug the adapter in"}},
		"serial not permitted": {serialCh, "line", func(*testing.T) error { return syscall.EACCES }, []string{"not permitted", "group", "dialout"}},
		"Modbus RTU unplugged": {rtuCh, "", nil, []string{"not there", "plug the adapter in"}},
		"network refused":      {tcpCh, "", nil, []string{"not there", "network cable"}},
		"IIO device missing":   {iioCh, "", nil, []string{"kernel module"}},
		"hwmon chip missing":   {hwmonCh, "", nil, []string{"kernel module"}},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRigged(t, c.ch)
			r.world.under = c.ch
			g := &gate{clock: r.clock, until: opened}
			switch c.port {
			case "":
				r.chips[c.ch].SetAbsent(true)
			case "line":
				unplug(r.chips[c.ch].(*onSerial).line, c.err(t), c.err(t), true)
			default:
				g.name, g.err = c.port, c.err(t)
			}
			r.behind(t, g)
			var text string
			var back time.Duration
			r.each = func(at time.Duration) {
				if at == opened && g.name == "" {
					r.chips[c.ch].SetAbsent(false)
				}
				snap := r.bench.Snapshot()
				for i, k := range r.index {
					if k < 0 {
						continue
					}
					v := snap.Frame.Readings[k].Value
					right := v.Good() && v.X >= r.world.truth(i, at)-subjectsOf[i].within && v.X <= r.world.truth(i, at)+subjectsOf[i].within
					switch {
					case i != c.ch:
						if at > time.Second && !right {
							t.Errorf("%v: %s gives %v", at, subjectsOf[i].title, v)
						}
					case at <= opened:
						if v.Good() {
							t.Errorf("%v: a reading without a device: %v", at, v)
						}
						if x := toldOf(snap, r.device(c.ch), c.told[0]); x != "" {
							text = x
						}
					case right && back == 0:
						back = at - opened
					}
				}
			}
			if err := r.bench.Run(t.Context(), func(now time.Duration) bool { return now >= opened+3*time.Second }); err != nil {
				t.Fatal(err)
			}
			for _, want := range c.told {
				if !strings.Contains(text, want) {
					t.Errorf("told %q, which lacks %q", text, want)
				}
			}
			if back == 0 || back > 2*time.Second {
				t.Errorf("joined %v after it came", back)
			}
		})
	}
}

// A sound device that is missing says which setting has it, and the bench runs.
// (That it joins when plugged in is in the speaker's own tests.)
func TestStartWithoutSoundDevice(t *testing.T) {
	r := newRigged(t)
	r.outputs = []bench.Output{{Name: "speaker", Open: func() (drivers.Sounder, error) {
		d, err := speaker.Open(speaker.Options{Device: "/dev/snd/pcmC31D31p"})
		if d == nil {
			return nil, err
		}
		return d, err
	}}}
	r.remake(t)
	text, bad := "", 0
	r.each = func(at time.Duration) {
		snap := r.bench.Snapshot()
		if x := toldOf(snap, "speaker", "alarm is not heard"); x != "" {
			text = x
		}
		if at > time.Second && !snap.Frame.Readings[0].Value.Good() {
			bad++
		}
	}
	if err := r.bench.Run(t.Context(), func(now time.Duration) bool { return now >= 5*time.Second }); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(text, "not there") || !strings.Contains(text, "dtparam=audio=on") || bad > 0 {
		t.Errorf("told %q; %d frames without glass", text, bad)
	}
}
