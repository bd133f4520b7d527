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

func TestWordsAndGaps(t *testing.T) {
	c, err := Parse("card.toml", []byte(good))
	if err != nil || c.Words() != "15 mm soda-lime, clear, neon, 1.8 m" || len(c.Gaps()) != 0 {
		t.Errorf("%v: %q, %q", err, c.Words(), c.Gaps())
	}
	c.Outside, c.Gas, c.Electrode.Rating = 0, "", 0
	if got := c.Words(); got != "soda-lime, clear, 1.8 m" {
		t.Errorf("%q", got)
	}
	if d := cmp.Diff([]string{"outside", "gas", "electrode.rating"}, c.Gaps()); d != "" {
		t.Error(d)
	}
	if none := (&Card{}); none.Words() != "" || len(none.Gaps()) != 6 {
		t.Errorf("%q, %q", none.Words(), none.Gaps())
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

// A card that says of a value that it is not known, and a draft that lacks it, are
// the same card; without the draft's leave a missing key is a mistake.
func TestGaps(t *testing.T) {
	whole, err := Parse("card.toml", []byte(good))
	if err != nil {
		t.Fatal(err)
	}
	for line, drop := range map[string]func(*Card){
		`outside = "15 mm"`:     func(c *Card) { c.Outside, c.Bore = 0, 0 }, // the bore came from the wall
		`wall = "1.1 mm"`:       func(c *Card) { c.Bore = 0 },
		`length = "1.8 m"`:      func(c *Card) { c.Length = 0 },
		`glass = "soda-lime"`:   func(c *Card) { c.Glass = "" },
		`coating = "clear"`:     func(c *Card) { c.Coating = "" },
		`gas = "neon"`:          func(c *Card) { c.Gas = "" },
		`rating = "60 mA"`:      func(c *Card) { c.Electrode.Rating = 0 },
		`shell_area = "20 cm2"`: func(c *Card) { c.Electrode.ShellArea = 0 },
	} {
		want := whole
		drop(&want)
		key, _, _ := strings.Cut(line, " =")
		missing := strings.Replace(good, line+"\n", "", 1)
		got, err := ParseDraft("draft.toml", []byte(missing))
		if err != nil || got != want {
			t.Errorf("draft without %s: %v\n%s", key, err, cmp.Diff(want, got))
		}
		if back, err := Parse("written.toml", Write(got)); err != nil || back != want {
			t.Errorf("written without %s: %v\n%s", key, err, Write(got))
		}
		_, err = Parse("card.toml", []byte(missing))
		if optional := key == "shell_area"; (err == nil) != optional || !optional && !strings.Contains(err.Error(), key+": found no such key") {
			t.Errorf("without %s: %v", key, err)
		}
		if got, err := Parse("card.toml", []byte(strings.Replace(good, line, key+` = "not known"`, 1))); err != nil || got != want {
			t.Errorf("%s not known: %v\n%s", key, err, cmp.Diff(want, got))
		}
	}
	if got, err := ParseDraft("draft.toml", []byte(`name = "PP-01"`)); err != nil || got != (Card{Name: "PP-01"}) {
		t.Errorf("a name alone: %v, %+v", err, got)
	}
	if got, err := Parse("card.toml", []byte(strings.Replace(good, "length", "bore = \"not known\"\nlength", 1))); err != nil || got != whole {
		t.Errorf("the bore not known beside the wall: %v", err)
	}
	for bad, want := range map[string]string{
		strings.Replace(good, "length", "lenght", 1):                                                 ":6: lenght: found an unknown key; allowed: did you mean length?",
		strings.Replace(good, `name = "PP-01"`, "", 1):                                               ":1: name: found no such key",
		"name = \"PP-01\"\noperator.glass_ceiling = \"900 C\"\n":                                     `:2: operator.glass_ceiling: found "900 C"; allowed: "60 °C" to "460 °C"`,
		"name = \"PP-01\"\noutside = \"15 mm\"\nbore = \"16 mm\"\n":                                  `:3: bore: found "16 mm"; allowed: "9 mm" to "14.2 mm"`,
		strings.Replace(good, `"1.8 m"`, `"40 m"`, 1):                                                `:6: length: found "40 m"; allowed: "50 mm" to "8 m"`,
		strings.Replace(strings.Replace(good, `"15 mm"`, `"not known"`, 1), `"1.1 mm"`, `"9 mm"`, 1): `:5: wall: found "9 mm"; allowed: "0.4 mm" to "3 mm"`,
	} {
		if c, err := ParseDraft("draft.toml", []byte(bad)); err == nil || c != (Card{}) || !strings.HasPrefix(err.Error(), "draft.toml"+want) {
			t.Errorf("got %v, want %s", err, want)
		}
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
	f.Add([]byte(strings.NewReplacer(`"1.8 m"`, `"not known"`, `"1.1 mm"`, `"not known"`, `"neon"`, `"not known"`).Replace(good)))
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
