package plan

import (
	"math"
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
