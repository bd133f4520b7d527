package chart

import (
	"encoding/xml"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

var fontSize = regexp.MustCompile(`font-size:([0-9.]+)px`)

// A browser without the font must not write wider than the labels were laid out:
// each text of the file states the width that pen keeps clear for it.
func TestTextsKeepTheirWidth(t *testing.T) {
	r := evening()
	r.Title = `PP-04 <text x="1">`
	svg := render(t, Time, SVG, r)
	d := xml.NewDecoder(strings.NewReader(string(svg)))
	texts := 0
	for {
		tok, err := d.Token()
		if err != nil {
			break
		}
		e, ok := tok.(xml.StartElement)
		if !ok || e.Name.Local != "text" {
			continue
		}
		texts++
		at := map[string]string{}
		for _, a := range e.Attr {
			at[a.Name.Local] = a.Value
		}
		if !strings.Contains(at["style"], ",sans-serif;") {
			t.Errorf("no font stands in: %s", at["style"])
		}
		var said string
		if tok, err = d.Token(); err == nil {
			said = string(tok.(xml.CharData))
		}
		var size float64
		if m := fontSize.FindStringSubmatch(at["style"]); m != nil {
			size, _ = strconv.ParseFloat(m[1], 64)
		}
		p, _ := newPen(SVG)
		want := p.width(style{size, strings.Contains(at["style"], "font-weight:bold"), ink}, said)
		if got, err := strconv.ParseFloat(at["textLength"], 64); err != nil || math.Abs(got-want) > 0.01 {
			t.Errorf("%q: textLength %q, its width is %.2f", said, at["textLength"], want)
		}
	}
	if texts < 40 {
		t.Errorf("%d texts", texts)
	}
}

// A long account of the run goes on in a second line.
func TestSubtitleWraps(t *testing.T) {
	r := evening()
	r.Subtitle += " · " + strings.Repeat("marginal, too near to tell: rate of rise, ", 4) + "and the end"
	for _, draw := range []func(*pen, *Run){drawTime, drawPT} {
		p, err := newPen(SVG)
		if err != nil {
			t.Fatal(err)
		}
		draw(p, r)
		if first, rest := p.texts[1].text, p.texts[2].text; first+" "+rest != r.Subtitle {
			t.Errorf("%q, %q", first, rest)
		}
	}
	p, err := newPen(SVG)
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string][2]string{"": {}, "one": {"one", ""}, strings.Repeat("x", 900): {strings.Repeat("x", 900), ""}} {
		if a, b := p.wrap(subStyle, right-left, text); a != want[0] || b != want[1] {
			t.Errorf("%q: %q, %q", text, a, b)
		}
	}
}
