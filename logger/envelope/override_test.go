package envelope

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"tipoff/calib/strict"
	"tipoff/logger/tube"
)

// own reads a bench's tables; the error is the document's.
func own(text string) (*Tables, error) {
	d, err := strict.Read("bench.toml", []byte(text))
	if err != nil {
		return nil, err
	}
	t := ReadTables(d.Table)
	return t, d.Finish()
}

func TestBenchTables(t *testing.T) {
	tab, err := own(`
[[tables.glass]]
glass = "lead"
strain = "340 C"
source = "the maker's sheet of 2026"

[[tables.coating]]
coating = "clear"
cap = "527 F"
source = "our own trials"

[[tables.fill]]
gas = "helium"
outside = "12 mm"
low = "8 Torr"
high = "10 Torr"
source = "a chart on the wall"
[[tables.fill]]
gas = "helium"
outside = "15 mm"
low = "6 Torr"
high = "8 Torr"
source = "a chart on the wall"
[[tables.fill]]
gas = "neon"
outside = "15 mm"
low = "10 Torr"
high = "12 Torr"
source = "a chart on the wall"

[[tables.electrode]]
running = "60 mA"
shell_high = "650 mA"
source = "the electrode's leaflet"

[tables.practice]
key = "base-pressure"
high = "0.003 Torr"
source = "our pump does it"

[tables.constant]
key = "air-field"
value = 14
u = 1
source = "measured on two lengths"
`)
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(tab.Rows(), ", "); got != "glass lead, coating clear, fill helium 12, fill helium 15, fill neon 15, electrode 60, practice base-pressure, constant air-field" {
		t.Errorf("own rows %q", got)
	}
	bench := Bench{Tables: tab, OpenCircuit: 9000}
	limit := func(c tube.Card, id string) Limit {
		l, ok := Compute(c, true, bench).Limit(id)
		if !ok {
			t.Fatal(id)
		}
		return l
	}
	card := neon15()
	if l := limit(card, GlassCeiling); l.High != 275 || l.U != 0 || l.Basis != BenchTable || l.Source != "bench table: our own trials" {
		t.Errorf("ceiling %+v", l) // 527 °F is 275 °C: it is the bench's own word, and exact
	}
	lead := card
	lead.Glass = "lead"
	if l := limit(lead, GlassCeiling); l.High != 240 || l.Basis != BenchTable || !strings.Contains(l.Source, "the maker's sheet") {
		t.Errorf("ceiling of lead %+v", l)
	}
	if l := limit(card, BasePressure); math.Abs(l.High/micron-3) > 1e-9 || l.U != 0 || l.Basis != BenchTable {
		t.Errorf("base %+v", l)
	}
	// The bench's own row is the fill, not the rule for the program's rows.
	e := Compute(card, true, bench)
	near(t, "neon target, Torr", e.FillTarget/torr, 11, 1e-9)
	helium := card
	helium.Gas, helium.Outside, helium.Bore = "helium", 0.0135, 0.0113
	e = Compute(helium, true, bench)
	near(t, "helium target half way, Torr", e.FillTarget/torr, 8, 1e-9)
	if l, _ := e.Limit(FillPressure); l.Basis != BenchTable {
		t.Errorf("helium's fill %+v", l)
	}
	sixty := card
	sixty.Electrode.Rating = 0.06
	if l := limit(sixty, CurrentLimit); math.Abs(l.High-0.65) > 1e-9 || l.Basis != BenchTable || l.U != 0 {
		t.Errorf("current %+v", l)
	}
	// What is not the bench's own stays the program's.
	if l := limit(card, GlassTarget); l.Low != 225 || l.Basis != BenchTable && l.Basis != CommonPractice {
		t.Errorf("target %+v", l)
	}
	if l := limit(card, PreheatEnd); l.Basis != CommonPractice {
		t.Errorf("preheat %+v", l)
	}
	strike := limit(card, StrikeWindow)
	program, _ := Compute(card, true, Bench{OpenCircuit: 9000}).Limit(StrikeWindow)
	if !(strike.High < program.High) || !strings.Contains(strike.Source, "two lengths") {
		t.Errorf("strike %+v, the program's %+v", strike, program)
	}
	if none, err := own("x = 1\n"); none != nil || err == nil {
		t.Errorf("tables out of nothing: %v, %v", none, err)
	}
}

