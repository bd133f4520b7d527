package strict

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"tipoff/calib/unit"
)

func mustRead(t *testing.T, text string) *Doc {
	t.Helper()
	d, err := Read("f.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestGoodFile(t *testing.T) {
	d := mustRead(t, `name = "PP-01"   # the first
dotted.inner = 3
on = true
hex = 0x1F
half = 0.5
many = 1_000
points = ["1 Torr",
  "760 Torr"]
tags = ["a", 'b']
[electrode]
rating = "60 mA"
mass = { outer = "6 g" }
[[channel]]
name = "p"
[channel.calibration]
kind = "linear"
[[channel]]
name = "g"
`)
	if got := d.String("name"); got != "PP-01" {
		t.Errorf("name = %q", got)
	}
	if got := d.Table.Table("dotted").Int("inner", 0, 9); got != 3 {
		t.Errorf("dotted.inner = %d", got)
	}
	if !d.Bool("on") || d.Int("hex", 0, 99) != 31 || d.Float("half", 0, 1) != 0.5 || d.Float("many", 0, 1e9) != 1000 {
		t.Error("plain values differ")
	}
	if got := d.Quantities("points", unit.Pressure, 2, 9); len(got) != 2 || got[1] != 101325 {
		t.Errorf("points = %v", got)
	}
	if got := d.Strings("tags"); !slices.Equal(got, []string{"a", "b"}) {
		t.Errorf("tags = %q", got)
	}
	e := d.Table.Table("electrode")
	if got := e.Quantity("rating", unit.Current, 0.005, 0.5); got != 0.06 {
		t.Errorf("rating = %v", got)
	}
	if got := e.Table("mass").Quantity("outer", unit.Mass, 0, 1); got != 0.006 {
		t.Errorf("mass.outer = %v", got)
	}
	ch := d.Tables("channel")
	if len(ch) != 2 || ch[0].String("name") != "p" || ch[1].String("name") != "g" || ch[1].Line() != 17 {
		t.Errorf("channels differ: %v", ch)
	}
	if got := ch[0].Table("calibration").String("kind"); got != "linear" {
		t.Errorf("kind = %q", got)
	}
	if ch[1].OptTable("calibration") != nil {
		t.Error("second channel has the first one's calibration")
	}
	// Optional keys that are missing.
	if d.OptString("x1", "d") != "d" || d.OptInt("x2", 0, 9, 7) != 7 || d.OptFloat("x3", 0, 9, 2.5) != 2.5 ||
		!d.OptBool("x4", true) || d.OptQuantity("x5", unit.Length, 0, 9, 0.5) != 0.5 || d.Strings("x6") != nil || d.Tables("x7") != nil {
		t.Error("a missing optional key did not give its default")
	}
	if err := d.Finish(); err != nil {
		t.Errorf("Finish: %v", err)
	}
}

func TestReadErrors(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"same key", "a = 1\n\na = 2\n", "f.toml:3: a: found the key a second time; allowed: once (it is already on line 1)"},
		{"same table", "[t]\nx = 1\n[u]\n[t]\n", "f.toml:4: t: found the key a second time; allowed: once (it is already on line 1)"},
		{"same dotted", "[t]\nx.y = 1\nx.y = 1\n", "f.toml:3: t.x.y: found the key a second time"},
		{"table over value", "t = 1\n[t]\n", "f.toml:2: t: found the key a second time"},
		{"array over table", "[t]\n[[t]]\n", "f.toml:2: t: found the key a second time"},
		{"inline closed", "t = { a = 1 }\nt.b = 2\n", "f.toml:2"},
		{"no value", "a = 1\nb =\n", "f.toml:2: found \"b =\"; allowed: TOML 1.0"},
		{"bare text", "a = 1\nb = mm\n", `f.toml:2: found "b = mm"; allowed: TOML 1.0`},
		{"open text", "a = \"x\n", "f.toml:1"},
		{"bad number", "a = 1\nb = 1__0\n", "f.toml:2"},
		{"bad date", "a = 1\nb = 2024-13-41\n", "f.toml:2"},
		{"bad UTF-8", "a = 1\nb = \"\xff\"\n", "f.toml:2"},
		{"deep", "a = [[[[[[[[[[1]]]]]]]]]]\n", "f.toml:1: a: found too many levels; allowed: at most 8"},
		{"deep header", "[a.b.c.d.e.f.g.h.i]\n", "f.toml:1: a.b.c.d.e.f.g.h.i: found too many levels"},
		{"large", strings.Repeat("# comment\n", 110000), "f.toml: found 1100000 bytes; allowed: at most 1 MB"},
	} {
		_, err := Read("f.toml", []byte(c.text))
		var e *Error
		if !errors.As(err, &e) || !strings.HasPrefix(e.Error(), c.want) {
			t.Errorf("%s: error %q, want %q…", c.name, err, c.want)
		}
	}
}

