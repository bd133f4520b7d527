package chart

import (
	"fmt"
	"image/color"
	"io"
	"strings"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/font/liberation"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// The drawing's size in points. At dpi this is Width by Height pixels, and the
// browser's CSS point makes an SVG the same size.
const (
	dpi     = 96
	pageW   = Width * 72.0 / dpi
	pageH   = Height * 72.0 / dpi
	onePx   = 72.0 / dpi
	ascent  = 0.72 // of the letters above the baseline, share of the size
	descent = 0.21
)

// rect is a rectangle on the page; y grows upwards.
type rect struct{ x0, y0, x1, y1 float64 }

func (a rect) meets(b rect) bool {
	return a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1
}

func (a rect) grow(d float64) rect { return rect{a.x0 - d, a.y0 - d, a.x1 + d, a.y1 + d} }

// placed is a text that was drawn, kept so that later ones keep clear of it and
// tests can look for overlaps.
type placed struct {
	text string
	box  rect
}

// pen draws on a canvas of either format and remembers the texts.
type pen struct {
	vg.Canvas
	out   io.WriterTo
	fonts *font.Cache
	texts []placed
}

func newPen(f Format) (*pen, error) {
	p := &pen{fonts: font.NewCache(liberation.Collection())}
	switch f {
	case SVG:
		c := vgsvg.New(pageW, pageH)
		p.Canvas, p.out = c, anyFont{p, c}
	case PNG:
		c := vgimg.NewWith(vgimg.UseWH(pageW, pageH), vgimg.UseDPI(dpi), vgimg.UseBackgroundColor(paper))
		p.Canvas, p.out = c, vgimg.PngCanvas{Canvas: c}
	default:
		return nil, fmt.Errorf("there is no format %q, only %s and %s", f, SVG, PNG)
	}
	p.fill(rect{0, 0, pageW, pageH}, paper)
	return p, nil
}

// style is the look of a text.
type style struct {
	size float64 // pt
	bold bool
	col  color.NRGBA
}

func (p *pen) face(s style) font.Face {
	f := font.Font{Variant: "Sans"}
	if s.bold {
		f.Weight = xfont.WeightBold
	}
	return p.fonts.Lookup(f, vg.Length(s.size))
}

func (p *pen) width(s style, text string) float64 {
	f := p.face(s)
	return f.Width(text).Points()
}

// box is where a text would be: align 0 starts at x, ½ is centred, 1 ends at x;
// y is the baseline.
func (p *pen) box(s style, x, y, align float64, text string) rect {
	w := p.width(s, text)
	return rect{x - align*w, y - descent*s.size, x + (1-align)*w, y + ascent*s.size}
}

func (p *pen) text(s style, x, y, align float64, text string) {
	if text == "" {
		return
	}
	b := p.box(s, x, y, align, text)
	p.SetColor(s.col)
	p.FillString(p.face(s), vg.Point{X: vg.Length(b.x0), Y: vg.Length(y)}, text)
	p.texts = append(p.texts, placed{text, b})
}

// free tells whether nothing has been written there.
func (p *pen) free(b rect) bool {
	for _, t := range p.texts {
		if t.box.meets(b) {
			return false
		}
	}
	return true
}

// fit shortens a text so that it is at most w wide.
func (p *pen) fit(s style, w float64, text string) string {
	if p.width(s, text) <= w {
		return text
	}
	r := []rune(text)
	for len(r) > 0 && p.width(s, string(r)+"…") > w {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// wrap parts a text after the last word that ends within w; rest is empty if all does.
func (p *pen) wrap(s style, w float64, text string) (first, rest string) {
	if p.width(s, text) <= w {
		return text, ""
	}
	for at := strings.LastIndexByte(text, ' '); at > 0; at = strings.LastIndexByte(text[:at], ' ') {
		if p.width(s, text[:at]) <= w {
			return text[:at], text[at+1:]
		}
	}
	return text, ""
}

func (p *pen) fill(r rect, c color.NRGBA) {
	p.shape(c, r.x0, r.y0, r.x1, r.y0, r.x1, r.y1, r.x0, r.y1)
}

// shape fills a polygon given as x, y, x, y, …
func (p *pen) shape(c color.NRGBA, xy ...float64) {
	p.SetColor(c)
	p.Fill(path(true, xy...))
}

// line strokes a line of width w in points.
func (p *pen) line(c color.NRGBA, w float64, xy ...float64) {
	if len(xy) < 4 {
		return
	}
	p.SetColor(c)
	p.SetLineWidth(vg.Length(w))
	p.Stroke(path(false, xy...))
}

func (p *pen) dashed(c color.NRGBA, w float64, xy ...float64) {
	p.SetLineDash([]vg.Length{5, 3}, 0)
	p.line(c, w, xy...)
	p.SetLineDash(nil, 0)
}

func (p *pen) dot(c color.NRGBA, x, y, r float64) {
	var d vg.Path
	at := vg.Point{X: vg.Length(x), Y: vg.Length(y)}
	d.Move(vg.Point{X: at.X + vg.Length(r), Y: at.Y})
	d.Arc(at, vg.Length(r), 0, 6.283185307179586)
	d.Close()
	p.SetColor(c)
	p.Fill(d)
}

func path(closed bool, xy ...float64) vg.Path {
	var d vg.Path
	for i := 0; i+1 < len(xy); i += 2 {
		pt := vg.Point{X: vg.Length(xy[i]), Y: vg.Length(xy[i+1])}
		if i == 0 {
			d.Move(pt)
		} else {
			d.Line(pt)
		}
	}
	if closed {
		d.Close()
	}
	return d
}

// hatch fills r with thin slanting lines.
func (p *pen) hatch(r rect, c color.NRGBA) {
	const gap = 6.0
	h, w := r.y1-r.y0, r.x1-r.x0
	if !(h > 0.5) || !(w > 0.5) {
		return
	}
	// Lines y = x − k, cut at the edges of r. They are tied to the page, so that
	// neighbouring zones join.
	first := int((r.x0 - r.y1) / gap)
	last := int((r.x1-r.y0)/gap) + 1
	for i := first; i <= last; i++ {
		k := float64(i) * gap
		x0, x1 := max(r.x0, r.y0+k), min(r.x1, r.y1+k)
		if x1 > x0 {
			p.line(c, 0.55, x0, x0-k, x1, x1-k)
		}
	}
}
