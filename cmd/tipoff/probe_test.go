package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/probe"
)

const (
	probePage   = "../../deploy/docs/probe.md"
	probeBegin  = "<!-- tipoff probe --emulated -->\n```\n"
	probeFinish = "```\n<!-- end -->\n"
)

// The guide shows what the probe really prints. TIPOFF_WRITE_DOCS=1 writes it.
func TestProbeGuide(t *testing.T) {
	out, _ := tipoff(t, exitOK, "probe", "--emulated")
	page, err := os.ReadFile(probePage)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok1 := strings.Cut(string(page), probeBegin)
	shown, after, ok2 := strings.Cut(rest, probeFinish)
	if !ok1 || !ok2 {
		t.Fatalf("%s lacks the marks of the sample", probePage)
	}
	want := strings.TrimSpace(out) + "\n"
	if os.Getenv("TIPOFF_WRITE_DOCS") != "" {
		if err := os.WriteFile(probePage, []byte(before+probeBegin+want+probeFinish+after), 0o644); err != nil {
			t.Fatal(err)
		}
		shown = want
	}
	if shown != want {
		t.Errorf("the sample in deploy/docs/probe.md is out of date: TIPOFF_WRITE_DOCS=1 go test ./cmd/tipoff -run ProbeGuide writes it; now:\n%s", want)
	}
	for _, w := range []string{"ADS1115 or ADS1015, certain", "MAX31856, certain", "MCP3208 or MCP3204, certain"} {
		if !strings.Contains(out, w) {
			t.Errorf("lacks %q", w)
		}
	}
}

// What --write writes passes tipoff check, names what was found, and is never
// written over.
func TestProbeWrite(t *testing.T) {
	file := filepath.Join(t.TempDir(), "bench.toml")
	tipoff(t, exitOK, "probe", "--emulated", "--write", file, "--sound", "gpiochip0:18", "--mains", "60")
	first, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	out, _ := tipoff(t, exitOK, "check", file)
	for _, w := range []string{"glass", "max31856 /dev/spidev0.0", "ads1115 /dev/i2c-1 0x48 ain0", "mcp3208 /dev/spidev0.1"} {
		if !strings.Contains(out, w) {
			t.Errorf("tipoff check lacks %q:\n%s", w, out)
		}
	}
	if !strings.Contains(string(first), `line = "GPIO18"`) {
		t.Error("the line that sounded is not in the file")
	}
	_, errs := tipoff(t, exitInput, "probe", "--emulated", "--write", file)
	again, err := os.ReadFile(file)
	if err != nil || !bytes.Equal(first, again) || !strings.Contains(errs, "is there already") {
		t.Errorf("%v; %s", err, errs)
	}
}

func TestProbeJSON(t *testing.T) {
	out, _ := tipoff(t, exitOK, "probe", "--emulated", "--json", "--time", "1s", "--bus", "/dev/spidev0.0")
	var r probe.Report
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatal(err)
	}
	if len(r.Chips) != 1 || r.Chips[0].Driver != "max31856" || r.Seconds != 1 {
		t.Errorf("%+v", r)
	}
}

func TestProbeWrongFlags(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--time", "1ms"}, "0.5s to 60s"},
		{[]string{"--mains", "400"}, "50 or 60"},
		{[]string{"--bus", "ttyUSB0"}, "device files such as"},
		{[]string{"--active-low"}, "together with it"},
		{[]string{"--sound", "gpiochip0:x"}, "gpiochip0/18"},
		{[]string{"--sound", "gpiochip0/99"}, "0 to 27"},
		{[]string{"--sound", "pwmchip0/pwm0"}, "a tone with a PWM output"},
		{[]string{"--sound", "GPIO18", "--tone", "2000"}, "none with a line"},
		{[]string{"--sound", "pwmchip0/pwm0", "--tone", "5"}, "100 to 20000"},
		{[]string{"--sound", "GPIO99"}, "no line"},
		{[]string{"--sound", "speaker", "--active-low"}, "with a line"},
		{[]string{"--sound", "speaker"}, "emulated bench has no loudspeaker"},
		{[]string{"extra"}, "found 1 operands"},
	} {
		_, errs := tipoff(t, exitInput, append([]string{"probe", "--emulated"}, c.args...)...)
		if !strings.Contains(errs, c.want) || strings.Count(strings.TrimSpace(errs), "\n") > 0 {
			t.Errorf("%v: %q, want one line with %q", c.args, errs, c.want)
		}
	}
}