func TestQuestions(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		name, text string
		ask        func(d *Doc)
		want       string
	}{
		{"missing at top", "a = 1\n", func(d *Doc) { d.Int("a", 0, 9); d.String("name") },
			"f.toml:1: name: found no such key; allowed: a text in quotes"},
		{"missing in table", "a = 1\n\n[t]\n", func(d *Doc) { d.Int("a", 0, 9); d.Table.Table("t").Quantity("w", unit.Length, 0.0004, 0.003) },
			`f.toml:3: t.w: found no such key; allowed: "0.4 mm" to "3 mm"`},
		{"missing table", "a = 1\n", func(d *Doc) { d.Int("a", 0, 9); d.Table.Table("t").String("x") },
			"f.toml:1: t: found no such key; allowed: a table [t]"},
		{"choice", "a = \"leed\"\n", func(d *Doc) { d.String("a", "lead", "soda-lime") },
			`f.toml:1: a: found "leed"; allowed: did you mean "lead"? "lead" or "soda-lime"`},
		{"empty", "a = \"\"\n", func(d *Doc) { d.String("a") }, `f.toml:1: a: found ""; allowed: a text that is not empty`},
		{"not a text", "a = 12\n", func(d *Doc) { d.String("a") }, `f.toml:1: a: found 12; allowed: a text in quotes`},
		{"range", "a = \"41 mm\"\n", func(d *Doc) { d.Quantity("a", unit.Length, 0.004, 0.04) },
			`f.toml:1: a: found "41 mm"; allowed: "4 mm" to "40 mm"`},
		{"lower bound", "a = \"1 mm\"\n", func(d *Doc) { d.Quantity("a", unit.Length, 0.004, inf) },
			`f.toml:1: a: found "1 mm"; allowed: at least "4 mm"`},
		{"no unit", "a = 15\n", func(d *Doc) { d.Quantity("a", unit.Length, 0, 1) },
			"f.toml:1: a: found 15; allowed: a length in quotes, in mm, cm, m, in or µm"},
		{"wrong unit", "a = \"15 Torr\"\n", func(d *Doc) { d.Quantity("a", unit.Length, 0, 1) },
			`f.toml:1: a: found "15 Torr"; allowed: a length in mm, cm, m, in or µm ("Torr" is a unit of pressure)`},
		{"array element", "a = [\"1 Torr\",\n\"2 mm\"]\n", func(d *Doc) { d.Quantities("a", unit.Pressure, 1, 9) },
			`f.toml:2: a: found "2 mm"; allowed: a pressure`},
		{"array too short", "a = [\"1 Torr\"]\n", func(d *Doc) { d.Quantities("a", unit.Pressure, 2, 9) },
			"f.toml:1: a: found an array of 1; allowed: 2 to 9 quantities in [ ], each in Torr, micron, mbar, Pa or kPa"},
		{"nan", "a = nan\n", func(d *Doc) { d.Float("a", -inf, inf) }, "f.toml:1: a: found nan; allowed: a number"},
		{"int", "a = 2.5\n", func(d *Doc) { d.Int("a", 1, 9) }, "f.toml:1: a: found 2.5; allowed: a whole number from 1 to 9"},
		{"bool", "a = \"yes\"\n", func(d *Doc) { d.Bool("a") }, `f.toml:1: a: found "yes"; allowed: true or false, without quotes`},
		{"table for value", "[a]\n", func(d *Doc) { d.String("a") }, "f.toml:1: a: found a table; allowed: a text in quotes"},
		{"value for tables", "a = [1]\n", func(d *Doc) { d.Tables("a") }, "f.toml:1: a: found an array; allowed: tables that start with [[a]]"},
		{"unknown", "name = 1\nnmae = 2\n", func(d *Doc) { d.Int("name", 0, 9) },
			"f.toml:2: nmae: found an unknown key; allowed: did you mean name? one of name"},
		{"unknown deep", "[t]\na = 1\nzzzzzz = 1\n", func(d *Doc) { d.Table.Table("t").Int("a", 0, 9) },
			"f.toml:3: t.zzzzzz: found an unknown key; allowed: one of a"},
		{"misspelt required", "[t]\nglass = 1\nlenght = 1\n", func(d *Doc) { d.Table.Table("t").Int("length", 0, 9); d.Table.Table("t").Int("glass", 0, 9) },
			"f.toml:3: t.lenght: found an unknown key; allowed: did you mean length? one of glass, length"},
		{"misspelt table", "a = 1\n[electrod]\n", func(d *Doc) { d.Int("a", 0, 9); d.Table.Table("electrode").String("x") },
			"f.toml:2: electrod: found an unknown key; allowed: did you mean electrode? one of a, electrode"},
		{"first line wins", "zz = 1\na = \"x\"\nb = \"y\"\n", func(d *Doc) { d.Int("b", 0, 1); d.Int("a", 0, 1) },
			"f.toml:1: zz: found an unknown key"},
	} {
		d := mustRead(t, c.text)
		c.ask(d)
		err := d.Finish()
		var e *Error
		if !errors.As(err, &e) || !strings.HasPrefix(e.Error(), c.want) {
			t.Errorf("%s:\n got %v\nwant %s", c.name, err, c.want)
		}
	}
}

