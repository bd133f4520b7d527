package probe

import (
	"errors"
	"strings"
	"testing"
)

func TestBenchFile(t *testing.T) {
	rep, _ := full().look(t, Options{})
	text, err := rep.BenchFile(60, &Sounder{Driver: "buzzer", Line: "GPIO18"})
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "bench.toml", text)
	contains(t, text, `mains = "60 Hz"`, `driver = "max31856"`, `address = "0x4A"`, "line = \"GPIO18\"",
		`driver "mcp9600" on /dev/i2c-1 at 0x63`, "usb-maker_cable_7")
	// What only the user can know is marked.
	for _, key := range []string{"volts_at", "slope", "divider", "ratio", "burden", "type", "manifold_volume", "reference"} {
		for line := range strings.Lines(text) {
			if strings.HasPrefix(line, key+" =") && !strings.Contains(line, "FILL IN") {
				t.Errorf("not marked: %s", line)
			}
		}
	}
}

// A chip whose thermocouple is whole goes before a better one that is open.
func TestBenchFilePrefersWhole(t *testing.T) {
	r := &Report{Chips: []Chip{
		{Driver: "max31856", Bus: "/dev/spidev0.0", Inputs: []Input{{Reading: &Reading{}}}},
		{Driver: "max31855", Bus: "/dev/spidev0.1", Inputs: []Input{{Reading: &Reading{Count: 9}}}},
	}}
	text, err := r.BenchFile(50, nil)
	if err != nil {
		t.Fatal(err)
	}
	contains(t, text, "driver = \"max31855\"\nbus = \"/dev/spidev0.1\"", "# [sounder]")
}

func TestBenchFileOfNothing(t *testing.T) {
	if _, err := (&Report{}).BenchFile(50, nil); !errors.Is(err, ErrNoChannel) {
		t.Errorf("%v, want %v", err, ErrNoChannel)
	}
}
