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