func TestNearest(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"ads1151", "ads1115"}, {"Mcp3208", "mcp3208"}, {"max3185", "max31856"}, {"zzz", ""},
	} {
		if got := Nearest(c.in, []string{"ads1115", "max31856", "mcp3208"}); got != c.want {
			t.Errorf("Nearest(%q) = %q, want %q", c.in, got, c.want)
		}
	}
}

func FuzzRead(f *testing.F) {
	for _, s := range []string{
		"", "a = 1", "[t]\nx = \"1 mm\"", "[[c]]\nx = [1, [2]]\n[c.d]\ny = {z = 1}", "a = [\n# c\n1,\n]", "a.b.c = 1\na.b.d = 2",
		"a = 1\r\nb = \"\"\"x\ny\"\"\"\r\n", "a = {}\n[a]\n", "\"a b\" = 'x'\n", "[a]\n[a.b]\n[a]\n", "a = 1979-05-27T07:32:00Z",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := Read("f.toml", data)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || e.File != "f.toml" || e.Found == "" || e.Allowed == "" || strings.Contains(e.Error(), "\n") {
				t.Fatalf("unhelpful error %q", err)
			}
			if lines := strings.Count(string(data), "\n") + 1; e.Line > lines || e.Line < 1 {
				t.Fatalf("error on line %d of %d: %v", e.Line, lines, err)
			}
			return
		}
		for _, k := range d.Keys() {
			d.OptQuantity(k, unit.Length, 0, 1, 0)
			d.OptString(k, "")
			d.OptInt(k, 0, 1, 0)
			d.OptFloat(k, 0, 1, 0)
			d.OptBool(k, false)
			d.Strings(k)
			d.Tables(k)
			d.Scalar(k)
			if s := d.OptTable(k); s != nil {
				s.String("x")
			}
		}
		if err := d.Finish(); err != nil && strings.Contains(err.Error(), "\n") {
			t.Fatalf("message of more than one line: %q", err)
		}
	})
}
