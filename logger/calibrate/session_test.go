package calibrate

import (
	"bytes"
	"image/png"
	"math"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/calib/certificate"
	"tipoff/calib/unit"
	"tipoff/logger/chart"
	"tipoff/logger/frame"
)

var day = time.Date(2026, 11, 25, 14, 5, 0, 0, time.UTC)

var thermometer = certificate.Instrument{Name: "T-100", Serial: "7", Limit: 0.5}

// bath feeds a session readings of f for a while, ten a second from *at on.
func bath(s *Session, at *time.Duration, seconds float64, f func(t float64) float64) {
	for t := 0.0; t < seconds; t += 0.1 {
		*at += 100 * time.Millisecond
		s.Step(*at, reading(calib.Value{X: f(t), U: 1}, 1000), *at)
	}
}

// noise is the same each time, about 0.3 rms.
func noise(t float64) float64 { return 0.4 * math.Sin(17*t) }

func steady(x float64) func(float64) float64 {
	return func(t float64) float64 { return x + 0.1*noise(t) }
}

func begin(t *testing.T, o Options, procedure string) *Session {
	t.Helper()
	if o.Channel == "" {
		o.Channel = "glass"
	}
	if o.Role == 0 {
		o.Role = frame.Glass
	}
	o.Who = "Em"
	s, err := New(o, procedure)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The reading counts as settled once it has stopped moving, not before.
func TestSettling(t *testing.T) {
	s := begin(t, Options{Room: math.NaN()}, "ice")
	var at time.Duration
	// A junction at 22 °C put into ice, time constant 8 s: it moves less than
	// 0.2 K in 30 s from 37.5 s on (closed form: slope·30 s of the exponential).
	first := -1.0
	for x := 0.0; x < 120 && first < 0; x += 0.1 {
		at += 100 * time.Millisecond
		s.Step(at, reading(calib.Value{X: 22 * math.Exp(-x/8)}, 0), at)
		if s.State().Settled {
			first = x
		}
	}
	// The window looks back 30 s, so it is settled between the moment the curve
	// is flat and 30 s after.
	if first < 37.5 || first > 70 {
		t.Errorf("settled after %.1f s", first)
	}
	if st := s.State(); math.Abs(st.Mean) > 0.1 {
		t.Errorf("settled at %v °C", st.Mean)
	}
	// It says why it is not settled.
	for name, c := range map[string]struct {
		feed func()
		want string
	}{
		"moving":     {func() { bath(s, &at, 40, func(t float64) float64 { return 20 - 0.1*t }) }, "falls by 3.00 K"},
		"rising":     {func() { bath(s, &at, 40, func(t float64) float64 { return 20 + 0.1*t }) }, "rises by 3.00 K"},
		"scattering": {func() { bath(s, &at, 40, func(t float64) float64 { return 20 + 5*noise(t) }) }, "scatters by"},
		"open wire":  {func() { s.Step(at+1, reading(calib.Value{X: math.NaN(), Q: calib.SensorFault}, 0), at+1) }, "sensor fault"},
		"clipped":    {func() { s.Step(at+2, reading(calib.Value{X: 3, Q: calib.Clipped}, 0), at+2) }, "clipped"},
		"short":      {func() { bath(s, &at, 3, steady(20)) }, "of 30 s"},
	} {
		s.settle.reset()
		c.feed()
		if st := s.State(); st.Settled || !strings.Contains(st.Why, c.want) {
			t.Errorf("%s: %+v; want not settled, %q", name, st, c.want)
		}
	}
	s.Restart()
	if s.State().Settled {
		t.Error("settled by readings of the setting before")
	}
	bath(s, &at, 40, steady(20))
	// A pause, or time that runs back, begins a new window.
	bath(s, &at, 40, steady(20))
	if !s.State().Settled {
		t.Fatalf("steady: %s", s.State())
	}
	at += 5 * time.Second
	bath(s, &at, 1, steady(20))
	if s.State().Settled {
		t.Error("settled across a pause")
	}
}

// A fast reader (here 1 kHz) still fills the window.
func TestFastReader(t *testing.T) {
	s := begin(t, Options{Room: math.NaN()}, "ice")
	for at := time.Duration(0); at < 40*time.Second; at += time.Millisecond {
		s.Step(at, reading(calib.Value{X: 0.3}, 0), at)
	}
	if st := s.State(); !st.Settled || math.Abs(st.Mean-0.3) > 1e-9 {
		t.Errorf("%+v", st)
	}
}

func TestStepAllocatesNothing(t *testing.T) {
	s := begin(t, Options{Room: math.NaN()}, "ice")
	at := time.Duration(0)
	if n := testing.AllocsPerRun(1000, func() { at += 100 * time.Millisecond; s.Step(at, reading(calib.Value{X: 1}, 0), at) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkStep(b *testing.B) {
	s, err := New(Options{Channel: "glass", Role: frame.Glass, Who: "Em"}, "ice")
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	at := time.Duration(0)
	for b.Loop() {
		at += 100 * time.Millisecond
		s.Step(at, reading(calib.Value{X: 1}, 0), at)
	}
}

// Ice and boiling water give a linear correction. The boiling point is that of
// physics.md §8.1 at 1000 hPa: 99.606 °C.
func TestIceAndBoiling(t *testing.T) {
	s := begin(t, Options{Room: 21}, "ice")
	var at time.Duration
	if err := s.Take(nil); err == nil {
		t.Error("a point without a settled reading")
	}
	bath(s, &at, 40, steady(0.8))
	if err := s.Take(map[string]string{"note": "old cup"}); err != nil {
		t.Fatal(err)
	}
	one, err := s.Result(day)
	if err != nil || one.Fit.Kind != certificate.Offset || math.Abs(one.Fit.C[0]+0.8) > 0.02 {
		t.Errorf("after ice: %v (%v)", one.Fit, err)
	}
	if err := s.Use("boiling"); err != nil {
		t.Fatal(err)
	}
	bath(s, &at, 40, steady(101.5))
	if err := s.Take(map[string]string{"barometer": "1000 hPa"}); err != nil {
		t.Fatal(err)
	}
	c, err := s.Result(day)
	if err != nil {
		t.Fatal(err)
	}
	if y, _ := c.Apply(101.5); math.Abs(y-99.606) > 0.01 {
		t.Errorf("101.5 becomes %v, want 99.606", y)
	}
	if c.Procedure != "ice, boiling" || c.Barometer != 1e5 || c.Points[0].Note != "ice point, old cup" || !c.Due.Equal(day.AddDate(1, 0, 0)) {
		t.Errorf("%+v", c)
	}
	// u: ice ±0.1 rectangular, noise 0.03/√10, and what movement is left.
	if u := c.Points[0].U; u < 0.0577 || u > 0.08 {
		t.Errorf("u of the ice point %v", u)
	}
	table := Table(&c)
	for _, want := range []string{"0.00 °C", "99.61 °C", "101.50 °C", "boiling at 1000.0 hPa", "first certificate", "2027-11-25", "gain 0.98"} {
		if !strings.Contains(table, want) {
			t.Errorf("the table lacks %q:\n%s", want, table)
		}
	}
	if !s.Undo() || len(s.Points()) != 1 {
		t.Errorf("undo: %d points", len(s.Points()))
	}
	if !s.Undo() || s.Undo() {
		t.Error("undo of nothing")
	}
}

// Against a U-tube: 130 mm of oil at 20 °C are 10.007 Torr (physics.md §4.6:
// 12.991 mm per Torr).
func TestUTube(t *testing.T) {
	s := begin(t, Options{Channel: "fill", Role: frame.Pressure, Room: 20, Instrument: certificate.Instrument{Name: "ion gauge", Limit: 0.1}}, "base")
	var at time.Duration
	bath(s, &at, 20, func(float64) float64 { return 1.5 })
	if err := s.Take(map[string]string{"reference": "0 micron"}); err != nil {
		t.Fatal(err)
	}
	if err := s.Use("utube"); err != nil {
		t.Fatal(err)
	}
	for _, mm := range []string{"65 mm", "130 mm", "195 mm"} {
		x, err := unit.Parse(mm, unit.Length)
		if err != nil {
			t.Fatal(err)
		}
		p := x * 1000 / 12.991 * unit.Torr
		bath(s, &at, 20, func(float64) float64 { return p/1.01 + 1.5 })
		if err := s.Take(map[string]string{"height": mm, "oil": "20 °C", "far": "vacuum"}); err != nil {
			t.Fatal(err)
		}
	}
	c, err := s.Result(day)
	if err != nil {
		t.Fatal(err)
	}
	if c.Fit.Kind != certificate.ZeroSpan || math.Abs(c.Fit.Zero()-1.5) > 0.1 || math.Abs(c.Fit.Span()-1.01) > 0.001 {
		t.Errorf("%s; want zero 1.5 Pa, span 1.01", c.Fit)
	}
}

func TestLogGaugeAndClamp(t *testing.T) {
	s := begin(t, Options{Channel: "manifold", Role: frame.Pressure, Logarithmic: true, Room: 20, Instrument: certificate.Instrument{Name: "fine gauge", Fraction: 0.01}}, "atmosphere")
	var at time.Duration
	bath(s, &at, 20, func(float64) float64 { return 95000 })
	if err := s.Take(map[string]string{"barometer": "1013.25 hPa"}); err != nil {
		t.Fatal(err)
	}
	if err := s.Use("base"); err != nil {
		t.Fatal(err)
	}
	bath(s, &at, 20, func(float64) float64 { return 2 })
	if err := s.Take(map[string]string{"reference": "0 micron"}); err == nil {
		t.Error("1 % of nothing is accepted as an uncertainty")
	}
	if err := s.Take(map[string]string{"reference": "16 micron"}); err != nil {
		t.Fatal(err)
	}
	c, err := s.Result(day)
	if err != nil || c.Fit.Kind != certificate.LogLinear {
		t.Fatalf("%v %v", c.Fit, err)
	}
	if y, _ := c.Apply(95000); math.Abs(y/101325-1) > 1e-6 {
		t.Errorf("95000 becomes %v", y)
	}

	k := begin(t, Options{Channel: "bombarder", Role: frame.Current, Room: 20, Instrument: certificate.Instrument{Name: "clamp", Fraction: 0.015, Limit: 0.001}}, "clamp")
	for _, ma := range []string{"110 mA", "320 mA"} {
		x, _ := unit.Parse(ma, unit.Current)
		bath(k, &at, 6, func(float64) float64 { return x / 1.03 })
		if err := k.Take(map[string]string{"reference": ma}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := k.Result(day); err == nil || !strings.Contains(err.Error(), "too few") {
		t.Errorf("two settings: %v", err)
	}
	bath(k, &at, 6, func(float64) float64 { return 0.6 / 1.03 })
	if err := k.Take(map[string]string{"reference": "600 mA"}); err != nil {
		t.Fatal(err)
	}
	if c, err := k.Result(day); err != nil || math.Abs(c.Fit.C[1]-1.03) > 1e-6 {
		t.Errorf("%s (%v); want ratio 1.03", c.Fit, err)
	}
}

// Readings that a certificate has corrected already are taken back first.
func TestApplied(t *testing.T) {
	var at time.Duration
	s := begin(t, Options{Room: math.NaN()}, "ice")
	bath(s, &at, 40, steady(0.8))
	if err := s.Take(nil); err != nil {
		t.Fatal(err)
	}
	old, err := s.Result(day)
	if err != nil {
		t.Fatal(err)
	}
	again := begin(t, Options{Room: math.NaN(), Applied: &old, Previous: &old}, "ice")
	bath(again, &at, 40, func(t float64) float64 { y, _ := old.Apply(steady(0.8)(t)); return y })
	if err := again.Take(nil); err != nil {
		t.Fatal(err)
	}
	c, err := again.Result(day)
	if err != nil || math.Abs(c.Fit.C[0]-old.Fit.C[0]) > 1e-9 || math.Abs(c.Change) > 1e-9 || c.Drifting {
		t.Errorf("%s after %s, change %v (%v)", c.Fit, old.Fit, c.Change, err)
	}
}

func TestRefusesAnswers(t *testing.T) {
	settled := func(o Options, p string, x float64) *Session {
		s := begin(t, o, p)
		var at time.Duration
		bath(s, &at, 40, func(float64) float64 { return x })
		return s
	}
	pressure := Options{Channel: "fill", Role: frame.Pressure}
	for name, c := range map[string]struct {
		s       *Session
		answers map[string]string
	}{
		"no barometer":  {settled(Options{}, "boiling", 99), nil},
		"unit missing":  {settled(Options{}, "boiling", 99), map[string]string{"barometer": "1003"}},
		"Torr as hPa":   {settled(Options{}, "boiling", 99), map[string]string{"barometer": "760 hPa0"}},
		"no reference":  {settled(Options{Instrument: thermometer}, "thermometer", 99), nil},
		"NaN":           {settled(Options{Instrument: thermometer}, "thermometer", 99), map[string]string{"reference": "NaN °C"}},
		"endless":       {settled(Options{Instrument: thermometer}, "thermometer", 99), map[string]string{"reference": "Inf °C"}},
		"pressure":      {settled(Options{Instrument: thermometer}, "thermometer", 99), map[string]string{"reference": "5 Torr"}},
		"no far limb":   {settled(pressure, "utube", 1000), map[string]string{"height": "130 mm", "oil": "20 °C"}},
		"height in °C":  {settled(pressure, "utube", 1000), map[string]string{"height": "130 °C", "oil": "20 °C", "far": "vacuum"}},
		"negative":      {settled(pressure, "utube", 1000), map[string]string{"height": "-130 mm", "oil": "20 °C", "far": "vacuum"}},
		"mountain high": {settled(pressure, "atmosphere", 1e5), map[string]string{"barometer": "9000 m"}},
	} {
		if err := c.s.Take(c.answers); err == nil || len(c.s.Points()) > 0 {
			t.Errorf("%s: accepted", name)
		} else if !strings.Contains(err.Error(), "found") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v; want one line with what was found", name, err)
		}
	}
	for name, f := range map[string]func() error{
		"nobody":     func() error { _, err := New(Options{Channel: "g", Role: frame.Glass}, "ice"); return err },
		"wrong role": func() error { _, err := New(Options{Channel: "g", Role: frame.Glass, Who: "Em"}, "clamp"); return err },
		"no such":    func() error { _, err := New(Options{Channel: "g", Role: frame.Glass, Who: "Em"}, "steam"); return err },
		"light":      func() error { _, err := New(Options{Channel: "g", Role: frame.Light, Who: "Em"}, "ice"); return err },
		"no limits": func() error {
			_, err := New(Options{Channel: "g", Role: frame.Glass, Who: "Em", Instrument: certificate.Instrument{Name: "x"}}, "thermometer")
			return err
		},
		"no name": func() error {
			_, err := New(Options{Channel: "g", Role: frame.Glass, Who: "Em", Instrument: certificate.Instrument{Limit: 1}}, "thermometer")
			return err
		},
		"limit":        func() error { _, _, err := ParseLimit("some", frame.Glass); return err },
		"limit Torr":   func() error { _, _, err := ParseLimit("1 Torr", frame.Glass); return err },
		"limit summed": func() error { _, _, err := ParseLimit("60 % + 60 %", frame.Current); return err },
		"limit over %": func() error { _, _, err := ParseLimit("150 %", frame.Current); return err },
		"room":         func() error { _, err := ParseRoom("500 °C"); return err },
	} {
		if f() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if l, f, err := ParseLimit("1.5 % + 2 mA", frame.Current); err != nil || l != 0.002 || f != 0.015 {
		t.Errorf("limit %v %v %v", l, f, err)
	}
}

// Every role's procedures ask in words, and each procedure belongs to a role.
func TestProcedures(t *testing.T) {
	seen := map[string]bool{}
	for r := frame.Pressure; r <= frame.Contact; r++ {
		for _, p := range For(r) {
			seen[p.Name] = true
			if p.Title == "" || len(p.Steps) == 0 || p.take == nil && !p.Lag {
				t.Errorf("%s: incomplete", p.Name)
			}
		}
	}
	if len(seen) != len(Procedures()) {
		t.Errorf("%d procedures reached of %d", len(seen), len(Procedures()))
	}
}

func TestPicture(t *testing.T) {
	var at time.Duration
	s := begin(t, Options{Room: math.NaN(), Instrument: thermometer}, "thermometer")
	for _, ref := range []struct {
		text string
		x    float64
	}{{"20 °C", 20.6}, {"100 °C", 101.1}, {"200 °C", 201.9}, {"300 °C", 302.6}} {
		bath(s, &at, 40, steady(ref.x))
		if err := s.Take(map[string]string{"reference": ref.text}); err != nil {
			t.Fatal(err)
		}
	}
	c, err := s.Result(day)
	if err != nil {
		t.Fatal(err)
	}
	before := c
	before.Date = day.AddDate(-1, 0, 0)
	var a, b, p bytes.Buffer
	if err := Picture(&a, chart.SVG, &c, &before); err != nil {
		t.Fatal(err)
	}
	if err := Picture(&b, chart.SVG, &c, &before); err != nil || !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Errorf("the same input gives other bytes (%v)", err)
	}
	for _, want := range []string{"indicated, °C", "correction, K", "residual, K", "before, 2025-11-25", "glass, thermometer, 2026-11-25"} {
		if !strings.Contains(a.String(), want) {
			t.Errorf("the picture lacks %q", want)
		}
	}
	if err := Picture(&p, chart.PNG, &c, nil); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&p)
	if err != nil || img.Bounds().Dx() < 800 {
		t.Errorf("PNG: %v", err)
	}
	if Picture(&p, "gif", &c, nil) == nil {
		t.Error("gif is drawn")
	}
}

// reading is that of a frame without corrections.
func reading(v calib.Value, raw float64) *frame.Reading {
	return &frame.Reading{Value: v, Indicated: v, Raw: raw, Samples: 1}
}
