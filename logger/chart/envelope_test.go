package chart

import (
	"bytes"
	"strings"
	"testing"
)

// The chart of limits needs no points, shows each bound of a measured quantity
// once with its note, and its texts keep clear of each other.
func TestEnvelope(t *testing.T) {
	r := evening()
	r.Points = nil
	for i := range r.Limits {
		r.Limits[i].U, r.Limits[i].Note = r.Limits[i].High*0.03, " (computed)"
	}
	for range 8 {
		r.Also = append(r.Also, "Rate of rise at most 0.9 ± 0.42 micron/min (computed)")
	}
	p, err := newPen(SVG)
	if err != nil {
		t.Fatal(err)
	}
	drawEnvelope(p, r)
	for _, want := range []string{"Glass ceiling ≤ 240 °C (computed)", "Drying target ≥ 95 °C (computed)", "Base pressure ≤ 10 micron (computed)"} {
		n := 0
		for _, text := range p.texts {
			if text.text == want {
				n++
			}
		}
		if n != 1 {
			t.Errorf("%q is there %d times", want, n)
		}
	}
	for i, a := range p.texts {
		for _, b := range p.texts[:i] {
			if a.box.meets(b.box) {
				t.Errorf("%q lies over %q", a.text, b.text)
			}
		}
	}
	var one, two bytes.Buffer
	for _, w := range []*bytes.Buffer{&one, &two} {
		if err := Write(w, Envelope, SVG, r); err != nil {
			t.Fatal(err)
		}
	}
	if one.String() != two.String() || !strings.Contains(one.String(), "Glass ceiling") {
		t.Error("the same limits do not give the same picture")
	}
	if err := Write(&one, Envelope, PNG, &Run{Title: "no limits"}); err != nil {
		t.Errorf("a tube without limits: %v", err)
	}
}
