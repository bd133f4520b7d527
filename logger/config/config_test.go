package config

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"tipoff/calib/chain"
	"tipoff/calib/strict"
	"tipoff/drivers"
	"tipoff/drivers/registry"
	"tipoff/logger/frame"
)

func read(t *testing.T, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func petrelPier(t *testing.T) (*Bench, []byte) {
	t.Helper()
	data := read(t, "../../deploy/petrel-pier/bench.toml")
	b, err := Parse("bench.toml", data, registry.All())
	if err != nil {
		t.Fatal(err)
	}
	return b, data
}

func TestPetrelPier(t *testing.T) {
	b, _ := petrelPier(t)
	if b.Name != "bench-1" || b.Mains != 50 || b.ManifoldVolume != 0.0005 || b.PumpSpeed != 0.0009 ||
		b.OpenCircuit != 12000 || b.MaxCurrent != 1.2 || math.Abs(b.RoomPressure-101205) > 1 || b.Store.Directory != "/var/lib/tipoff" ||
		b.Page.Listen != "127.0.0.1:8077" || b.Forward != nil {
		t.Errorf("bench differs: %+v", b)
	}
	if d := cmp.Diff([]Sounder{{Driver: "buzzer", Line: "GPIO18"}}, b.Sounders); d != "" {
		t.Error(d)
	}
	if len(b.Channels) != 4 {
		t.Fatalf("%d channels", len(b.Channels))
	}
	// p = 10^(U-5.625) Torr with U = 3 times the volts at the pin: at 2.8353 V,
	// U = 8.5058 V, the gauge shows 760 Torr (by hand: log10(760) = 2.8808).
	wide := b.Channels[0]
	p := wide.Calibration.Params
	u := p.Divider * (5.625 + math.Log10(760)) / 3
	if pa := p.PaAt * math.Pow(10, (u-p.VoltsAt)/p.VoltsPerDecade); math.Abs(pa-101325) > 1e-6*101325 {
		t.Errorf("wide gauge at atmosphere: %v Pa, want 101325", pa)
	}
	if wide.Role != frame.Pressure || !wide.Required || p.GasDependent || wide.Calibration.Kind != chain.SpecLogLinear {
		t.Errorf("wide gauge differs: %+v", wide)
	}
	fine := b.Channels[1].Calibration.Params
	if got := fine.Pa1 + (5-fine.Volts1)*(fine.Pa2-fine.Pa1)/(fine.Volts2-fine.Volts1); math.Abs(got-10*101325.0/760) > 1e-9 {
		t.Errorf("diaphragm gauge at 5 V: %v Pa, want 10 Torr", got)
	}
	glass := b.Channels[2]
	if glass.Input != "" || glass.Options["type"] != "K" || glass.Calibration.Params.Mounting != 8 || glass.Calibration.Params.Class != "IEC 2" {
		t.Errorf("glass differs: %+v", glass)
	}
	ct := b.Channels[3]
	if q := ct.Calibration.Params; q.Ratio != 1000 || q.Burden != 820 || q.Bias != 1.65 || ct.Options["rate"] != "4000/s" {
		t.Errorf("current differs: %+v", ct)
	}
}

func TestDevices(t *testing.T) {
	b, _ := petrelPier(t)
	devices := b.Devices()
	if len(devices) != 3 {
		t.Fatalf("%d devices, want 3: %+v", len(devices), devices)
	}
	adc := devices[0]
	if !slices.Equal(adc.Channels, []int{0, 1}) || adc.Config.Driver != "ads1115" || adc.Config.Bus != "/dev/i2c-1" ||
		adc.Config.Address != "0x48" || adc.Config.Mains != 50 || len(adc.Config.Inputs) != 2 || adc.Config.Inputs[1].Input != "ain1" {
		t.Errorf("converter differs: %+v", adc)
	}
	if devices[1].Config.Bus != "/dev/spidev0.0" || devices[2].Channels[0] != 3 {
		t.Errorf("devices differ: %+v", devices)
	}
}

// Different spellings of one address are one device.
func TestAddressSpelling(t *testing.T) {
	_, data := petrelPier(t)
	text := strings.Replace(string(data), `"0x48"`, `"72"`, 1)
	b, err := Parse("bench.toml", []byte(text), registry.All())
	if err != nil {
		t.Fatal(err)
	}
	if n := len(b.Devices()); n != 3 {
		t.Errorf("%d devices, want 3", n)
	}
}

func TestGoodBenches(t *testing.T) {
	files, err := filepath.Glob("testdata/good-*.toml")
	if err != nil || len(files) < 2 {
		t.Fatalf("only %d good benches: %v", len(files), err)
	}
	for _, f := range files {
		if _, err := Parse(filepath.Base(f), read(t, f), registry.All()); err != nil {
			t.Errorf("%v", err)
		}
	}
}

func TestTableCalibration(t *testing.T) {
	b, err := Parse("b.toml", read(t, "testdata/good-table.toml"), registry.All())
	if err != nil {
		t.Fatal(err)
	}
	// 1 Torr = 101325/760 Pa, 1 mbar = 100 Pa.
	want := [][2]float64{{0.5, 101.325 / 760}, {1, 101325.0 / 760}, {2.5, 1000}}
	if d := cmp.Diff(want, b.Channels[0].Calibration.Params.Table); d != "" {
		t.Error(d)
	}
	if b.Forward == nil || b.Forward.TokenFile != "/etc/tipoff/token" {
		t.Errorf("forward = %+v", b.Forward)
	}
	if b.Page.Listen != "127.0.0.1:8077" {
		t.Errorf("listen = %q without [page]", b.Page.Listen)
	}
	if got := b.Channels[1]; got.Address != "0x48" || got.Options["waveform"] != "no" || got.Required || got.Calibration.Kind != chain.SpecNone {
		t.Errorf("light = %+v", got)
	}
}

// Each bad bench says on its first line which message it must get.
func TestBadBenches(t *testing.T) {
	files, err := filepath.Glob("../../testdata/bad/bench-*.toml")
	if err != nil || len(files) < 30 {
		t.Fatalf("only %d bad benches: %v", len(files), err)
	}
	for _, f := range files {
		name, data := filepath.Base(f), read(t, f)
		first, _, _ := strings.Cut(string(data), "\n")
		want, ok := strings.CutPrefix(first, "# want: ")
		if !ok {
			t.Errorf("%s does not begin with its message", name)
			continue
		}
		b, err := Parse(name, data, registry.All())
		var e *strict.Error
		if !errors.As(err, &e) || err.Error() != name+want {
			t.Errorf("%s:\n got %v\nwant %s%s", name, err, name, want)
		}
		if b != nil {
			t.Errorf("%s: half a bench came back", name)
		}
	}
}

func TestUnknownDriver(t *testing.T) {
	_, data := petrelPier(t)
	text := strings.Replace(string(data), `"ads1115"`, `"ads1151"`, 1)
	_, err := Parse("b.toml", []byte(text), []drivers.Driver{{Name: "ads1115"}, {Name: "mcp3208"}, {Name: "max31856"}})
	line := 1 + strings.Count(text[:strings.Index(text, `"ads1151"`)], "\n")
	want := fmt.Sprintf(`b.toml:%d: channel.driver: found "ads1151"; allowed: did you mean "ads1115"? "ads1115", "mcp3208" or "max31856"`, line)
	if err == nil || err.Error() != want {
		t.Errorf("\n got %v\nwant %s", err, want)
	}
}

// The reference lists exactly the keys that the reader knows: an unknown key in
// each table makes it say them.
func TestReference(t *testing.T) {
	const bench = "[bench]\nname = \"b\"\nmains = \"50 Hz\"\nmanifold_volume = \"1 L\"\n"
	const store = "[store]\ndirectory = \"/x\"\n"
	channel := func(role, kind string) string {
		return "[[channel]]\nname = \"a\"\nrole = \"" + role + "\"\ndriver = \"plain\"\n" + "[channel.calibration]\nkind = \"" + kind + "\"\n"
	}
	const gauge = "log-linear, linear, mantissa-exponent, table;" + gauges
	const log = "log-linear, mantissa-exponent;"
	for _, c := range []struct{ text, tables string }{
		{store + channel("glass", "none") + bench + "qq = 1\n", "bench"},
		{bench + channel("glass", "none") + store + "qq = 1\n", "store"},
		{bench + store + channel("glass", "none") + "[page]\nqq = 1\n", "page"},
		{bench + store + channel("glass", "none") + "[forward]\nurl = \"http://x\"\nqq = 1\n", "forward"},
		{bench + store + channel("glass", "none") + "[sounder]\ndriver = \"buzzer\"\nline = \"x\"\nqq = 1\n", "sounder"},
		{bench + store + strings.Replace(channel("glass", "none"), "[channel.", "qq = 1\n[channel.", 1), "channel"},
		{bench + store + channel("pressure", "log-linear") + "volts_at = \"1 V\"\npressure_at = \"1 Torr\"\nslope = \"1 V/decade\"\nqq = 1\n", "channel.calibration;" + log + gauge},
		{bench + store + channel("pressure", "mantissa-exponent") + "volts_at = \"0 V\"\npressure_at = \"1e-3 Pa\"\nslope = \"0.5 V/decade\"\nqq = 1\n", "channel.calibration;" + log + gauge},
		{bench + store + channel("pressure", "4-20 mA") + "shunt = \"250 ohm\"\npressure_4ma = \"0 Pa\"\npressure_20ma = \"10 Torr\"\nqq = 1\n", "channel.calibration;4-20 mA;" + gauges},
		{bench + store + channel("pressure", "ratiometric") + "supply = \"5 V\"\nratio_1 = \"10 %\"\nratio_2 = \"90 %\"\npressure_1 = \"0 Pa\"\npressure_2 = \"10 Torr\"\nqq = 1\n", "channel.calibration;ratiometric;" + gauges},
		{bench + store + channel("pressure", "linear") + "volts_1 = \"0 V\"\nvolts_2 = \"1 V\"\npressure_1 = \"0 Pa\"\npressure_2 = \"1 Pa\"\nqq = 1\n", "channel.calibration;linear;" + gauge},
		{bench + store + channel("pressure", "table") + "volts = [\"0 V\", \"1 V\"]\npressure = [\"1 Pa\", \"2 Pa\"]\nqq = 1\n", "channel.calibration;table;" + gauge},
		{bench + store + channel("glass", "thermocouple") + "qq = 1\n", "channel.calibration;thermocouple"},
		{bench + store + channel("current", "current") + "ratio = \"1000:1\"\nburden = \"1 ohm\"\nqq = 1\n", "channel.calibration;current"},
		{bench + store + channel("light", "none") + "qq = 1\n", "channel.calibration;none"},
	} {
		_, err := Parse("b.toml", []byte(c.text), []drivers.Driver{{Name: "plain"}})
		var e *strict.Error
		if !errors.As(err, &e) || !strings.HasPrefix(e.Allowed, "one of ") {
			t.Errorf("%s: error %v", c.tables, err)
			continue
		}
		got := strings.Split(strings.TrimPrefix(e.Allowed, "one of "), ", ")
		var want []string
		for _, k := range entries {
			if slices.Contains(strings.Split(c.tables, ";"), k.table) {
				want = append(want, k.key)
			}
		}
		slices.Sort(want)
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: reference against reader:\n%s", c.tables, d)
		}
	}
	if r := Reference(); strings.Count(r, "\n| `") != len(entries) {
		t.Errorf("reference has not one row for each key:\n%s", r)
	}
}

