package plantcare

import (
	"math"
	"strings"
	"testing"

	"tipoff/logger/vacuum"
)

// Without a volume there is no speed; how fast the pressure fell is said instead,
// if it is known: ln 10 over 0.23026 1/s is 10 s.
func TestDownWithoutVolume(t *testing.T) {
	none := vacuum.Quantity{X: math.NaN(), U: math.NaN()}
	d := vacuum.PumpDown{To: 60, Base: vacuum.Quantity{X: 1, U: 0.1}, Rate: vacuum.Quantity{X: 0.23026, U: 0.001}, Speed: none, Load: none}
	text := down(&d)
	if !strings.HasSuffix(text, "; it fell by a factor of ten in 10.0 s.") {
		t.Errorf("%q", text)
	}
	d.Rate = none
	if got, want := down(&d), strings.Split(text, ";")[0]+"."; got != want {
		t.Errorf("without a rate %q, want %q", got, want)
	}
}
