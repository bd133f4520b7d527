package iio

import (
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
)

var ctx = context.Background()

func tree(t testing.TB, name string) string {
	return drivertest.Tree(t, filepath.Join("testdata", name))
}

func get(t testing.TB, root, path string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(root, path))
	if err != nil {
		t.Error(err)
	}
	return strings.TrimSpace(string(b))
}

func in(name string, kv ...string) drivers.InputConfig {
	ic := drivers.InputConfig{Input: name, Options: map[string]string{}}
	for i := 0; i < len(kv); i += 2 {
		ic.Options[kv[i]] = kv[i+1]
	}
	return ic
}

func config(address string, ins ...drivers.InputConfig) drivers.Config {
	return drivers.Config{Driver: "iio", Address: address, Inputs: ins}
}

// on opens a source on root and calls f on a virtual clock.
func on(t testing.TB, root string, cfg drivers.Config, f func(c *clock.Virtual, src *Dev)) {
	t.Helper()
	drivertest.OnClock(func(c *clock.Virtual) {
		src, err := At(root).Open(nil, c, cfg)
		if err != nil {
			t.Errorf("Open: %v", err)
			return
		}
		f(c, src.(*Dev))
		for range 2 {
			if err := src.Close(); err != nil {
				t.Errorf("Close: %v", err)
			}
		}
		if _, _, err := src.Read(ctx, make([]drivers.Sample, 512)); err == nil {
			t.Error("Read after Close gives no error")
		}
	})
}

// Values by the ABI: (raw + offset) x scale in mV, thousandths of °C, mA, kPa.
func TestPolled(t *testing.T) {
	ads, thermo := tree(t, "ads1015.txt"), tree(t, "thermo.txt")
	for name, row := range map[string]struct {
		root string
		cfg  drivers.Config
		want []float64 // quantity
		kind drivers.Kind
		flt  drivers.Fault // of the last
	}{
		"voltage":       {ads, config("name:ads1015", in("voltage0"), in("in_voltage1")), []float64{2, -0.003125}, drivers.Voltage, 0},
		"by label":      {ads, config("label:petrel-pier", in("voltage0")), []float64{2}, drivers.Voltage, 0},
		"differential":  {ads, config("name:ads1015", in("voltage0-voltage1")), []float64{2.047}, drivers.Voltage, drivers.Clipped},
		"shared scale":  {thermo, config("name:mcp9600", in("temp"), in("temp_ambient")), []float64{225, 25.03125}, drivers.Temperature, 0},
		"processed":     {thermo, config("name:bmp280", in("temp")), []float64{22.35}, drivers.Temperature, 0},
		"pressure":      {thermo, config("name:bmp280", in("pressure")), []float64{101.325}, drivers.Number, 0},
		"humidity":      {thermo, config("name:bmp280", in("humidityrelative")), []float64{41.2}, drivers.Number, 0},
		"by path":       {thermo, drivers.Config{Bus: "/sys/bus/iio/devices/iio:device5", Inputs: []drivers.InputConfig{in("voltage7")}}, []float64{0.05}, drivers.Voltage, 0},
		"path and name": {thermo, drivers.Config{Bus: "/sys/bus/iio/devices/iio:device5", Address: "name:twin", Inputs: []drivers.InputConfig{in("voltage7")}}, []float64{0.05}, drivers.Voltage, 0},
	} {
		on(t, row.root, row.cfg, func(c *clock.Virtual, src *Dev) {
			if err := src.Start(ctx); err != nil {
				t.Errorf("%s: %v", name, err)
				return
			}
			dst := make([]drivers.Sample, 512)
			for range 3 {
				n, next, err := src.Read(ctx, dst)
				if err != nil || n != len(row.want) || next != c.Now()+100*time.Millisecond {
					t.Errorf("%s: %d samples, next %v, %v", name, n, next, err)
					return
				}
				for i, s := range dst[:n] {
					info := src.Inputs()[i]
					if got := s.Raw * info.Scale; math.Abs(got-row.want[i]) > 1e-12 || info.Kind != row.kind || int(s.Input) != i || s.At != c.Now() {
						t.Errorf("%s: %v (%+v), want %v", name, got, s, row.want[i])
					}
				}
				if dst[n-1].Fault != row.flt {
					t.Errorf("%s: %v, want %v", name, dst[n-1].Fault, row.flt)
				}
				_ = c.SleepUntil(ctx, next)
			}
			if k := testing.AllocsPerRun(20, func() {
				_, next, _ := src.Read(ctx, dst)
				_ = c.SleepUntil(ctx, next)
			}); k != 0 {
				t.Errorf("%s: %v allocations", name, k)
			}
		})
	}
}