func FuzzParse(f *testing.F) {
	known := registry.All()
	for _, p := range []string{"../../deploy/petrel-pier/bench.toml", "testdata/good-table.toml"} {
		data, err := os.ReadFile(p)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := Parse("f.toml", data, known)
		if err != nil {
			var e *strict.Error
			if !errors.As(err, &e) || b != nil || strings.Contains(err.Error(), "\n") {
				t.Fatalf("error %q with bench %v", err, b)
			}
			return
		}
		n := 0
		for _, d := range b.Devices() {
			n += len(d.Channels)
		}
		if n != len(b.Channels) || n == 0 || n > frame.MaxChannels {
			t.Fatalf("%d channels in devices, %d in the bench", n, len(b.Channels))
		}
	})
}

// One [sounder] and several [[sounder]] are both read; two on one line are not.
func TestSounders(t *testing.T) {
	bench := "[bench]\nname = \"b\"\nmains = \"50 Hz\"\nmanifold_volume = \"1 L\"\n[store]\ndirectory = \"d\"\n" +
		"[[channel]]\nname = \"door\"\nrole = \"contact\"\ndriver = \"contact\"\nbus = \"GPIO17\"\n"
	buzz := "driver = \"buzzer\"\nline = \"GPIO18\"\n"
	lamp := "[[sounder]]\ndriver = \"lamp\"\nline = \"GPIO22\"\nflash = true\n"
	horn := "[[sounder]]\ndriver = \"speaker\"\n"
	want := []Sounder{{Driver: "buzzer", Line: "GPIO18"}, {Driver: "lamp", Line: "GPIO22", Flash: true}, {Driver: "speaker", Device: "auto", Level: 0.8}}
	for text, n := range map[string]int{"": 0, "[sounder]\n" + buzz: 1, "[[sounder]]\n" + buzz: 1, "[[sounder]]\n" + buzz + lamp + horn: 3} {
		b, err := Parse("bench.toml", []byte(bench+text), registry.All())
		if err != nil {
			t.Errorf("%s: %v", text, err)
			continue
		}
		if d := cmp.Diff(want[:n], b.Sounders, cmpopts.EquateEmpty()); d != "" {
			t.Errorf("%s: %s", text, d)
		}
	}
	for text, word := range map[string]string{
		"[[sounder]]\n" + buzz + "[[sounder]]\n" + buzz: "a line of its own",
		horn + horn:                 "a device of its own",
		strings.Repeat(horn, 9):     "a device of its own",
		"[sounder]\n" + buzz + lamp: "sounder",
	} {
		if _, err := Parse("bench.toml", []byte(bench+text), registry.All()); err == nil || !strings.Contains(err.Error(), word) {
			t.Errorf("%s: %v, want %q", text, err, word)
		}
	}
}
