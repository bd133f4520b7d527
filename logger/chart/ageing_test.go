package chart

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"
)

func aged(n int) *Ageing {
	a := &Ageing{Title: "PP-03, ageing run 2026-11-25-002", Subtitle: "bench-1", MaxGap: 30, Wanted: 0.05, Drift: 0.4, DriftU: 0.1, DriftFrom: 5 * float64(n) / 2,
		Light: 0.45, Outs: [][2]float64{{400, 460}}}
	for i := range n {
		t := 5 * float64(i)
		a.Points = append(a.Points, AgeingPoint{T: t, Light: 0.45, LightLow: 0.44, LightHigh: 0.46, Current: 0.051, CurrentLow: 0.05, CurHigh: 0.052, Glass: 45, Lit: true})
	}
	return a
}

// The same input gives the same bytes; what was not read has no panel.
func TestAgeingChart(t *testing.T) {
	draw := func(f Format, a *Ageing) string {
		t.Helper()
		var b bytes.Buffer
		if err := WriteAgeing(&b, f, a); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	for _, f := range []Format{SVG, PNG} {
		if once, again := draw(f, aged(5760)), draw(f, aged(5760)); once != again {
			t.Errorf("two drawings of one run differ (%s)", f)
		}
	}
	all := draw(SVG, aged(5760))
	for _, want := range []string{"Light, % of full scale", "Current, mA", "Glass, °C", "over the second half +0.40 ± 0.20 % an hour", "wanted 50 mA", "7:00:00"} {
		if !strings.Contains(all, want) {
			t.Errorf("no %q", want)
		}
	}
	if len(all) > 400<<10 {
		t.Errorf("eight hours are drawn in %d bytes", len(all))
	}
	dark := aged(50)
	for i := range dark.Points {
		dark.Points[i].Light, dark.Points[i].LightLow, dark.Points[i].LightHigh = math.NaN(), math.NaN(), math.NaN()
	}
	if s := draw(SVG, dark); strings.Contains(s, "Light, %") || !strings.Contains(s, "Current, mA") {
		t.Error("a panel for light that was not read")
	}
	if err := WriteAgeing(&bytes.Buffer{}, SVG, &Ageing{}); !errors.Is(err, errNoPoints) {
		t.Error(err)
	}
	if err := WriteAgeing(&bytes.Buffer{}, SVG, &Ageing{Points: []AgeingPoint{{Light: math.NaN(), Current: math.NaN(), Glass: math.NaN()}}}); err == nil {
		t.Error("drawn, though nothing was read")
	}
}
