package observation

import (
	"slices"
	"testing"
	"time"
)

// What issue 5 asks to be written down can be; the page's form and the verb both offer
// Kinds.
func TestKindsOfTheTrade(t *testing.T) {
	for words, k := range map[string]Kind{"snaking": Snaking, "dark ends": DarkEnds, "colour": Colour, "stain": Stain, "slow start": SlowStart,
		"cracked tip": CrackedTip, "failed later": FailedLater} {
		o := Observation{Kind: k, At: time.Unix(0, 0)}
		if !slices.Contains(Kinds(), k) || k.Words() != words || !k.Fault() || o.Check() != nil {
			t.Errorf("%s: in the list %v, words %q, a fault %v, %v", k, slices.Contains(Kinds(), k), k.Words(), k.Fault(), o.Check())
		}
	}
}

// The moment at which shells began to glow needs the moment, and only it; it is no fault and
// says nothing of the tube.
func TestGlowIsAMoment(t *testing.T) {
	at := time.Unix(0, 0)
	for _, c := range []struct {
		o  Observation
		ok bool
	}{
		{Observation{Kind: Glow, At: at, Into: 380}, true}, {Observation{Kind: Glow, At: at}, false}, {Observation{Kind: Glow, At: at, Into: 1e6}, false},
		{Observation{Kind: Snaking, At: at, Into: 380}, false}, {Observation{Kind: Good, At: at}, true},
	} {
		if err := c.o.Check(); (err == nil) != c.ok {
			t.Errorf("%+v: %v", c.o, err)
		}
	}
	dir := t.TempDir()
	if err := Add(dir, Observation{Kind: Glow, At: at, Into: 380.5}); err != nil {
		t.Fatal(err)
	}
	if list, err := Load(dir); err != nil || len(list) != 1 || list[0].Into != 380.5 {
		t.Errorf("%+v, %v", list, err)
	}
	if Glow.Fault() || Glow.OfTube() || !Good.OfTube() || !slices.Contains(Kinds(), Glow) {
		t.Error("a mark of the run is taken for one of the tube")
	}
}
