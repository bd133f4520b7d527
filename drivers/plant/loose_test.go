package plant

import (
	"math"
	"testing"
	"time"
)

// A loose tie by hand. The whole contact of a bench with a lag of 3 s and a seating of
// 0.95 is 0.95/3 s and its air 0.05/3 s for each heat capacity. Under its tape it sees
// half of the rise when the contact is as little as the air, so lag 1/(2·0.05/3) = 30 s.
// All bare the air takes 1/4 s less what the tape leaves: contact c of the whole
// with c·0.95/3 = 0.05/3 + (1/4 − 0.05/3)(1 − c), so c = 0.4545 and the lag 3.47 s.
func TestLooseTieByHand(t *testing.T) {
	for _, c := range []struct{ bare, contact, lag float64 }{{0, 0.05 / 0.95, 30}, {1, 0.25 / 0.55, 3.474}} {
		cfg := quiet()
		cfg.Bench.Lag, cfg.Bench.Seating = 3*time.Second, 0.95
		p := New(cfg, nil)
		tie := cfg.Bench.LooseTie(0.5, c.bare)
		p.SetFault(Fault{LooseTie: tie, BareTie: c.bare})
		share, lag := p.junction()
		if math.Abs(tie-c.contact) > 1e-3 || math.Abs(share-0.5) > 1e-9 || math.Abs(lag-c.lag) > 0.01 {
			t.Errorf("bare %v: contact %.4f, share %.4f, lag %.3f s; by hand %.4f, 0.5, %.3f s", c.bare, tie, share, lag, c.contact, c.lag)
		}
	}
}

// On glass at rest the junction comes to its share, with its lag, and the air about
// it moves it; one that slipped off sees nothing.
func TestLooseTieFollows(t *testing.T) {
	cfg := quiet()
	cfg.Bench.Lag, cfg.Bench.Seating = 3*time.Second, 0.95
	p := New(cfg, nil)
	p.SetFault(Fault{LooseTie: cfg.Bench.LooseTie(0.5, 0), BareTie: 0})
	room := p.heat.ambient
	least, most := math.Inf(1), math.Inf(-1)
	for i := range 3000 { // 5 minutes
		p.heat.wall, p.heat.sensed = room+200, room+200 // held hot
		p.Advance(p.Now() + 100*time.Millisecond)
		j := p.State().Junction - p.State().Ambient
		if i == 299 {
			// After one lag 63 % of half of the rise.
			if math.Abs(j-100*(1-math.Exp(-1))) > 8 {
				t.Errorf("after 30 s the junction has risen by %.1f K, by hand 63", j)
			}
		}
		if i > 2000 {
			least, most = min(least, j), max(most, j)
		}
	}
	if least < 85 || most > 115 || most-least < 0.5 {
		t.Errorf("at rest it shows %.1f to %.1f K of 200", least, most)
	}
	p.SetFault(Fault{ThermocoupleOff: true})
	if p.State().Seating != 0 {
		t.Error("off the glass it sees a share of the rise")
	}
}
