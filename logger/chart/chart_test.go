package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"strings"
	"testing"

	"tipoff/logger/phase"
)

func render(t *testing.T, k Kind, f Format, r *Run) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, k, f, r); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// labels are the texts of an SVG; it fails if the file is not XML.
func labels(t *testing.T, svg []byte) string {
	t.Helper()
	var b strings.Builder
	d := xml.NewDecoder(bytes.NewReader(svg))
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return b.String()
		}
		if err != nil {
			t.Fatalf("not XML: %v", err)
		}
		if c, ok := tok.(xml.CharData); ok {
			b.Write(c)
			b.WriteByte('\n')
		}
	}
}

func TestSVGHasItsLabels(t *testing.T) {
	r := evening()
	r.Title = `PP-04 <&"run">`
	want := map[Kind][]string{
		Time: {`PP-04 <&"run">`, "Pressure, Torr", "Glass temperature, °C", "Current, mA", "0.01", "1000", "10 micron", "10:00",
			"evacuate", "shells", "tip-off", "Glass ceiling ≤ 240 °C", "Strike window ≥ 1.5 Torr", "Bombard current ≤ 800 mA",
			"Glass over its ceiling: glass 242 °C, ceiling 240 °C", "9:28", "time from the start of the run, min:s"},
		PressureTemperature: {"Pressure, Torr", "Glass temperature, °C", "start", "end", "bombard", "0:27 in 2", "Glass ceiling ≤ 240 °C",
			"Base pressure ≤ 10 micron", "200"},
	}
	for k, texts := range want {
		got := labels(t, render(t, k, SVG, r))
		for _, text := range texts {
			if !strings.Contains(got, text) {
				t.Errorf("%s does not say %q", k, text)
			}
		}
	}
}

func TestPNG(t *testing.T) {
	for _, k := range []Kind{Time, PressureTemperature} {
		img, err := png.Decode(bytes.NewReader(render(t, k, PNG, evening())))
		if err != nil {
			t.Fatal(err)
		}
		if img.Bounds().Dx() != Width || img.Bounds().Dy() != Height {
			t.Errorf("%s is %v", k, img.Bounds())
		}
		// The line in bombard's or the glass's colour is there.
		c := colourOf(phase.Bombard)
		if k == Time {
			c = traceInk[Glass]
		}
		if n := count(img, c); n < 300 {
			t.Errorf("%s: %d pixels of the line's colour", k, n)
		}
	}
}

func count(img image.Image, c color.Color) (n int) {
	r0, g0, b0, _ := c.RGBA()
	for y := range img.Bounds().Dy() {
		for x := range img.Bounds().Dx() {
			if r, g, b, _ := img.At(x, y).RGBA(); r == r0 && g == g0 && b == b0 {
				n++
			}
		}
	}
	return n
}

func TestSameBytes(t *testing.T) {
	for _, k := range []Kind{Time, PressureTemperature} {
		for _, f := range []Format{SVG, PNG} {
			if !bytes.Equal(render(t, k, f, evening()), render(t, k, f, evening())) {
				t.Errorf("%s.%s differs from one drawing to the next", k, f)
			}
		}
	}
}

func TestTextsDoNotOverlap(t *testing.T) {
	short := evening()
	for i := range short.Phases { // many phases too short for their names
		if i > 2 && i < 9 {
			short.Phases[i].From, short.Phases[i].To = 400+float64(i)*12, 412+float64(i)*12
		}
	}
	flat := &Run{Title: "flat", Points: []Point{{0, 1e-9, 20, 0}, {5e6, 1e-9, 20, 0}}}
	hot := &Run{Title: "hot", Points: []Point{{0, 1, 1e6, 3e4}, {30, 2, -4e5, 1}}}
	for name, r := range map[string]*Run{"evening": evening(), "short phases": short, "flat": flat, "hot": hot} {
		for _, draw := range []func(*pen, *Run){drawTime, drawPT} {
			p, err := newPen(SVG)
			if err != nil {
				t.Fatal(err)
			}
			draw(p, r)
			for i, a := range p.texts {
				if a.box.x0 < 0 || a.box.y0 < 0 || a.box.x1 > pageW || a.box.y1 > pageH {
					t.Errorf("%s: %q leaves the page: %+v", name, a.text, a.box)
				}
				for _, b := range p.texts[:i] {
					if a.box.meets(b.box) {
						t.Errorf("%s: %q is written over %q", name, a.text, b.text)
					}
				}
			}
		}
	}
}

