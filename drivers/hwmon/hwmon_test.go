package hwmon

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

func tree(t testing.TB) string { return drivertest.Tree(t, "testdata/chips.txt") }

func config(address string, inputs ...string) drivers.Config {
	cfg := drivers.Config{Driver: "hwmon", Address: address}
	for _, in := range inputs {
		cfg.Inputs = append(cfg.Inputs, drivers.InputConfig{Input: in})
	}
	return cfg
}

func with(cfg drivers.Config, key, value string) drivers.Config {
	cfg.Inputs[0].Options = map[string]string{key: value}
	return cfg
}

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
		if err := src.Start(ctx); err == nil {
			t.Error("Start after Close gives no error")
		}
	})
}

// Units by sysfs-interface.rst: thousandths of °C, mV, mA, thousandths of %.
func TestValues(t *testing.T) {
	root := tree(t)
	for name, row := range map[string]struct {
		cfg  drivers.Config
		want []float64
		unit string
		kind drivers.Kind
	}{
		"temperature": {config("name:cpu_thermal", "temp1"), []float64{48.312}, "", drivers.Temperature},
		"label":       {config("name:sht3x", "temp:Ambient"), []float64{22.35}, "", drivers.Temperature},
		"humidity":    {config("name:sht3x", "humidity1"), []float64{41.2}, "%", drivers.Number},
		"voltage":     {config("name:ina233", "in:Supply", "in1"), []float64{11.984, 11.984}, "", drivers.Voltage},
		"current":     {config("name:ina233", "curr1"), []float64{350}, "mA", drivers.Number},
		"below zero":  {config("name:ina233", "temp2"), []float64{-1.5}, "", drivers.Temperature},
		"by path":     {drivers.Config{Bus: "/sys/class/hwmon/hwmon0", Inputs: []drivers.InputConfig{{Input: "temp1"}}}, []float64{48.312}, "", drivers.Temperature},
	} {
		on(t, root, row.cfg, func(c *clock.Virtual, src *Dev) {
			if err := src.Start(ctx); err != nil {
				t.Errorf("%s: %v", name, err)
				return
			}
			dst := make([]drivers.Sample, 512)
			n, next, err := src.Read(ctx, dst)
			if n != len(row.want) || err != nil || next != c.Now()+500*time.Millisecond {
				t.Errorf("%s: %d samples, next %v, %v", name, n, next, err)
				return
			}
			for i, s := range dst[:n] {
				in := src.Inputs()[i]
				if got := s.Raw * in.Scale; math.Abs(got-row.want[i]) > 1e-9 || in.Kind != row.kind || in.Unit != row.unit || s.Fault != 0 || int(s.Input) != i {
					t.Errorf("%s: %v (%+v), want %v", name, got, s, row.want[i])
				}
			}
			if k := testing.AllocsPerRun(20, func() {
				_ = c.SleepUntil(ctx, next)
				_, next, _ = src.Read(ctx, dst)
			}); k != 0 {
				t.Errorf("%s: %v allocations", name, k)
			}
		})
	}
}

func TestFaultFile(t *testing.T) {
	root := tree(t)
	const stem = "sys/class/hwmon/hwmon4/temp2_"
	on(t, root, config("name:ina233", "temp2"), func(c *clock.Virtual, src *Dev) {
		if err := src.Start(ctx); err != nil {
			t.Error(err)
			return
		}
		dst := make([]drivers.Sample, 512)
		read := func() (drivers.Sample, int, error) {
			n, next, err := src.Read(ctx, dst)
			_ = c.SleepUntil(ctx, next)
			return dst[0], n, err
		}
		drivertest.Put(t, root, stem+"fault", "1")
		if s, n, err := read(); n != 1 || err != nil || s.Fault != drivers.OpenCircuit {
			t.Errorf("fault: %+v, %v", s, err)
		}
		// Many chips give no number at all then.
		drivertest.Put(t, root, stem+"input", "")
		if s, n, err := read(); n != 1 || err != nil || s.Fault != drivers.OpenCircuit {
			t.Errorf("fault without a number: %+v, %v", s, err)
		}
		drivertest.Put(t, root, stem+"fault", "0")
		if _, n, err := read(); n != 0 || !errors.Is(err, drivers.Transient) {
			t.Errorf("no number: %d samples, %v", n, err)
		}
		drivertest.Put(t, root, stem+"input", "20000")
		if s, n, err := read(); n != 1 || err != nil || s.Raw != 20000 || s.Fault != 0 {
			t.Errorf("well again: %+v, %v", s, err)
		}
	})
}

func TestStartFails(t *testing.T) {
	root := tree(t)
	for name, row := range map[string]struct {
		cfg  drivers.Config
		want drivers.Condition
		hint string
	}{
		"no chip":  {config("name:lm75", "temp1"), drivers.NotPresent, "module"},
		"no input": {config("name:ina233", "temp1"), drivers.BadConfig, "temp2 (Shell)"},
		"no label": {config("name:sht3x", "temp:Shell"), drivers.BadConfig, "temp1 (Ambient)"},
		"twins":    {config("name:twin", "temp1"), drivers.BadConfig, "bus"},
		"other": {drivers.Config{Bus: "/sys/class/hwmon/hwmon0", Address: "name:sht3x", Inputs: []drivers.InputConfig{{Input: "temp1"}}},
			drivers.WrongDevice, "anew"},
		"no path": {drivers.Config{Bus: "/sys/class/hwmon/hwmon9", Inputs: []drivers.InputConfig{{Input: "temp1"}}}, drivers.NotPresent, "module"},
	} {
		on(t, root, row.cfg, func(_ *clock.Virtual, src *Dev) {
			if err := src.Start(ctx); !errors.Is(err, row.want) || !strings.Contains(drivers.HintOf(err), row.hint) {
				t.Errorf("%s: %v, want %v with %q", name, err, row.want, row.hint)
			}
		})
	}
}

