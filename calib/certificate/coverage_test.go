package certificate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"tipoff/calib"
)

// JCGM 101: a channel that strays about its line from level to level, at the points
// and between them, and has wandered since within its drift; with its own error at
// the time of use. ±1.96 u of the corrected value holds the truth in 94 % to 96 %
// of the draws, so that fit, residual and age are in it. (Where the points stray
// by the reference's errors alone the residual counts those twice, on the safe
// side: the points cannot tell the one from the other.)
func TestCoverageOfCertificate(t *testing.T) {
	r := rand.New(rand.NewPCG(61, 62))
	rect := func(a float64) float64 { return a * (2*r.Float64() - 1) }
	for _, age := range []time.Duration{0, year / 2} {
		in, n := 0, 8000
		for range n {
			var points []Point
			for _, ref := range []float64{10, 100, 200, 300, 400, 500, 600, 700, 800, 900, 1000} {
				shown := ref/1.02 + 3 + 4*r.NormFloat64() // the channel: 2 % and 3 Pa off
				points = append(points, Point{Reference: ref, Indicated: shown, U: 4})
			}
			fit, err := Solve(points, ZeroSpan)
			if err != nil {
				continue // scattered by chance, one in a thousand: the user is told
			}
			c := Certificate{Role: "pressure", Date: day, Due: day.Add(year), Points: points, Fit: fit, Drift: 0.02}
			truth := 200 + 700*r.Float64()
			shown := (truth*(1+rect(0.02*float64(age)/float64(year))))/1.02 + 3 + 4*r.NormFloat64() + 5*r.NormFloat64()
			ch := Correct(&fixed{v: calib.Value{X: shown, U: 5}}, c, func() (time.Time, bool) { return day.Add(age), true })
			v, _, _ := ch.Take(0)
			if math.Abs(v.X-truth) <= 1.96*v.U {
				in++
			}
		}
		share := 100 * float64(in) / float64(n)
		t.Logf("%.1f years: %.2f %% inside", age.Hours()/8766, share)
		if share < 94 || share > 96 {
			t.Errorf("%.1f years: %.2f %% inside", age.Hours()/8766, share)
		}
	}
}
