package recompute

import (
	"errors"
	"strings"
	"testing"

	"tipoff/calib/strict"
	"tipoff/drivers/registry"
	"tipoff/logger/config"
	"tipoff/logger/journal"
)

const fuzzBench = `[bench]
name = "bench-1"
mains = "50 Hz"
manifold_volume = "0.5 L"
[store]
directory = "/var/lib/tipoff"
[[channel]]
name = "manifold"
role = "pressure"
driver = "ads1115"
bus = "/dev/i2c-1"
input = "ain0"
[channel.calibration]
kind = "log-linear"
volts_at = "6.8 V"
pressure_at = "1 mbar"
slope = "0.6 V/decade"
divider = "4:1"
`

// Any file is read as a calibration of a run, or refused with its name.
func FuzzFile(f *testing.F) {
	known := registry.All()
	run, err := config.Parse("bench.toml", []byte(fuzzBench), known)
	if err != nil {
		f.Fatal(err)
	}
	part := fuzzBench[strings.Index(fuzzBench, "[[channel]]"):]
	for _, s := range []string{
		fuzzBench, part, strings.ReplaceAll(part, "role = \"pressure\"\n", ""), strings.ReplaceAll(part, "4:1", "NaN"), "",
		"[[channel]]", "[[channel]]\nname = \"manifold\"", "channel = [{name=\"manifold\"}]", "channel = \"manifold\"\nversion = 1\nrole = \"pressure\"\n",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		file := File{Name: "new.toml", Text: text}
		err := file.Check()
		var s specs
		if err == nil {
			s, err = file.specs(run, known, journal.Anchor{})
		}
		if err == nil {
			if len(s.channels)+len(s.certs) == 0 {
				t.Error("taken, but it calibrates nothing")
			}
			return
		}
		var form *strict.Error
		var wrong Wrong
		if !errors.As(err, &form) && !errors.As(err, &wrong) || !strings.Contains(err.Error(), "new.toml") || strings.Contains(err.Error(), "\n") {
			t.Errorf("error %q", err)
		}
		if form != nil && form.Line > strings.Count(string(text), "\n")+1 {
			t.Errorf("%v: the file has not so many lines", err)
		}
	})
}

// Any recomputed-<n>.toml is read or refused.
func FuzzResult(f *testing.F) {
	f.Add([]byte("format = 1\nrun = 'x'\n[[channels]]\nname = 'a'\nmean_change = nan\n"))
	f.Add([]byte("format = 2\n"))
	f.Add([]byte(""))
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := parseResult(text)
		if (r == nil) == (err == nil) {
			t.Errorf("%v, %v", r, err)
		}
	})
}

// Any calibration_text is taken apart without losing a line, or refused.
func FuzzSplit(f *testing.F) {
	f.Add("# in force\nversion = 1\nchannel = \"a\"\n# next\nversion = 1\nchannel = \"b\"\n")
	f.Add("channel = 1")
	f.Add("")
	f.Fuzz(func(t *testing.T, text string) {
		all, err := split(text)
		if err != nil {
			return
		}
		joined := strings.Join(all, "")
		if !strings.HasSuffix(text, joined) {
			t.Errorf("%q became %q", text, all)
		}
		for _, line := range strings.Split(strings.TrimSuffix(text, joined), "\n") {
			if s := strings.TrimSpace(line); s != "" && !strings.HasPrefix(s, "#") {
				t.Errorf("%q is lost", line)
			}
		}
	})
}