// A chip that comes later, and comes back under another number.
func TestComesAndGoes(t *testing.T) {
	root := tree(t)
	base := filepath.Join(root, "sys/class/hwmon")
	hidden := filepath.Join(root, "unplugged")
	if err := os.Rename(filepath.Join(base, "hwmon3"), hidden); err != nil {
		t.Fatal(err)
	}
	on(t, root, config("name:sht3x", "temp1"), func(c *clock.Virtual, src *Dev) {
		if err := src.Start(ctx); !errors.Is(err, drivers.NotPresent) {
			t.Errorf("unplugged: %v", err)
		}
		if err := os.Rename(hidden, filepath.Join(base, "hwmon12")); err != nil {
			t.Error(err)
		}
		if err := src.Start(ctx); err != nil {
			t.Errorf("plugged in: %v", err)
		}
		// A directory's EISDIR stands in for the kernel's ENODEV.
		src.Gone = func(err error) bool { return errors.Is(err, syscall.EISDIR) }
		if err := src.in[0].value.Open(root); err != nil {
			t.Error(err)
		}
		dst := make([]drivers.Sample, 512)
		n, next, err := src.Read(ctx, dst)
		if n != 1 || err != nil || dst[0].Raw != 22350 || dst[0].Fault != drivers.Restored {
			t.Errorf("replugged: %+v, %v", dst[:n], err)
		}
		_ = c.SleepUntil(ctx, next)
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

func TestBadConfig(t *testing.T) {
	path := func(p string) drivers.Config {
		return drivers.Config{Bus: p, Inputs: []drivers.InputConfig{{Input: "temp1"}}}
	}
	for name, cfg := range map[string]drivers.Config{
		"no chip": config("", "temp1"), "no input": config("name:x"), "address": config("sht3x", "temp1"), "empty name": config("name:", "temp1"),
		"outside": path("/etc"), "climbing": path("/sys/../etc"), "fan": config("name:x", "fan1"), "no number": config("name:x", "temp"),
		"attribute": config("name:x", "temp1_input"), "path": config("name:x", "temp:../x"),
		"rate": with(config("name:x", "temp1"), "rate", "100/s"), "accuracy": with(config("name:x", "temp1"), "accuracy", "5 V"),
		"accuracy in °C": with(config("name:x", "curr1"), "accuracy", "5 °C"), "option": with(config("name:x", "temp1"), "speed", "1"),
	} {
		if _, err := Driver().Open(nil, nil, cfg); !errors.Is(err, drivers.BadConfig) {
			t.Errorf("%s: %v, want %v", name, err, drivers.BadConfig)
		}
	}
}

func TestDescription(t *testing.T) {
	src, err := Driver().Open(nil, nil, with(config("name:x", "temp1", "in1"), "accuracy", "0.3 °C"))
	if err != nil {
		t.Fatal(err)
	}
	in := src.Inputs()
	if in[0].Accuracy.Offset != 0.3 || in[1].Accuracy.Gain != 0.02 || in[0].Accuracy.Source == "" || in[1].Accuracy.Source == "" {
		t.Errorf("%+v", in)
	}
}

// subject is a thermometer in a kernel tree that changes as the kernel's does.
func subject(t testing.TB) drivertest.Subject {
	folder := drivertest.Folder(t)
	return drivertest.Subject{
		Driver: Driver(), Config: config("name:max6675", "temp1"), Stuck: drivers.Transient, Wrong: drivers.NotPresent,
		Rig: func(c clock.Clock) (drivers.Driver, drivertest.Chip) {
			root := folder()
			k := emulated.NewSysfs(root, "sys/class/hwmon", "hwmon", map[string]string{"name": "max6675"}, "temp1_input")
			k.FaultFile = "temp1_fault"
			k.Value = func(time.Duration) float64 { return 225250 }
			return k.Under(At(root)), drivertest.Settingless{Breakable: k}
		},
	}
}

func TestConformance(t *testing.T) { drivertest.Run(t, subject(t)) }
func BenchmarkRead(b *testing.B)   { subject(b).Bench(b) }

// FuzzInput: an input that passes names files of the chip and of nothing else.
func FuzzInput(f *testing.F) {
	for _, s := range []string{"temp1", "temp:Ambient", "in0", "curr12", "humidity1", "fan1", "temp:", "temp:../x", "temp1_input", ""} {
		f.Add(s, "0.5 °C")
	}
	f.Fuzz(func(t *testing.T, input, accuracy string) {
		src, err := Driver().Open(nil, nil, with(config("name:x", input), "accuracy", accuracy))
		if err != nil {
			if !errors.Is(err, drivers.BadConfig) {
				t.Errorf("%q, %q: %v", input, accuracy, err)
			}
			return
		}
		if strings.ContainsAny(input, "/\x00") || strings.Contains(input, "_") && !strings.Contains(input, ":") {
			t.Errorf("%q passes", input)
		}
		if a := src.Inputs()[0].Accuracy; !(a.Offset > 0) && !(a.Gain > 0) {
			t.Errorf("accuracy %q gives %+v", accuracy, a)
		}
	})
}
