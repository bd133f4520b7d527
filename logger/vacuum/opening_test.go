package vacuum

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"testing"
)

// Pump-downs of tube and manifold through a stopcock that is opened by hand, computed by
// scipy (testdata/opening.py has the command): for the right volume of the manifold the
// pump's speed comes out within its expanded uncertainty, which is small where the readings
// are many.
func TestFitDrawnAgainstScipy(t *testing.T) {
	text, err := os.ReadFile("testdata/opening.json")
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Cases []struct {
			Speed, Manifold, Tube float64
			Points                [][2]float64
		}
	}
	if err := json.Unmarshal(text, &ref); err != nil {
		t.Fatal(err)
	}
	if len(ref.Cases) < 3 {
		t.Fatalf("%d cases", len(ref.Cases))
	}
	for i, c := range ref.Cases {
		var points []Point
		for _, p := range c.Points {
			points = append(points, Point{T: p[0], P: p[1]})
		}
		d, err := FitDrawn(points, c.Tube, []float64{c.Manifold / 2, c.Manifold, 2 * c.Manifold})
		if err != nil {
			t.Fatal(err)
		}
		off := d[1].LogSpeed - math.Log(c.Speed)
		t.Logf("case %d, %d readings: speed off by %+.3f ± %.3f", i+1, len(points), off, d[1].U)
		if math.Abs(off) > 2*d[1].U || !(d[1].U < 0.2) || len(points) > 15 && !(d[1].U < 0.01) {
			t.Errorf("case %d: speed off by %+.3f, uncertainty %.3f", i+1, off, d[1].U)
		}
		// A larger manifold needs a faster pump for the same fall.
		if !(d[0].LogSpeed < d[1].LogSpeed && d[1].LogSpeed < d[2].LogSpeed) {
			t.Errorf("case %d: %+v", i+1, d)
		}
	}
}

func TestFitDrawnRefuses(t *testing.T) {
	for name, p := range map[string][]Point{
		"too few":     {{T: 1, P: 1000}, {T: 2, P: 500}, {T: 3, P: 250}},
		"no fall":     {{T: 1, P: 100}, {T: 2, P: 100}, {T: 3, P: 100}, {T: 4, P: 100}, {T: 5, P: 100}},
		"no pressure": {{T: 1, P: 1000}, {T: 2, P: 500}, {T: 3, P: 0}, {T: 4, P: 100}, {T: 5, P: 50}},
	} {
		if d, err := FitDrawn(p, 1e-4, []float64{0.5e-3}); !errors.Is(err, ErrShort) {
			t.Errorf("%s: %+v, %v", name, d, err)
		}
	}
}

func BenchmarkFitDrawn(b *testing.B) {
	var points []Point
	for i := range 12 {
		t := 7 + 0.5*float64(i)
		points = append(points, Point{T: t, P: 2000 * math.Exp(-0.7*(t-7))})
	}
	volumes := []float64{0.1e-3, 0.17e-3, 0.28e-3, 0.45e-3, 0.7e-3, 1.1e-3, 1.8e-3, 3e-3}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := FitDrawn(points, 0.2e-3, volumes); err != nil {
			b.Fatal(err)
		}
	}
}
