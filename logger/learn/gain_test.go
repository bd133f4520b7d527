package learn

import (
	"strings"
	"testing"
	"time"

	"tipoff/logger/drift"
	"tipoff/logger/model"
)

// A thermocouple that comes to see 15 % less of the glass's rise within sixteen runs
// of a shop shows in what they teach, though it is right at rest. (Of the shops 1 to 5,
// 15 % within twenty runs is told in all, 10 % in two, none in none.)
func TestGainDriftShows(t *testing.T) {
	if testing.Short() {
		t.Skip("processes sixteen tubes")
	}
	s := openShop(3)
	s.until = "cool"
	var runs []drift.Heated
	for i := range 16 {
		r := s.process(i, broken{seating: s.bench.Seating * (1 - 0.15*float64(i)/15)})
		if f := Of(&r.record).Fit; f != nil {
			runs = append(runs, drift.Heated{Heating: f.Value(model.Heating), U: f.Spread(model.Heating)})
		}
	}
	if text := drift.Gain(runs, time.Time{}); !strings.Contains(text, "less for the same pressure and current") {
		t.Errorf("from %d runs: %q", len(runs), text)
	}
}