func TestDescription(t *testing.T) {
	src, err := Driver().Open(nil, nil, config("name:x", in("voltage0", "accuracy", "±5 mV"), in("temp"), in("voltage1", "accuracy", "0.2 %"), in("current", "rate", "20/s"), in("temp_ambient", "accuracy", "0.5 °C")))
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []drivers.Accuracy{{Offset: 0.005}, {Offset: 2}, {Gain: 0.002}, {Gain: 0.01}, {Offset: 0.5}} {
		in := src.Inputs()[i]
		if in.Accuracy.Offset != want.Offset || in.Accuracy.Gain != want.Gain || in.Accuracy.Source == "" || in.Interval != 50*time.Millisecond {
			t.Errorf("%s: %+v", in.Name, in)
		}
	}
}

func TestBadConfig(t *testing.T) {
	path := func(p string) drivers.Config {
		return drivers.Config{Bus: p, Inputs: []drivers.InputConfig{in("temp")}}
	}
	for name, cfg := range map[string]drivers.Config{
		"no device": config("", in("temp")), "no input": config("name:x"), "address": config("0x48", in("temp")), "empty name": config("name:", in("temp")),
		"outside": path("/etc/passwd"), "climbing": path("/sys/../etc"), "unknown input": config("name:x", in("magic0")),
		"path as input": config("name:x", in("voltage0/../../name")), "attribute as input": config("name:x", in("voltage0_raw")),
		"option": config("name:x", in("temp", "speed", "1")), "waveform": config("name:x", in("temp", "waveform", "often")),
		"rate unit": config("name:x", in("temp", "rate", "10")), "rate": config("name:x", in("temp", "rate", "2000/s")),
		"slow waveform": config("name:x", in("voltage0", "rate", "1/s", "waveform", "yes")), "two rates": config("name:x", in("temp", "rate", "1/s"), in("voltage0", "rate", "2/s")),
		"trigger": config("name:x", in("temp", "trigger", "../x")), "accuracy": config("name:x", in("temp", "accuracy", "5 mV")),
		"accuracy of pressure": config("name:x", in("pressure", "accuracy", "1 kPa")),
	} {
		if _, err := Driver().Open(nil, nil, cfg); !errors.Is(err, drivers.BadConfig) {
			t.Errorf("%s: %v, want %v", name, err, drivers.BadConfig)
		}
	}
}

func TestStartFails(t *testing.T) {
	ads, thermo := tree(t, "ads1015.txt"), tree(t, "thermo.txt")
	path := func(p, address string) drivers.Config {
		return drivers.Config{Bus: p, Address: address, Inputs: []drivers.InputConfig{in("voltage7")}}
	}
	for name, row := range map[string]struct {
		root string
		cfg  drivers.Config
		want drivers.Condition
		hint string
	}{
		"no IIO":       {t.TempDir(), config("name:ads1015", in("voltage0")), drivers.BusDisabled, "kernel module"},
		"no device":    {ads, config("name:ads1115", in("voltage0")), drivers.NotPresent, "overlay"},
		"no path":      {ads, path("/sys/bus/iio/devices/iio:device9", ""), drivers.NotPresent, "overlay"},
		"other there":  {thermo, path("/sys/bus/iio/devices/iio:device5", "name:ads1015"), drivers.WrongDevice, "anew"},
		"twins":        {thermo, config("name:twin", in("voltage7")), drivers.BadConfig, "bus"},
		"no input":     {ads, config("name:ads1015", in("voltage2")), drivers.BadConfig, "voltage0-voltage1"},
		"no scale":     {ads, config("name:ads1015", in("voltage3")), drivers.BadConfig, "scale"},
		"no buffer":    {thermo, config("name:mcp9600", in("temp", "waveform", "yes")), drivers.BadConfig, "waveform = no"},
		"rate":         {ads, config("name:ads1015", in("voltage0", "waveform", "yes", "trigger", "none", "rate", "100/s")), drivers.BadConfig, "bench-timer"},
		"not captured": {ads, config("name:ads1015", in("voltage0", "waveform", "yes"), in("temp")), drivers.BadConfig, "scale"},
	} {
		on(t, row.root, row.cfg, func(_ *clock.Virtual, src *Dev) {
			err := src.Start(ctx)
			if !errors.Is(err, row.want) || !strings.Contains(drivers.HintOf(err), row.hint) {
				t.Errorf("%s: %v, want %v with %q", name, err, row.want, row.hint)
			}
		})
	}
}