// A number that the bench gives without its uncertainty is exact; what it leaves to the
// program keeps the program's uncertainty.
func TestBenchTablesKeepOtherUncertainties(t *testing.T) {
	tab, err := own(`
[[tables.coating]]
coating = "clear"
target_low = "230 C"
source = "our own trials"

[[tables.practice]]
key = "strike-window"
high = "4 Torr"
source = "our own trials"

[[tables.electrode]]
running = "60 mA"
shell_high = "650 mA"
source = "the electrode's leaflet"
`)
	if err != nil {
		t.Fatal(err)
	}
	program := loadTables()
	c, p := tab.all.coating["clear"], tab.all.practice["strike-window"]
	if c.targetLow != 230 || c.targetU != 0 || c.capU != program.coating["clear"].capU || !(c.capU > 0) {
		t.Errorf("coating %+v", c)
	}
	if p.high != 4 || p.highU != 0 || p.lowU != program.practice["strike-window"].lowU || !(p.lowU > 0) {
		t.Errorf("practice %+v", p)
	}
	for _, e := range tab.all.electrode {
		if (e.u == 0) != (e.running == 60) {
			t.Errorf("electrode %+v", e)
		}
	}
}

// Each mistake is one line with file, line, key, what was found and what is allowed.
func TestBenchTablesRefuse(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"an unknown table": {"[[tables.glas]]\nglass = \"lead\"\n", "bench.toml:1: tables.glas: found an unknown key; allowed: did you mean glass? one of "},
		"an unknown key": {"[[tables.glass]]\nglass = \"lead\"\nstrian = \"400 C\"\nsource = \"x\"\n",
			"bench.toml:3: tables.glass.strian: found an unknown key; allowed: did you mean strain? "},
		"no such glass": {"[[tables.glass]]\nglass = \"quartz\"\nsource = \"x\"\n", `bench.toml:2: tables.glass.glass: found "quartz"; allowed: `},
		"no source":     {"[[tables.glass]]\nglass = \"lead\"\nstrain = \"400 C\"\n", "bench.toml:1: tables.glass.source: found no such key"},
		"out of range": {"[[tables.glass]]\nglass = \"lead\"\nstrain = \"4000 C\"\nsource = \"x\"\n",
			`bench.toml:3: tables.glass.strain: found "4000 C"; allowed: "300 °C" to "1200 °C"`},
		"a bare number": {"[[tables.glass]]\nglass = \"lead\"\nstrain = 400\nsource = \"x\"\n", "bench.toml:3: tables.glass.strain: found 400"},
		"a new row with gaps": {"[[tables.fill]]\ngas = \"helium\"\noutside = \"15 mm\"\nlow = \"6 Torr\"\nsource = \"x\"\n",
			"bench.toml:1: tables.fill.high: found no such key"},
		"low over high": {"[[tables.fill]]\ngas = \"neon\"\noutside = \"15 mm\"\nlow = \"9 Torr\"\nhigh = \"8 Torr\"\nsource = \"x\"\n",
			`bench.toml:5: tables.fill.high: found "8 Torr"; allowed: not below low`},
		"twice": {"[[tables.glass]]\nglass = \"lead\"\nsource = \"x\"\n[[tables.glass]]\nglass = \"lead\"\nsource = \"x\"\n",
			`bench.toml:5: tables.glass.glass: found "lead"; allowed: each row once`},
		"a rule that there is not": {"[tables.practice]\nkey = \"shell-tme\"\nsource = \"x\"\n", `bench.toml:2: tables.practice.key: found "shell-tme"; allowed: `},
		"a mark":                   {"[tables.practice]\nkey = \"shell-time\"\nmark = \"a\"\nsource = \"x\"\n", "bench.toml:3: tables.practice.mark"},
		"another unit":             {"[tables.practice]\nkey = \"shell-time\"\nunit = \"min\"\nsource = \"x\"\n", "bench.toml:3: tables.practice.unit"},
		"another dimension":        {"[tables.practice]\nkey = \"shell-time\"\nlow = \"40 C\"\nsource = \"x\"\n", `bench.toml:3: tables.practice.low: found "40 C"`},
		"none of what there must be": {"[tables.constant]\nkey = \"shell-known\"\nvalue = 0\nsource = \"x\"\n",
			"bench.toml:3: tables.constant.value: found 0; allowed: a number, 0.001 to "},
		"no name": {"[tables.glass]\nsource = \"x\"\n", "bench.toml:1: tables.glass.glass: found no such key"},
	} {
		_, err := own(c.text)
		var e *strict.Error
		if !errors.As(err, &e) || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s:\n got %v\nwant %s", name, err, c.want)
		}
	}
}

