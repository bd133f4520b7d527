package config

import (
	"strings"
	"testing"
	"time"

	"tipoff/drivers/plant"
	"tipoff/drivers/registry"
)

// The demo's bench corrects the lag that the demo's plant has.
func TestPetrelPierLag(t *testing.T) {
	b, _ := petrelPier(t)
	p := b.Channels[2].Calibration.Params
	if want := plant.Default().Bench.Lag; p.Lag != want || p.LagAccuracy != 0 || p.Seating != 0 {
		t.Errorf("lag %v ± %g, seating %g; want %v alone", p.Lag, p.LagAccuracy, p.Seating, want)
	}
}

func TestLagKeys(t *testing.T) {
	_, data := petrelPier(t)
	text := strings.Replace(string(data), "lag = \"3 s\"", "lag = \"2500 ms\"\nlag_accuracy = \"8 %\"\nseating = \"0.97\"", 1)
	b, err := Parse("b.toml", []byte(text), registry.All())
	if err != nil {
		t.Fatal(err)
	}
	if p := b.Channels[2].Calibration.Params; p.Lag != 2500*time.Millisecond || p.LagAccuracy != 0.08 || p.Seating != 0.97 {
		t.Errorf("%+v", p)
	}
	text = strings.Replace(string(data), "lag = \"3 s\"", "", 1)
	if b, err = Parse("b.toml", []byte(text), registry.All()); err != nil || b.Channels[2].Calibration.Params.Lag != 0 {
		t.Errorf("without lag: %v", err)
	}
}