// A device that comes later, fails for a while, and comes back under another
// number; one input that fails leaves the other alone.
func TestComesAndGoes(t *testing.T) {
	root := tree(t, "ads1015.txt")
	base := filepath.Join(root, "sys/bus/iio/devices")
	hidden := filepath.Join(root, "unplugged")
	if err := os.Rename(filepath.Join(base, "iio:device0"), hidden); err != nil {
		t.Fatal(err)
	}
	on(t, root, config("name:ads1015", in("voltage0"), in("voltage1")), func(c *clock.Virtual, src *Dev) {
		dst := make([]drivers.Sample, 512)
		if err := src.Start(ctx); !errors.Is(err, drivers.NotPresent) {
			t.Errorf("unplugged: %v", err)
		}
		if _, _, err := src.Read(ctx, dst); !errors.Is(err, drivers.Transient) {
			t.Errorf("Read before a good Start: %v", err)
		}
		if err := os.Rename(hidden, filepath.Join(base, "iio:device7")); err != nil {
			t.Error(err)
		}
		if err := src.Start(ctx); err != nil {
			t.Errorf("plugged in: %v", err)
		}
		drivertest.Put(t, root, "sys/bus/iio/devices/iio:device7/in_voltage0_raw", "rubbish")
		n, next, err := src.Read(ctx, dst)
		if n != 1 || dst[0].Input != 1 || !errors.Is(err, drivers.Transient) || !strings.Contains(err.Error(), "voltage0") {
			t.Errorf("one input broken: %d samples, %v", n, err)
		}
		drivertest.Put(t, root, "sys/bus/iio/devices/iio:device7/in_voltage0_raw", "500")
		_ = c.SleepUntil(ctx, next)

		// The kernel says ENODEV to whoever still has the file open; a
		// directory's EISDIR stands in for it here.
		src.Gone = func(err error) bool { return errors.Is(err, syscall.EISDIR) }
		if err := src.in[0].value.Open(root); err != nil {
			t.Error(err)
		}
		n, next, err = src.Read(ctx, dst)
		if n != 2 || err != nil || dst[0].Raw != 1000 || dst[0].Fault != drivers.Restored {
			t.Errorf("replugged: %+v, %v", dst[:n], err)
		}
		_ = c.SleepUntil(ctx, next)
		if n, _, err = src.Read(ctx, dst); n != 2 || err != nil || dst[0].Fault != 0 {
			t.Errorf("afterwards: %+v, %v", dst[:n], err)
		}
		ended, cancel := context.WithCancel(ctx)
		cancel()
		if _, _, err := src.Read(ended, dst); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled: %v", err)
		}
		if err := src.Start(ended); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled: %v", err)
		}
	})
}

// subject is a thermometer in a kernel tree that changes as the kernel's does.
func subject(t testing.TB) drivertest.Subject {
	folder := drivertest.Folder(t)
	return drivertest.Subject{
		Driver: Driver(), Config: config("name:mcp9600", in("temp")), Stuck: drivers.Transient, Wrong: drivers.NotPresent,
		Rig: func(c clock.Clock) (drivers.Driver, drivertest.Chip) {
			root := folder()
			k := emulated.NewSysfs(root, "sys/bus/iio/devices", "iio:device", map[string]string{"name": "mcp9600", "in_temp_scale": "62.5"}, "in_temp_raw")
			k.Value = func(time.Duration) float64 { return 3600 }
			return k.Under(At(root)), drivertest.Settingless{Breakable: k}
		},
	}
}

func TestConformance(t *testing.T) { drivertest.Run(t, subject(t)) }
func BenchmarkPolled(b *testing.B) { subject(b).Bench(b) }

// FuzzInput: an input that passes names files of the device and of nothing else.
func FuzzInput(f *testing.F) {
	for _, s := range []string{"voltage0", "in_temp_ambient", "voltage0-voltage1", "temp/../name", "voltage0_raw", "", "pressure", "voltage\x00"} {
		f.Add(s, "0.5 %")
	}
	f.Fuzz(func(t *testing.T, input, accuracy string) {
		src, err := Driver().Open(nil, nil, config("name:x", in(input, "accuracy", accuracy)))
		if err != nil {
			if !errors.Is(err, drivers.BadConfig) {
				t.Errorf("%q, %q: %v", input, accuracy, err)
			}
			return
		}
		if strings.ContainsAny(input, "/.\x00") || strings.HasSuffix(input, "_raw") {
			t.Errorf("%q passes", input)
		}
		if a := src.Inputs()[0].Accuracy; !(a.Offset > 0) && !(a.Gain > 0) {
			t.Errorf("accuracy %q gives %+v", accuracy, a)
		}
	})
}
