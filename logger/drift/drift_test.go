package drift

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/calib/certificate"
	"tipoff/calib/gauge"
	"tipoff/calib/unit"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

var day = time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)

// Channels of the benches in these tests.
const (
	wide = iota
	fine
	glass
	amps
	amps2
	room
)

func layout(with ...int) *frame.Layout {
	all := []frame.Channel{
		{Name: "manifold", Role: frame.Pressure, Range: gauge.Range{Low: 1e-2, High: 2e5}},
		{Name: "fill", Role: frame.Pressure, Range: gauge.Range{Low: -27, High: 2720}},
		{Name: "glass", Role: frame.Glass, HasAux: true},
		{Name: "bombarder", Role: frame.Current},
		{Name: "primary", Role: frame.Current},
		{Name: "room", Role: frame.Ambient},
	}
	var out []frame.Channel
	for _, i := range with {
		out = append(out, all[i])
	}
	return frame.NewLayout(100*time.Millisecond, out)
}

// moment is one frame of a channel set.
type moment struct {
	now Now
	r   []frame.Reading
}

// watched is a watch that is fed once a second.
type watched struct {
	*Watch
	at   time.Duration
	f    frame.Frame
	news int
}

func (w *watched) feed(long time.Duration, m func(at time.Duration) moment) {
	for end := w.at + long; w.at < end; {
		w.at += time.Second
		x := m(w.at)
		x.now.Wall, x.now.Known = day.Add(w.at), true
		copy(w.f.Readings[:], x.r)
		if w.Step(w.at, &w.f, x.now) {
			w.news++
		}
	}
}

func value(x, u float64) frame.Reading {
	v := calib.Value{X: x, U: u}
	return frame.Reading{Value: v, Indicated: v, Raw: x, Aux: math.NaN(), Samples: 1}
}

// tied is a thermocouple at x behind a chip of 24.5 °C: indicated within ± 0.7 K
// (MAX31856's cold junction), as a value within what the seating adds.
func tied(x float64) frame.Reading {
	return frame.Reading{Value: calib.Value{X: x, U: 4.9}, Indicated: calib.Value{X: x, U: 0.41}, Raw: x, Aux: 24.5, Samples: 1}
}

func certified(t *testing.T, c certificate.Certificate, kind certificate.Kind) *certificate.Certificate {
	t.Helper()
	c.Date, c.Due, c.Who, c.Room, c.Change = day.AddDate(0, 0, -2), day.AddDate(1, 0, 0), "Em", math.NaN(), math.NaN()
	var err error
	if c.Fit, err = certificate.Solve(c.Points, kind); err != nil {
		t.Fatal(err)
	}
	return &c
}

// A thermocouple that is off at rest is told after three idle times, of whatever
// length, and one in order or in a cooling tube is not. What is left open without
// an ambient channel: class 2's ± 2.5 K (IEC 60584-1), the chip's ± 0.7 K and its
// box's 2.5 ± 2.5 K, each rectangular: 2·√(1.443² + 0.41² + 1.443²) = 4.16 K.
func TestThermocoupleAtRest(t *testing.T) {
	idle := Now{Phase: phase.Idle}
	heating := Now{Phase: phase.Bombard, InRun: true}
	for name, c := range map[string]struct {
		cold    float64 // what the junction shows in a room of 22 °C
		drifts  bool
		text    string
		channel []int
	}{
		"in order":           {22.4, false, "", []int{glass}},
		"within limits":      {22 + 4.0, false, "", []int{glass}},
		"too warm":           {22 + 4.4, true, "K more than the room (22.0 °C) while the tube is cold; ± 4.2 K", []int{glass}},
		"too cold":           {22 - 5, true, "K less", []int{glass}},
		"3 K beside a sound": {22 + 2.9, false, "", []int{glass, room}},
		"4 K beside a sound": {22 + 4, true, "K more", []int{glass, room}},
	} {
		t.Run(name, func(t *testing.T) {
			w := &watched{Watch: New(layout(c.channel...), []Input{{AuxScale: 1, Tolerance: 2.5}, {}}[:len(c.channel)], 0)}
			rest := func(time.Duration) moment { return moment{idle, []frame.Reading{tied(c.cold), value(22, 0.3)}} }
			hot := func(time.Duration) moment { return moment{heating, []frame.Reading{tied(230), value(22, 0.3)}} }
			// A tube cools with 4 minutes; while it does, nothing counts.
			cooling := func() func(time.Duration) moment {
				from := w.at
				return func(at time.Duration) moment {
					return moment{idle, []frame.Reading{tied(c.cold + 200*math.Exp(-(at-from).Minutes()/4)), value(22, 0.3)}}
				}
			}
			for n := range 3 {
				if f := w.Finding(0, Room); f.Drifts {
					t.Errorf("told after %d rests", n)
				}
				w.feed(10*time.Minute, hot)
				w.feed(12*time.Minute, cooling())
				if f := w.Finding(0, Room); n == 0 && f.Known {
					t.Errorf("judged while it cools: %+v", f)
				}
				w.feed(40*time.Minute, cooling()) // does not stop at its end
				w.feed(20*time.Minute, rest)
			}
			f := w.Finding(0, Room)
			if !f.Known || f.Drifts != c.drifts || !strings.Contains(f.Text, c.text) || math.Abs(f.Offset-(c.cold-22)) > 0.1 {
				t.Errorf("%+v", f)
			}
			if len(c.channel) == 1 && math.Abs(2*f.U-4.16) > 0.01 {
				t.Errorf("within ± %.2f K, want 4.16 K", 2*f.U)
			}
			if want := map[bool]int{true: 1}[c.drifts]; w.news != want {
				t.Errorf("told %d times", w.news)
			}
			if !c.drifts {
				return
			}
			// It was put right: told no more. A new certificate begins anew as well.
			w.feed(2*time.Hour, func(time.Duration) moment { return moment{idle, []frame.Reading{tied(22.3), value(22, 0.3)}} })
			if text, _ := w.Drift(0); text != "" || w.news != 2 {
				t.Errorf("still told after it was put right: %q", text)
			}
		})
	}
}