func TestErrors(t *testing.T) {
	r := evening()
	if err := Write(io.Discard, Time, SVG, &Run{}); !errors.Is(err, errNoPoints) {
		t.Errorf("no points: %v", err)
	}
	if err := Write(io.Discard, "pie", SVG, r); err == nil || !strings.Contains(err.Error(), "pressure-temperature") {
		t.Errorf("kind: %v", err)
	}
	if err := Write(io.Discard, Time, "bmp", r); err == nil || !strings.Contains(err.Error(), "png") {
		t.Errorf("format: %v", err)
	}
	if err := Write(full{}, Time, PNG, r); !errors.Is(err, io.ErrShortWrite) {
		t.Errorf("full disk: %v", err)
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, io.ErrShortWrite }

func TestLinesStopAtGaps(t *testing.T) {
	x, y := axis{lo: 0, hi: 100, p0: 0, p1: 1000}, axis{lo: 0, hi: 100, p0: 0, p1: 100}
	pts := []Point{{0, nan, 10, nan}, {1, nan, 20, nan}, {2, nan, nan, nan}, {3, nan, 30, nan}, {4, nan, 40, nan}, {50, nan, 50, nan}, {51, nan, 60, nan}}
	got := traces(pts, Glass, x, y, 5)
	if len(got) != 3 || len(got[0]) != 4 || len(got[1]) != 4 || len(got[2]) != 4 {
		t.Fatalf("lines %v, want three of two points", got)
	}
	if got[1][0] != 30 || got[1][1] != 30 || got[2][2] != 510 {
		t.Errorf("lines %v", got)
	}
	p := []Point{{0, 0, nan, nan}, {1, -5, nan, nan}, {2, torr, nan, nan}, {3, torr, nan, nan}}
	if got := traces(p, Pressure, x, axis{lo: 0.1, hi: 10, p0: 0, p1: 100, log: true}, 5); len(got) != 1 || math.Abs(got[0][1]-50) > 1e-9 {
		t.Errorf("pressures that a log axis cannot show: %v", got)
	}
}

// A spike of one point among a million must be drawn, and not a million points.
func TestDecimationKeepsSpikes(t *testing.T) {
	const n = 1_000_000
	pts := make([]Point, n)
	for i := range pts {
		pts[i] = Point{T: float64(i) / 10, Glass: 20 + math.Sin(float64(i))}
	}
	pts[333_333].Glass, pts[777_777].Glass = 250, -30
	x, y := axis{lo: 0, hi: n / 10, p0: left, p1: right}, axis{lo: -50, hi: 300, p0: 0, p1: 350}
	got := traces(pts, Glass, x, y, 5)
	if len(got) != 1 {
		t.Fatalf("%d lines", len(got))
	}
	columns := (right - left) / onePx
	if most := int(2*4*columns) + 16; len(got[0]) > most {
		t.Errorf("%d numbers, at most %d are wanted", len(got[0]), most)
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := 1; i < len(got[0]); i += 2 {
		lo, hi = min(lo, got[0][i]), max(hi, got[0][i])
		if i > 1 && got[0][i-1] < got[0][i-3] {
			t.Fatal("the line goes back in time")
		}
	}
	if math.Abs(hi-300) > 1e-9 || math.Abs(lo-20) > 1e-9 { // 250 °C lies 300 above −50, −30 lies 20 above
		t.Errorf("from %v to %v: a spike was lost", lo, hi)
	}
}

func TestTicksNeverHang(t *testing.T) {
	odd := []float64{0, 1, -1, 1e-320, 1e308, -1e308, math.Inf(1), math.Inf(-1), nan, 1e9 + 1e-7, 1e15}
	for _, lo := range odd {
		for _, hi := range odd {
			for _, ts := range [][]tick{linearTicks(lo, hi, 8), logTicks(lo, hi), timeTicks(hi, 16)} {
				if len(ts) > 10*maxTicks {
					t.Errorf("%d ticks from %v to %v", len(ts), lo, hi)
				}
			}
			for _, f := range []Format{SVG} {
				r := &Run{Points: []Point{{0, lo, hi, lo}, {hi, hi, lo, hi}}, Duration: hi}
				if err := Write(io.Discard, Time, f, r); err != nil {
					t.Errorf("from %v to %v: %v", lo, hi, err)
				}
			}
		}
	}
}

func TestTicks(t *testing.T) {
	text := func(ts []tick) string {
		var s []string
		for _, k := range ts {
			if k.label != "" {
				s = append(s, k.label)
			}
		}
		return strings.Join(s, " ")
	}
	for _, c := range []struct{ got, want string }{
		{text(linearTicks(0, 260, 6)), "0 50 100 150 200 250"},
		{text(linearTicks(-0.2, 0.31, 5)), "-0.2 -0.1 0.0 0.1 0.2 0.3"},
		{text(logTicks(0.001, 1000)), "0.001 0.01 0.1 1 10 100 1000"},
		{text(logTicks(1, 10)), "1 2 5 10"},
		{text(timeTicks(1500, 6)), "0:00 5:00 10:00 15:00 20:00 25:00"},
		{text(timeTicks(8000, 5)), "0:00 30:00 1:00:00 1:30:00 2:00:00"},
		{Clock(3599.6), "1:00:00"}, {Clock(-61), "−1:01"}, {Clock(nan), "—"},
		{number(0.0042), "0.0042"}, {number(1.5), "1.5"}, {number(760), "760"}, {number(99.96), "100"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}

func BenchmarkTimePNG(b *testing.B) {
	r := evening()
	b.ReportAllocs()
	for b.Loop() {
		if err := Write(io.Discard, Time, PNG, r); err != nil {
			b.Fatal(err)
		}
	}
}
