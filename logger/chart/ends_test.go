package chart

import (
	"strings"
	"testing"

	"tipoff/logger/phase"
)

// Begin and end of a run lie near each other when air is let in again: the two
// words stand beside each other, off both marks and off the path.
func TestEndsDoNotOverlap(t *testing.T) {
	for _, apart := range []float64{0, 3, 8, 15, 30, 60} {
		p, err := newPen(SVG)
		if err != nil {
			t.Fatal(err)
		}
		down := piece{phase.Evacuate, []float64{200, 500, 200, 100}}
		up := piece{phase.Vent, []float64{200 + apart, 100, 200 + apart, 500}}
		ends(p, []piece{down, up})
		if len(p.texts) != 2 || p.texts[0].text != "start" || p.texts[1].text != "end" {
			t.Fatalf("%g apart: %v", apart, p.texts)
		}
		a, b := p.texts[0].box, p.texts[1].box
		if a.meets(b) {
			t.Errorf("%g apart: start at %v lies on end at %v", apart, a, b)
		}
		for _, box := range []rect{a, b} {
			for _, x := range []float64{200, 200 + apart} {
				if (rect{x - 4, 496, x + 4, 504}).meets(box) || box.cut(x, 100, x, 500) {
					t.Errorf("%g apart: a word at %v lies on a mark or the path at %g", apart, box, x)
				}
			}
		}
	}
}

// A straight line through a box without a point in it, against the plain geometry.
func TestCut(t *testing.T) {
	r := rect{10, 10, 20, 20}
	for _, c := range []struct {
		line [4]float64
		want bool
	}{
		{[4]float64{0, 15, 30, 15}, true}, {[4]float64{15, 0, 15, 30}, true}, {[4]float64{0, 0, 30, 30}, true},
		{[4]float64{0, 5, 30, 5}, false}, {[4]float64{0, 15, 8, 15}, false}, {[4]float64{0, 19, 12, 30}, false},
		{[4]float64{12, 12, 13, 13}, true}, {[4]float64{5, 25, 5, 0}, false}, {[4]float64{30, 14, 0, 16}, true},
	} {
		if got := r.cut(c.line[0], c.line[1], c.line[2], c.line[3]); got != c.want {
			t.Errorf("%v: %v", c.line, got)
		}
	}
}

// Low pressures are in micron, as the trade has them; a time that rounds to nothing
// has no sign.
func TestSaidAsTheTradeDoes(t *testing.T) {
	for got, want := range map[string]string{
		Pressure.say(0.0045): "4.5 micron", Pressure.say(0.5): "0.5 Torr", Glass.say(0.05): "0.05 °C",
		Clock(-0.2): "0:00", Clock(-2): "−0:02", Clock(59.6): "1:00",
	} {
		if got != want || strings.Contains(got, "  ") {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
