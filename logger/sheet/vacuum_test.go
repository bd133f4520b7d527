package sheet

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"tipoff/logger/journal"
)

// The leak test of the invented run rises from 0.03 to 0.034 Torr in 90 s, a
// straight line on a logarithmic scale: 2.67 micron/min.
func TestSheetTellsOfThePlant(t *testing.T) {
	dir := recordRun(t, evening(230), cardText, benchText)
	s, err := Make(dir)
	if err != nil {
		t.Fatal(err)
	}
	var rise, down, filled *Vacuum
	for i := range s.Vacuum {
		if v := &s.Vacuum[i]; v.Phase == "fill" {
			filled = v
		} else if v.Kind != journal.PumpDown {
			rise = v
		} else if down == nil {
			down = v
		}
	}
	if rise == nil || math.Abs(float64(rise.Rate)-4/1.5) > 0.15 || rise.Phase != "leak-test" {
		t.Fatalf("the leak test: %+v, want about 2.67 micron/min", rise)
	}
	// The fill of the invented run neither rises nor falls.
	if filled == nil || filled.Kind != "tight" || !(math.Abs(float64(filled.Rate)) < 2*float64(filled.RateU)) {
		t.Errorf("filled and shut: %+v", filled)
	}
	// Volume: 0.9 l, and π/4 · (12.8 mm)² · 1.2 m = 0.1544 l: 1.0544 l.
	if want := float64(rise.Rate) / 60 * 1e-3 * 1.0544; math.Abs(float64(rise.Inflow)/want-1) > 1e-3 {
		t.Errorf("inflow %v Torr l/s, want %v", rise.Inflow, want)
	}
	if down == nil || !(down.Base > 0) {
		t.Errorf("no pump-down with a base: %+v", down)
	}
	var b bytes.Buffer
	if err := s.Text(&b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"\nVacuum\n", "With the pump shut for", "micron/min"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in the text:\n%s", want, b.String())
		}
	}
	if err := s.Save(dir); err != nil {
		t.Fatal(err)
	}
	m, err := journal.LoadMeta(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(m.Vacuum) != len(s.Vacuum) || len(m.Vacuum) == 0 {
		t.Errorf("run.toml holds %d stretches, the sheet %d", len(m.Vacuum), len(s.Vacuum))
	}
	// Without a card and a volume the rate is told, the flow is not.
	s, err = Make(recordRun(t, evening(230), "", ""))
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range s.Vacuum {
		if v.Leak == v.Leak || v.Load == v.Load || v.Inflow == v.Inflow {
			t.Errorf("a flow without a volume: %+v", v)
		}
		if strings.Contains(v.Text, "not known") || strings.Contains(v.Text, "NaN") {
			t.Errorf("text: %s", v.Text)
		}
	}
}
