package plan

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"tipoff/logger/envelope"
	"tipoff/logger/model"
	"tipoff/logger/phase"
)

// A bench's own glass, shells and still air reach the model as they reach the
// limits: twice the specific heat is twice the heat capacity (c ρ V), the shells'
// area by the bench's rule is 8 + 0.25 × 60 cm² = 23 cm² and 4 kg/m² of it.
func TestOwnTablesReachTheModel(t *testing.T) {
	text := `
[[tables.glass]]
glass = "soda-lime"
heat = 1640
source = "our own"

[[tables.constant]]
key = "shell-area"
value = 8
source = "our own"

[[tables.constant]]
key = "shell-area-rating"
value = 0.25
source = "our own"

[[tables.constant]]
key = "shell-per-area"
value = 4
source = "our own"

[[tables.constant]]
key = "still-air"
value = 12
u = 1.2
source = "a draughty hall"
`
	own := envelope.TablesIn(text)
	if len(own.Rows()) != 5 {
		t.Fatalf("rows %v", own.Rows())
	}
	card := wave()
	card.Electrode.ShellArea, card.Electrode.ShellMass, card.Electrode.Rating = 0, 0, 0.060
	base, _ := TubeOf(card, nil)
	got, guessed := TubeOf(card, own)
	near := func(what string, got, want float64) {
		if !(math.Abs(got-want) <= 1e-9*math.Abs(want)) {
			t.Errorf("%s: got %g, want %g", what, got, want)
		}
	}
	near("heat capacity", got.HeatCapacity, 1640.0/820*base.HeatCapacity)
	near("shell area", got.ShellArea, 23e-4)
	near("shell mass", got.ShellMass, 4*23e-4)
	if !guessed {
		t.Error("shells from the rating are not said to be guessed")
	}
	e := envelope.Compute(card, true, envelope.Bench{Tables: own})
	fact, _ := e.Fact("heat-capacity")
	near("the limits' heat capacity", got.HeatCapacity, fact.Value)
	area, _ := e.Fact("shell-area")
	near("the limits' shell area", got.ShellArea, area.Value)

	s := Series("r", card, own, math.NaN(), []phase.Observation{{}}, nil)
	near("the fit's heat capacity", s.Tube.HeatCapacity, got.HeatCapacity)
	p := model.Handbook(BenchOf(e.Bench))
	near("still air", p.Value(model.Convection), 12)
	near("its uncertainty", p.Spread(model.Convection), 0.1)

	plain, err := Choose(envelope.Compute(card, true, envelope.Bench{}), &p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	heavy, err := Choose(e, &p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	near("the plan's heat capacity", heavy.Tube.HeatCapacity, 2*plain.Tube.HeatCapacity)
	if envelope.TablesIn("") != nil || envelope.TablesIn("not toml [") != nil {
		t.Error("tables out of nothing")
	}
}

// One row of a bench's own table moves the limit that rests on it and what the model
// foretells, so that the plan that is advised moves with it. So it is for each constant
// that limits and model have in common; the plan itself, which takes a second, is made
// anew for four of them.
func TestOwnConstantMovesLimitAndAdvice(t *testing.T) {
	card := wave()
	card.Length = 3 // long enough for the arc's hold to count
	on := func(text string) (*envelope.Envelope, *model.Params) {
		e := envelope.Compute(card, true, envelope.Bench{OpenCircuit: 12e3, Tables: envelope.TablesIn(text)})
		p := model.Handbook(BenchOf(e.Bench))
		return e, &p
	}
	choose := func(e *envelope.Envelope, p *model.Params) model.Plan {
		t.Helper()
		c, err := Choose(e, p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		return c.Plan
	}
	e0, p0 := on("")
	plan0 := choose(e0, p0)
	foretold := func(e *envelope.Envelope, p *model.Params) string {
		tube, _ := TubeOf(card, e.Bench.Tables)
		o, _ := model.Run(&plan0, &tube, 22, p, false)
		return fmt.Sprint(o, p.Value(model.HoldPressure))
	}
	for _, r := range []struct {
		key, limit string
		value      float64
		plans      bool
	}{
		{"cathode-fall", envelope.ShellCurrent, 300, false}, {"normal-density", envelope.ShellCurrent, 2.5, false},
		{"fall-rises", envelope.ShellCurrent, 0.09, true}, {"into-shell", envelope.ShellCurrent, 0.75, false},
		{"shell-emissivity", envelope.ShellCurrent, 0.4, true}, {"shell-bright", envelope.ShellCurrent, 870, false},
		{"shell-heat", envelope.HeatingBand, 700, false}, {"still-air", "stall-rate", 11, false},
		{"glass-emissivity", "stall-rate", 0.8, true}, {"hold-part", envelope.StrikeWindow, 0.5, true},
		{"hold-fall", envelope.StrikeWindow, 900, false}, {"air-field", envelope.StrikeWindow, 13, false},
		{"air-field-power", envelope.StrikeWindow, 0.9, false},
	} {
		e, p := on(fmt.Sprintf("[[tables.constant]]\nkey = %q\nvalue = %g\nsource = \"our own\"\n", r.key, r.value))
		if was, is := saysOf(t, e0, r.limit), saysOf(t, e, r.limit); was == is {
			t.Errorf("%s does not move %s: %v", r.key, r.limit, is)
		}
		if was, is := foretold(e0, p0), foretold(e, p); was == is {
			t.Errorf("%s does not move what is foretold: %s", r.key, is)
		}
		if !r.plans {
			continue
		}
		if plan := choose(e, p); plan == plan0 {
			t.Errorf("%s does not move the plan: %+v", r.key, plan)
		}
	}
}

// saysOf are what a limit or fact says.
func saysOf(t *testing.T, e *envelope.Envelope, id string) string {
	t.Helper()
	if f, ok := e.Fact(id); ok {
		return fmt.Sprint(f.Value)
	}
	l, ok := e.Limit(id)
	if !ok || l.Unknown != "" {
		t.Fatalf("%s is not known: %s", id, l.Unknown)
	}
	return fmt.Sprint(l.Low, l.High)
}

// Where nothing is said of a bench, the model starts from the program's tables.
func TestModelStartsFromTheTables(t *testing.T) {
	p := model.Handbook(BenchOf(envelope.Bench{}))
	for key, c := range map[string]model.Constant{"still-air": model.Convection, "fall-rises": model.ShellPower} {
		text, err := os.ReadFile("../envelope/tables/constant.csv")
		if err != nil {
			t.Fatal(err)
		}
		_, row, _ := strings.Cut(string(text), "\n"+key+",")
		value, _, ok := strings.Cut(row, ",")
		want, err := strconv.ParseFloat(value, 64)
		if !ok || err != nil || math.Abs(p.Value(c)-want) > 1e-12 {
			t.Errorf("%s: the model starts from %g, the table has %s", key, p.Value(c), value)
		}
	}
}
