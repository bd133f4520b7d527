package plant

import (
	"flag"
	"fmt"
	"testing"
	"time"
)

var traceStyle = flag.Int("style", -1, "print one run of this style every 5 s")
var traceEvery = flag.Int("every", 10, "seconds between rows")
var traceTube = flag.String("tube", "PP-01", "tube for -style")
var traceSeed = flag.Uint64("seed", 1, "seed for -style")

// run takes one tube of the demo through a whole run, at most limit bench time.
func run(t testing.TB, tube Tube, style Style, seed uint64, limit time.Duration, each func(State)) (*Plant, *Script) {
	t.Helper()
	cfg := Default()
	cfg.Tube, cfg.Seed = tube, seed
	s := NewScript(HabitFor(tube, style, seed), seed)
	p := New(cfg, s)
	for at := time.Duration(0); at < limit && !s.Done(); at += 500 * time.Millisecond {
		p.Advance(at)
		if each != nil {
			each(p.State())
		}
	}
	return p, s
}

func TestTrace(t *testing.T) {
	if *traceStyle < 0 {
		t.Skip("only with -style")
	}
	next := time.Duration(0)
	p, s := run(t, Tubes()[*traceTube], Style(*traceStyle), *traceSeed, 40*time.Minute, func(s State) {
		if s.At < next {
			return
		}
		next += time.Duration(*traceEvery) * time.Second
		fmt.Printf("%6.1f %-10s pm %8.4f pt %8.4f (w %6.4f c %6.4f) gas %4.0f wall %5.1f tc %5.1f shell %4.0f I %.3f V %5.0f Vc %4.0f main %.2f w %.3f cb %.2f\n",
			s.At.Seconds(), s.Phase, s.ManifoldPressure/Torr, s.TubePressure/Torr, s.Tube[Water]/Torr, s.Tube[Carbon]/Torr,
			s.GasTemp, s.Wall, s.Junction, s.Shell, s.Current, s.Voltage, s.CathodeFall, s.Hands.Main, s.Water, s.Carbonate)
	})
	for _, sp := range p.Truth() {
		fmt.Printf("%-10s %7.1f s\n", sp.Phase, (sp.To - sp.From).Seconds())
	}
	if !s.Done() {
		t.Errorf("not done at %v", p.Now())
	}
}