// One long night counts as several times, and the room may swing.
func TestNight(t *testing.T) {
	w := &watched{Watch: New(layout(glass), []Input{{AuxScale: 1, Tolerance: 2.5}}, 0)}
	w.feed(6*time.Hour, func(at time.Duration) moment {
		swing := 3 * math.Sin(2*math.Pi*at.Hours()/2)
		r := tied(22 + 7 + swing)
		r.Aux += swing
		return moment{Now{Phase: phase.Idle}, []frame.Reading{r}}
	})
	if text, hint := w.Drift(0); !strings.Contains(text, "7.0 K more") || !strings.Contains(hint, "ice point") {
		t.Errorf("%q, %q", text, hint)
	}
	w.Use(0, certified(t, certificate.Certificate{Channel: "glass", Role: "glass", Procedure: "ice", Drift: 1,
		Points: []certificate.Point{{Reference: 0, Indicated: 7, U: 0.1, Note: "ice"}}}, certificate.Offset))
	if text, _ := w.Drift(0); text != "" {
		t.Errorf("told of the time before it was calibrated: %q", text)
	}
}

// A gauge without certificate is checked at the atmosphere by the bench's
// altitude: 95461 Pa at 500 m (ISO 2533, table 5), ± 15 % and ± 30 hPa.
func TestAtmosphereByAltitude(t *testing.T) {
	for x, want := range map[float64]bool{95461: false, 1.12 * 95461: false, 0.88 * 95461: false, 1.25 * 95461: true, 0.6 * 95461: false} {
		w := &watched{Watch: New(layout(wide), nil, 95461)}
		for range 4 {
			w.feed(3*time.Minute, func(time.Duration) moment {
				return moment{Now{Phase: phase.Idle}, []frame.Reading{value(x, 0.15*x/math.Sqrt(3))}}
			})
			w.feed(time.Minute, func(time.Duration) moment {
				return moment{Now{Phase: phase.Evacuate, InRun: true}, []frame.Reading{value(100, 9)}}
			})
		}
		text, _ := w.Drift(0)
		if (text != "") != want || want && !strings.Contains(text, "955 hPa ± ") {
			t.Errorf("%.0f Pa: %q", x, text)
		}
	}
	// A gauge that scatters by ± 2 %, well within its ± 15 %, is checked too; one that
	// is still let up to the air, through 30 % of it in a minute, is not.
	for name, c := range map[string]struct {
		x    func(s float64) float64
		want bool
	}{
		"scatters": {func(s float64) float64 { return 95461 * (1 + 0.02*math.Sin(7.7*s)) }, true},
		"let up":   {func(s float64) float64 { return 95461 * (0.7 + 0.005*s) }, false},
	} {
		w := &watched{Watch: New(layout(wide), nil, 95461)}
		w.feed(70*time.Second, func(at time.Duration) moment {
			x := c.x(at.Seconds())
			return moment{Now{Phase: phase.Idle}, []frame.Reading{value(x, 0.15*x/math.Sqrt(3))}}
		})
		if f := w.Finding(0, Atmosphere); f.Known != c.want {
			t.Errorf("%s: %+v", name, f)
		}
	}
	// Neither barometer nor altitude: nothing is known to compare with.
	w := &watched{Watch: New(layout(wide), nil, 0)}
	w.feed(time.Hour, func(time.Duration) moment {
		return moment{Now{Phase: phase.Idle}, []frame.Reading{value(70000, 100)}}
	})
	if f := w.Finding(0, Atmosphere); f.Known {
		t.Errorf("%+v", f)
	}
	// A certificate makes the gauge better known: one vent tells 5 %.
	w = &watched{Watch: New(layout(wide), nil, 95461)}
	w.Use(0, certified(t, certificate.Certificate{Channel: "manifold", Role: "pressure", Procedure: "utube", Drift: 0.02,
		Points: []certificate.Point{{Reference: 95461, Indicated: 95461, U: 120}}}, certificate.Factor))
	w.feed(2*time.Minute, func(time.Duration) moment {
		return moment{Now{Phase: phase.Idle}, []frame.Reading{value(1.05*95461, 8000)}}
	})
	if text, _ := w.Drift(0); !strings.Contains(text, "by the bench's altitude") {
		t.Errorf("with a certificate: %q", text)
	}
}