// bare is a probe of a computer without anything but one line.
func bare(t *testing.T) (*probing, *emulated.Pin, *bytes.Buffer) {
	v := clock.NewVirtual(time.Now(), 0)
	board := emulated.NewBoard(v)
	pin := board.AddPin("GPIO17")
	var out bytes.Buffer
	return &probing{
		env: &env{out: &out, err: &out}, opt: probe.Options{Time: time.Second, Mains: 50},
		sys: probe.System{
			Root: fstest.MapFS{}, Ports: board, Clock: v,
			May:   func(string) (string, error) { return "", nil },
			Lines: func(string) (probe.GPIOChip, error) { return probe.GPIOChip{}, nil },
		},
	}, pin, &out
}

// The line is on for one second and off afterwards, whichever level that is.
func TestProbeSound(t *testing.T) {
	for _, low := range []bool{false, true} {
		p, pin, _ := bare(t)
		if low {
			pin.Drive(gpio.High)
		}
		type edge struct {
			at time.Duration
			l  gpio.Level
		}
		var edges []edge
		pin.OnEdge = func(at time.Duration, l gpio.Level) { edges = append(edges, edge{at, l}) }
		s, err := sounderNamed(p.sys, "GPIO17", low, 0)
		if err != nil {
			t.Fatal(err)
		}
		p.sounder = s
		if err := p.run(t.Context()); err != nil {
			t.Fatal(err)
		}
		if len(edges) != 2 || edges[0].l == gpio.Level(low) || edges[1].l != gpio.Level(low) || edges[1].at-edges[0].at != time.Second {
			t.Errorf("active low %v: edges %+v, want on and one second later off", low, edges)
		}
	}
}

// A line without a name is called by its chip and number, as bench.toml does; a
// bare piezo gets its tone.
func TestProbeSounderNames(t *testing.T) {
	p, _, _ := bare(t)
	p.sys.Lines = func(string) (probe.GPIOChip, error) {
		return probe.GPIOChip{Lines: []probe.Line{{Offset: 0}, {Offset: 1, Name: "GPIO1"}}}, nil
	}
	for text, want := range map[string]string{"gpiochip2:0": "gpiochip2/0", "gpiochip2/0": "gpiochip2/0", "gpiochip2:1": "GPIO1", "GPIO1": "GPIO1"} {
		s, err := sounderNamed(p.sys, text, false, 0)
		if err != nil || s.Line != want {
			t.Errorf("%s: %+v, %v, want %s", text, s, err, want)
		}
	}
	v := clock.NewVirtual(time.Now(), 0)
	board := emulated.NewBoard(v)
	piezo := board.AddPin("pwmchip0/pwm0")
	p.sys.Ports, p.sys.Clock = board, v
	var heard physic.Frequency
	piezo.OnEdge = func(_ time.Duration, l gpio.Level) {
		if !l {
			return
		}
		v.Go(func() { heard = piezo.Tone() }) // the edge comes before the tone is noted
	}
	s, err := sounderNamed(p.sys, "pwmchip0/pwm0", false, 2400)
	if err != nil {
		t.Fatal(err)
	}
	p.sounder = s
	if err := p.run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if heard != 2400*physic.Hertz || piezo.Tone() != 0 {
		t.Errorf("the piezo got %v, and %v afterwards", heard, piezo.Tone())
	}
}

// A sound that is broken off leaves the line off.
func TestProbeSoundBrokenOff(t *testing.T) {
	p, pin, _ := bare(t)
	ctx, cancel := context.WithCancel(t.Context())
	pin.OnEdge = func(time.Duration, gpio.Level) { cancel() }
	p.sounder = &probe.Sounder{Driver: "buzzer", Line: "GPIO17"}
	if err := p.run(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want %v", err, context.Canceled)
	}
	if pin.Read() != gpio.Low {
		t.Error("the line stayed on")
	}
}

func TestProbeNothing(t *testing.T) {
	p, _, out := bare(t)
	p.write = filepath.Join(t.TempDir(), "bench.toml")
	if err := p.run(t.Context()); !errors.Is(err, probe.ErrNoChannel) {
		t.Errorf("%v, want %v", err, probe.ErrNoChannel)
	}
	if _, err := os.Stat(p.write); err == nil {
		t.Error("a file was written")
	}
	p.write = ""
	if err := p.run(t.Context()); !errors.Is(err, errNothing) {
		t.Errorf("%v, want %v", err, errNothing)
	}
	if !strings.Contains(out.String(), "this computer has no I²C bus") {
		t.Errorf("it does not say why:\n%s", out)
	}
}
