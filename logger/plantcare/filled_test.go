package plantcare

import (
	"math"
	"testing"
	"time"

	"tipoff/drivers/plant"
	"tipoff/logger/phase"
	"tipoff/logger/vacuum"
)

// Closed form: a tight tube that cools from 60 to 35 °C while filled loses pressure as
// p (Vm/Tr + Vt/Tg) = const says, and is told tight; with 1e-3 Pa m³/s coming in as well
// that is told, within two standard uncertainties.
func TestFilledAndShut(t *testing.T) {
	const vm, vt = 0.5e-3, 0.23e-3
	for _, inflow := range []float64{0, 1e-3} {
		var obs []phase.Observation
		var u []float64
		segments := []phase.Segment{{Phase: phase.Cool, To: 10 * time.Second}, {Phase: phase.Fill, From: 10 * time.Second, To: 60 * time.Second}}
		amount := 0.0
		for i := range 600 {
			s := float64(i) / 10
			glass := 35 + 25*math.Exp(-s/40)
			share := vm/295 + vt/(glass+273.15)
			switch {
			case s > 10 && s < 25: // the valve
				amount += 0.1 * 80 * share
			case s >= 25:
				amount += inflow * 0.1 / 295
			}
			p := amount / share
			obs = append(obs, phase.Observation{At: time.Duration(i) * 100 * time.Millisecond, Pressure: p, Glass: glass})
			u = append(u, 0.005*p)
		}
		list := Filled(obs, u, segments, vm, vt)
		if len(list) != 1 {
			t.Fatalf("%d stretches", len(list))
		}
		r := list[0].Rise
		t.Log(list[0].Sentence(math.NaN()))
		if span := r.To - r.From; span < 20 || span > 32 {
			t.Errorf("the stretch is %v s long", span)
		}
		if math.Abs(r.Total.X-inflow) > 2*r.Total.U || (r.Kind == vacuum.Tight) != (inflow == 0) {
			t.Errorf("inflow %g: %g ± %g, told %q", inflow, r.Total.X, r.Total.U, r.Kind)
		}
	}
}

// On the plant's tubes, tight and sound, nothing is told of the fill.
func TestPlantFilled(t *testing.T) {
	if testing.Short() {
		t.Skip("plays whole runs")
	}
	seen := 0
	for seed := range uint64(8) {
		cfg := plant.Default()
		cfg.Seed = seed + 41
		list, _ := played(cfg, "")
		for i := range list {
			s := &list[i]
			if s.Phase != phase.Fill || s.Rise == nil {
				continue
			}
			if seen++; seen == 1 {
				t.Log(s.Sentence(math.NaN()))
			}
			if s.Rise.Kind != vacuum.Tight {
				t.Errorf("seed %d: %s", seed, s.Sentence(math.NaN()))
			}
		}
	}
	t.Logf("%d of 8 runs stood filled for long enough", seen)
	if seen < 2 {
		t.Error("hardly any run was looked at")
	}
}
