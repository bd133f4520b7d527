package chart

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"tipoff/logger/phase"
)

// The band of good runs lies behind the readings where there is one, is explained,
// and is not there without one.
func TestCorridorIsDrawn(t *testing.T) {
	r := &Run{Title: "t", Duration: 100, Phases: []Span{{phase.Dry, 0, 50}, {phase.Bombard, 50, 100}}}
	for i := range 100 {
		r.Points = append(r.Points, Point{T: float64(i), Pressure: 300, Glass: 20 + float64(i), Current: 0.3})
	}
	svg := func() string {
		var b bytes.Buffer
		if err := Write(&b, Time, SVG, r); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	ink := web(tint(traceInk[Glass], 0.2))
	without := svg()
	if strings.Contains(strings.ToLower(without), strings.ToLower(ink)) || strings.Contains(without, "good runs") {
		t.Error("a band without good runs")
	}
	for i := 0; i < 100; i += 5 {
		low, high := Point{float64(i), 200, 10 + float64(i), 0.25}, Point{float64(i), 400, 40 + float64(i), 0.35}
		if i >= 40 && i < 60 { // no corridor there: two pieces
			low.Glass, high.Glass = math.NaN(), math.NaN()
		}
		r.Corridor = append(r.Corridor, Corridor{low, high})
	}
	for _, c := range []struct {
		runs int
		want string
	}{{5, "where all of 5 good runs"}, {12, "where 8 in 10 of 12 good runs"}} {
		r.CorridorRuns = c.runs
		with := svg()
		if !strings.Contains(with, c.want) {
			t.Errorf("no word of %q", c.want)
		}
		// Two pieces of glass and the patch of the key.
		if n := strings.Count(strings.ToLower(with), strings.ToLower(ink)); n != 3 {
			t.Errorf("%d shapes in the glass's band colour, want 3", n)
		}
	}
}
