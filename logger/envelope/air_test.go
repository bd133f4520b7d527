package envelope

import (
	"math"
	"strings"
	"testing"
)

// What the bench's runs taught of still air reaches the heating band's own sum,
// the fact beside it and the cooling, and is named there. The numbers are the heat
// balance by hand: h ΔT + ε σ (T⁴ − T_room⁴) from 115 to the target.
func TestLearnedAirReachesTheBand(t *testing.T) {
	plain := Compute(full(), true, Bench{})
	taught := Compute(full(), true, Bench{Convection: Learned{X: 11, U: 0.9, Runs: 7}})
	band, _ := taught.Limit(HeatingBand)
	if !strings.Contains(band.Formula, "11.0 ± 1.8 W/(m² K) by 7 runs of this bench") || !strings.Contains(band.Source, "what 7 runs of this bench taught") {
		t.Errorf("band: %q, %q", band.Formula, band.Source)
	}
	if old, _ := plain.Limit(HeatingBand); !strings.Contains(old.Formula, "still air 8.0 ± 3.4 W/(m² K)") || strings.Contains(old.Formula, "runs") {
		t.Errorf("plain band: %q", old.Formula)
	}
	a, _ := plain.Fact("stall-rate")
	b, _ := taught.Fact("stall-rate")
	target, _ := plain.Limit(GlassTarget)
	c := full()
	wall := c.Outside*c.Outside - c.Bore*c.Bore
	want := 3 * (target.Low - plain.paceAt) * 4 * c.Outside / (2470 * 820 * wall) // soda-lime: 2470 kg/m³, 820 J/(kg K)
	near(t, "stall rate gained by 3 W/(m² K) more", b.Value-a.Value, want, 1e-9)
	if !(b.U/b.Value < a.U/a.Value) || !strings.Contains(b.Formula, "by 7 runs") {
		t.Errorf("stall rate: %g of %g against %g of %g; %q", b.U, b.Value, a.U, a.Value, b.Formula)
	}
	ceiling := plain.Ceiling() + 273.15
	k := func(h float64) float64 { return h + 4*0.88*5.670374419e-8*math.Pow(ceiling, 3) }
	near(t, "cooling", taught.cooling/plain.cooling, k(11)/k(8), 1e-12)
	own := Compute(full(), true, Bench{Tables: TablesIn("[[tables.constant]]\nkey = \"still-air\"\nvalue = 11\nsource = \"measured\"\n")})
	near(t, "cooling by the bench's table", own.cooling, taught.cooling, 1e-12)
	if f, _ := own.Fact("stall-rate"); !strings.Contains(f.Source, "bench table: measured") {
		t.Errorf("source %q", f.Source)
	}
}