// A current that shows something without an arc, or whose input has lost its
// middle, is told; noise below the floor is not, nor an arc that burns.
func TestArcOff(t *testing.T) {
	const u = 0.004 // ± 4 mA floor and the converter
	for name, c := range map[string]struct {
		x, volts float64
		in       Input
		want     string
	}{
		"quiet":        {0.002, 1.65, Input{Bias: 1.65, Scale: 1}, ""},
		"hum":          {0.014, 1.65, Input{Bias: 1.65, Scale: 1}, "reads 14.0 mA with the arc off"},
		"negative":     {-0.02, 0, Input{}, "reads -20.0 mA"},
		"lost middle":  {0.002, 1.52, Input{Bias: 1.65, Scale: 1}, "rests at 1.52 V without current, where 1.65 V was said"},
		"small offset": {0.002, 1.60, Input{Bias: 1.65, Scale: 1}, ""},
		"an arc":       {0.3, 1.65, Input{Bias: 1.65, Scale: 1}, ""},
	} {
		w := &watched{Watch: New(layout(amps), []Input{c.in}, 0)}
		for n := range 3 {
			if text, _ := w.Drift(0); text != "" {
				t.Errorf("%s: told after %d", name, n)
			}
			w.feed(90*time.Second, func(time.Duration) moment {
				r := value(c.x, u)
				r.Raw = c.volts
				return moment{Now{Phase: phase.Idle}, []frame.Reading{r}}
			})
			w.feed(30*time.Second, func(time.Duration) moment {
				return moment{Now{Phase: phase.Bombard, InRun: true}, []frame.Reading{value(0.4, u)}}
			})
		}
		if text, _ := w.Drift(0); !strings.Contains(text, c.want) || c.want == "" && text != "" {
			t.Errorf("%s: %q, want %q", name, text, c.want)
		}
	}
}

// Two channels of the current must agree in the arc.
func TestOtherMeter(t *testing.T) {
	for ratio, want := range map[float64]bool{1: false, 1.03: false, 1.10: true, 0.9: true} {
		w := &watched{Watch: New(layout(amps, amps2), nil, 0)}
		for n := range 3 {
			if text, _ := w.Drift(1); text != "" {
				t.Errorf("ratio %g: told after %d arcs", ratio, n)
			}
			w.feed(40*time.Second, func(at time.Duration) moment {
				x := 0.4 + 0.005*math.Sin(at.Seconds())
				return moment{Now{Phase: phase.Bombard, InRun: true}, []frame.Reading{value(x, 0.004), value(ratio*x, 0.008)}}
			})
			w.feed(10*time.Second, func(time.Duration) moment {
				return moment{Now{Phase: phase.Idle}, []frame.Reading{value(0, 0.003), value(0, 0.003)}}
			})
		}
		text, _ := w.Drift(1) // knows itself less well
		if (text != "") != want || want && !strings.Contains(text, "than channel bombarder at 40") {
			t.Errorf("ratio %g: %q", ratio, text)
		}
		if text, _ := w.Drift(0); text != "" {
			t.Errorf("ratio %g: the better one is told: %q", ratio, text)
		}
	}
}

// pumpDown is a run: down to a base, a fill, and up again.
func pumpDown(w *watched, read func(pa float64) []frame.Reading) {
	steady := func(id phase.ID, pa float64, long time.Duration) {
		w.feed(long, func(time.Duration) moment {
			return moment{Now{Phase: id, InRun: id != phase.Idle}, read(pa)}
		})
	}
	steady(phase.Evacuate, 50, 10*time.Second)
	steady(phase.FinalPump, 0.3, 40*time.Second)
	steady(phase.Cool, 0.3, 60*time.Second)
	steady(phase.Fill, 1200, 40*time.Second)
	steady(phase.Idle, 95000, 30*time.Second)
}