// A field that is stated in another bore, going with the bore as the table says, is the
// same field, and holds the same arc.
func TestHoldsInAnyStatedBore(t *testing.T) {
	n := loadTables().value("air-field-power")
	tab, err := own(fmt.Sprintf("tables.constant = [{key = \"air-field-bore\", value = 20, source = \"x\"}, {key = \"air-field\", value = %.12g, u = 4, source = \"x\"}]\n",
		11*math.Pow(20.0/13, n-1)))
	if err != nil {
		t.Fatal(err)
	}
	a, _ := (&Bench{OpenCircuit: 10e3}).Holds()
	b, _ := (&Bench{OpenCircuit: 10e3, Tables: tab}).Holds()
	near(t, "hold pressure times length", b/a, 1, 1e-9)
}

// However odd a bench's practice is, the flushes are counted and come to an end.
func TestFlushesEnd(t *testing.T) {
	for _, c := range []struct{ key, column, value string }{
		{"neon-p-od", "low", "0"}, {"impurity", "high", "0"}, // not allowed, but not to hang on either
		{"flush-pressure", "low", `"0.010000001 Torr"`},
	} {
		tab, err := own("[tables.practice]\nkey = \"" + c.key + "\"\n" + c.column + " = " + c.value + "\nsource = \"x\"\n")
		if (err != nil) != (c.value == "0") {
			t.Errorf("%s %s: %v", c.key, c.value, err)
		}
		e := Compute(neon15(), true, Bench{Tables: tab})
		if f, ok := e.Fact("flushes"); !ok || f.Unknown == "" {
			t.Errorf("%s %s: %+v", c.key, c.value, f)
		}
	}
}

func FuzzBenchTables(f *testing.F) {
	f.Add("[[tables.glass]]\nglass = \"lead\"\nstrain = \"400 C\"\nsource = \"x\"\n")
	f.Add("[[tables.fill]]\ngas = \"helium\"\noutside = \"15 mm\"\nlow = \"6 Torr\"\nhigh = \"8 Torr\"\nsource = \"x\"\n")
	f.Add("[tables.practice]\nkey = \"stress\"\nhigh = 9\nsource = \"x\"\n[tables.constant]\nkey = \"fall-rises\"\nvalue = 0.2\nsource = \"x\"\n")
	f.Add("[tables]\nelectrode = [{running = \"60 mA\", shell_low = \"9 mA\", source = \"x\"}]\n")
	f.Fuzz(func(t *testing.T, text string) {
		tab, err := own(text)
		if err != nil || tab == nil {
			return
		}
		// What was accepted gives an envelope with bounds the right way round.
		e := Compute(neon15(), true, Bench{Tables: tab, OpenCircuit: 9000})
		for _, l := range e.Limits {
			if l.Low > l.High || l.U < 0 || l.U != l.U || l.Unknown == "" && l.Source == "" {
				t.Fatalf("%q: %+v", text, l)
			}
		}
		NewForesight(e)
	})
}
