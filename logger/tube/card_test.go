package tube

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"tipoff/calib/strict"
)

const good = `# a card with everything
name = "PP-01"
job = "Petrel Pier ferry kiosk, wave 1"
outside = "15 mm"
wall = "1.1 mm"
length = "1.8 m"
glass = "soda-lime"
coating = "clear"
gas = "neon"
mercury = false
notes = "second \"try\"\nof three"

[electrode]
rating = "60 mA"
shell_mass = "6 g"
shell_area = "20 cm2"
carbonate = "15 mg"

[operator]
glass_target = "446 F"
glass_ceiling = "250 C"
fill_pressure = "9 Torr"
max_current = "600 mA"
`

func TestParse(t *testing.T) {
	got, err := Parse("card.toml", []byte(good))
	if err != nil {
		t.Fatal(err)
	}
	want := Card{
		Name: "PP-01", Job: "Petrel Pier ferry kiosk, wave 1",
		Outside: 0.015, Bore: 0.0128, Length: 1.8, // 15 mm - 2 * 1.1 mm
		Glass: "soda-lime", Coating: "clear", Gas: "neon", Notes: "second \"try\"\nof three",
		Electrode: Electrode{Rating: 0.06, ShellMass: 0.006, ShellArea: 0.002, Coating: 15e-6},
		// 446 °F = (446-32)/1.8 °C; 9 Torr = 9 * 101325/760 Pa
		Operator: Overrides{GlassTarget: 230, GlassCeiling: 250, FillPressure: 911925.0 / 760, MaxCurrent: 0.6},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("card differs (-want +got):\n%s", d)
	}
}

func TestParseLeast(t *testing.T) {
	got, err := Parse("card.toml", []byte(`name = "PP-03"
outside = "12 mm"
bore = "10 mm"
length = "450 mm"
glass = "lead"
coating = "phosphor"
gas = "argon"
mercury = true
electrode.rating = "30 mA"
`))
	if err != nil {
		t.Fatal(err)
	}
	want := Card{Name: "PP-03", Outside: 0.012, Bore: 0.01, Length: 0.45, Glass: "lead", Coating: "phosphor",
		Gas: "argon", Mercury: true, Electrode: Electrode{Rating: 0.03}}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("card differs (-want +got):\n%s", d)
	}
}

func TestWriteReadsWell(t *testing.T) {
	c, err := Parse("card.toml", []byte(good))
	if err != nil {
		t.Fatal(err)
	}
	const want = `name = "PP-01"
job = "Petrel Pier ferry kiosk, wave 1"
outside = "15 mm"
bore = "12.8 mm"
length = "1.8 m"
glass = "soda-lime"
coating = "clear"
gas = "neon"
mercury = false
notes = "second \"try\"\nof three"

[electrode]
rating = "60 mA"
shell_mass = "6 g"
shell_area = "20 cm2"
carbonate = "15 mg"

[operator]
glass_target = "230 °C"
glass_ceiling = "250 °C"
fill_pressure = "9 Torr"
max_current = "600 mA"
`
	if d := cmp.Diff(want, string(Write(c))); d != "" {
		t.Errorf("written card differs (-want +got):\n%s", d)
	}
}

// Each bad card says on its first line which message it must get.
func TestBadCards(t *testing.T) {
	files, err := filepath.Glob("../../testdata/bad/card-*.toml")
	if err != nil || len(files) < 20 {
		t.Fatalf("only %d bad cards: %v", len(files), err)
	}
	for _, f := range files {
		name := filepath.Base(f)
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		first, _, _ := strings.Cut(string(data), "\n")
		want, ok := strings.CutPrefix(first, "# want: ")
		if !ok {
			t.Errorf("%s does not begin with its message", name)
			continue
		}
		c, err := Parse(name, data)
		var e *strict.Error
		if !errors.As(err, &e) || err.Error() != name+want {
			t.Errorf("%s:\n got %v\nwant %s%s", name, err, name, want)
		}
		if c != (Card{}) {
			t.Errorf("%s: half a card came back: %+v", name, c)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(good))
	f.Add([]byte(strings.Replace(good, "wall = \"1.1 mm\"", "bore = \"0.5 in\"", 1)))
	f.Add([]byte(strings.Replace(good, "PP-01", "ä \\u0009", 1)))
	f.Add([]byte("name = \"\"\n[electrode]\n[operator]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse("f.toml", data)
		if err != nil {
			var e *strict.Error
			if !errors.As(err, &e) || c != (Card{}) {
				t.Fatalf("error %v with card %+v", err, c)
			}
			return
		}
		back, err := Parse("written.toml", Write(c))
		if err != nil || back != c {
			t.Fatalf("round trip: %v\nfirst %+v\nback  %+v\n%s", err, c, back, Write(c))
		}
	})
}