// Two gauges: the zero of the fine one shows at base, against the wide one; the
// wide one's error shows at the fill.
func TestOtherGauge(t *testing.T) {
	for name, c := range map[string]struct {
		zero, factor float64 // of the fine and of the wide gauge
		drifts       int
		text         string
	}{
		"in order":    {0.5, 1.1, -1, ""},
		"zero":        {3, 1, fine, "micron more than channel manifold at 2.25 micron"},
		"zero below":  {-2, 1, fine, "micron less than"},
		"wide is off": {0.2, 1.4, wide, "Torr more than channel fill at 9"},
	} {
		w := &watched{Watch: New(layout(wide, fine), nil, 0)}
		for n := range 4 {
			for i := range 2 {
				if text, _ := w.Drift(i); text != "" && n < 3 {
					t.Errorf("%s: told after %d runs: %s", name, n, text)
				}
			}
			pumpDown(w, func(pa float64) []frame.Reading {
				x := c.factor * pa
				f := value(pa+c.zero, math.Hypot(0.005*pa, 0.667)/math.Sqrt(3)) // 0.5 % and 5 micron
				if pa > 2700 {
					f.Value = calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.OverRange}
				}
				return []frame.Reading{value(x, 0.15*x/math.Sqrt(3)), f}
			})
		}
		for i := range 2 {
			text, _ := w.Drift(i)
			if (text != "") != (i == c.drifts) || i == c.drifts && !strings.Contains(text, c.text) {
				t.Errorf("%s: channel %d: %q, want %q", name, i, text, c.text)
			}
		}
	}
}

// A gauge alone has its own best base.
func TestBestBase(t *testing.T) {
	for name, c := range map[string]struct {
		zeros []float64 // what is added in each run
		want  string
	}{
		"in order":   {[]float64{0, 0.2, 0.5, 0.1, 0.4, 0.3}, ""},
		"one bad":    {[]float64{0, 0.2, 9, 0.1, 9, 9}, ""},
		"worse":      {[]float64{0, 0.2, 4, 4, 4}, "reads 32.3 micron at base, where it has read 2.25 micron"},
		"below zero": {[]float64{0.2, -2, -2, -2}, "micron at base, below nothing"},
	} {
		w := &watched{Watch: New(layout(fine), nil, 0)}
		for _, zero := range c.zeros {
			pumpDown(w, func(pa float64) []frame.Reading { return []frame.Reading{value(pa+zero, 0.385)} })
		}
		if text, _ := w.Drift(0); !strings.Contains(text, c.want) || c.want == "" && text != "" {
			t.Errorf("%s: %q, want %q", name, text, c.want)
		}
	}
}

// Readings whose uncertainty is not known, and such that are marked, judge nothing.
func TestNotKnown(t *testing.T) {
	w := &watched{Watch: New(layout(wide, fine, glass, amps, amps2), nil, 95461)}
	nan := math.NaN()
	r := rand.New(rand.NewPCG(1, 2))
	w.feed(5*time.Hour, func(at time.Duration) moment {
		id := phase.ID(int(at.Minutes()) % phase.Count)
		m := moment{Now{Phase: id, InRun: id != phase.Idle}, make([]frame.Reading, 5)}
		for i := range m.r {
			m.r[i] = value([]float64{1e5, 900, 80, 0.15, 0.3}[i]*(1+0.001*r.Float64()), nan)
			if at > 2*time.Hour {
				m.r[i].Value.Q = calib.Clipped
			}
		}
		return m
	})
	for i := range w.ch {
		for _, a := range All() {
			if f := w.Finding(i, a); f.Known || f.Drifts {
				t.Errorf("channel %d, %v: %+v", i, a, f)
			}
		}
	}
}

func TestStepAllocatesNothing(t *testing.T) {
	w := &watched{Watch: New(layout(wide, fine, glass, amps), []Input{{}, {}, {AuxScale: 1, Tolerance: 2.5}, {Bias: 1.65, Scale: 1}}, unit.Torr*760)}
	m := []frame.Reading{value(101000, 8000), value(900, 3), tied(22.2), value(0.001, 0.003)}
	copy(w.f.Readings[:], m)
	if n := testing.AllocsPerRun(5000, func() {
		w.at += time.Second
		w.Step(w.at, &w.f, Now{Phase: phase.Idle})
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkStep(b *testing.B) {
	w := &watched{Watch: New(layout(wide, fine, glass, amps), nil, unit.Torr*760)}
	copy(w.f.Readings[:], []frame.Reading{value(101000, 8000), value(900, 3), tied(22.2), value(0.001, 0.003)})
	b.ReportAllocs()
	for b.Loop() {
		w.at += time.Second
		w.Step(w.at, &w.f, Now{Phase: phase.Idle})
	}
}
