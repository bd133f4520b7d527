package sampler_test

import (
	"math"
	"runtime"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/calib/chain"
	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/logger/frame"
	"tipoff/logger/health"
	"tipoff/logger/sampler"
	"tipoff/logger/status"
)

// scene is a bench of numbers that a test writes down as functions of time.
type scene struct {
	role frame.Role
	unit string
	step float64 // what a code is worth; 0: no code
	x    func(at time.Duration) float64
	tc   bool // a thermocouple whose terminals are at 27 °C
}

type number struct {
	source
	in drivers.Input
}

func (n *number) Inputs() []drivers.Input { return []drivers.Input{n.in} }

// play runs the scene and calls each after every frame.
func play(t *testing.T, end time.Duration, recorded bool, each func(at time.Duration, f *frame.Frame, h *health.Registry), scenes ...scene) {
	t.Helper()
	b := stage(t, recorded, scenes...)
	b.run(end, func(at time.Duration) { each(at, &b.frame, b.health) })
}

func stage(t *testing.T, recorded bool, scenes ...scene) *bench {
	t.Helper()
	c := newClock()
	kinds := health.Declare()
	h := health.New(kinds.All())
	channels := make([]frame.Channel, len(scenes))
	chains := make([]chain.Chain, len(scenes))
	var devices []sampler.Device
	for i, s := range scenes {
		step := s.step
		if step == 0 {
			step = 1
		}
		in := drivers.Input{Kind: drivers.Number, Unit: s.unit, Scale: step, Integer: s.step != 0, Interval: 50 * time.Millisecond}
		cin := chain.Input{Kind: chain.Number, Unit: s.unit, Scale: step, Integer: s.step != 0, Interval: in.Interval}
		if s.tc {
			in.Kind, in.AuxScale, in.Type = drivers.Thermocouple, 1.0/16, 'K'
			cin.Kind, cin.AuxScale, cin.Type = chain.Thermocouple, 1.0/16, 'K'
		}
		spec := chain.Spec{Kind: chain.SpecNone, Params: chain.Params{AccuracyFraction: 0.02}}
		ch, err := chain.New(s.role.String(), spec, cin, 50)
		if err != nil {
			t.Fatal(err)
		}
		name := s.role.String() + string(rune('1'+i))
		n := &number{source: source{name: name}, in: in}
		n.read = func(dst []drivers.Sample) (int, time.Duration, error) {
			now := c.Now()
			dst[0] = drivers.Sample{At: now, Raw: math.Round(s.x(now)/step*1e6) / 1e6, Aux: math.NaN()}
			if s.step != 0 {
				dst[0].Raw = math.Round(dst[0].Raw)
			}
			if s.tc {
				dst[0].Aux = 27*16 + float64(now/time.Second%2)
			}
			return 1, now + 50*time.Millisecond, nil
		}
		channels[i] = frame.Channel{Name: name, Role: s.role, Device: name, Integer: s.step != 0}
		if s.role == frame.Contact {
			channels[i].Purpose = frame.Contactor
		}
		chains[i] = ch
		devices = append(devices, sampler.Device{Source: n, Bus: name, Channels: []int{i}, Recorded: recorded})
	}
	layout := frame.NewLayout(interval, channels)
	s, err := sampler.New(c, layout, devices, chains, h, kinds)
	if err != nil {
		t.Fatal(err)
	}
	return &bench{clock: c, layout: layout, health: h, kinds: kinds, Sampler: s, stats: make([]status.Channel, len(scenes))}
}

// Judging readings in an arc, all kinds of channels, allocates nothing.
func TestDoubtAllocatesNothing(t *testing.T) {
	b := stage(t, false,
		scene{role: frame.Glass, unit: "°C", step: 1.0 / 16, x: lagged(3, 2, 5*time.Second, time.Hour), tc: true},
		scene{role: frame.Glass, unit: "°C", step: 0.1, x: lagged(3, 2, 5*time.Second, time.Hour)},
		scene{role: frame.Pressure, unit: "Pa", x: lively(100, 0.1)}, scene{role: frame.Pressure, unit: "Pa", step: 0.1, x: still(100)},
		scene{role: frame.Current, unit: "A", x: from(5*time.Second, lively(0, 0.001), lively(0.5, 0.001))},
		scene{role: frame.Contact, x: from(5*time.Second, still(0), still(1))})
	var before, after runtime.MemStats
	var total uint64
	n := 0
	b.run(30*time.Second, func(at time.Duration) {
		if at > time.Second && at%time.Second != 0 {
			n++
			// Once more, as of now: the readings of the frame stand.
			runtime.ReadMemStats(&before)
			b.Collect(at, &b.frame)
			runtime.ReadMemStats(&after)
			total += after.Mallocs - before.Mallocs
		}
	})
	if total > uint64(n)/10 { // of the sampling goroutines that run beside it
		t.Errorf("%d allocations in %d frames", total, n)
	}
	if v := b.frame.Readings[4].Value; !v.Good() || v.X < 0.4 {
		t.Errorf("no arc burnt: %v", v)
	}
}

// firstOf is when channel 0 first has the quality, 0 never.
func firstOf(t *testing.T, end time.Duration, q calib.Quality, scenes ...scene) (first time.Duration) {
	t.Helper()
	play(t, end, false, func(at time.Duration, f *frame.Frame, _ *health.Registry) {
		if first == 0 && f.Readings[0].Value.Q&q != 0 {
			first = at
		}
	}, scenes...)
	return first
}

func still(x float64) func(time.Duration) float64 { return func(time.Duration) float64 { return x } }

// lively is x with the last digits in motion.
func lively(x, by float64) func(time.Duration) float64 {
	return func(at time.Duration) float64 { return x + by*float64(at/(50*time.Millisecond)%3) }
}

func from(start time.Duration, before, after func(time.Duration) float64) func(time.Duration) float64 {
	return func(at time.Duration) float64 {
		if at < start {
			return before(at)
		}
		return after(at)
	}
}

// How long a code may stand: 3 s and 40 s for each kelvin of the least step seen,
// here 0.05 °C where the code is finer; 5 s and 2500 s times the step's share of a
// current.
func TestFrozen(t *testing.T) {
	arc := scene{role: frame.Current, unit: "A", x: lively(0.5, 0.001)}
	at10 := 10 * time.Second
	glass := func(step float64) scene {
		return scene{role: frame.Glass, unit: "°C", step: step, x: from(at10, func(at time.Duration) float64 { return 150 + at.Seconds() }, still(160))}
	}
	other := scene{role: frame.Glass, unit: "°C", step: 0.01, x: func(at time.Duration) float64 { return 150 + 3*at.Seconds() }}
	gauge := scene{role: frame.Pressure, unit: "Pa", x: from(at10, lively(100, 0.1), still(100))}
	falls := func(to float64) scene {
		return scene{role: frame.Pressure, unit: "Pa", x: from(at10+time.Second, lively(100, 0.1), lively(to, 0.1))}
	}
	for name, c := range map[string]struct {
		least, most time.Duration // 0: never
		scenes      []scene
	}{
		"fine glass in an arc":              {15 * time.Second, 16 * time.Second, []scene{glass(1.0 / 128), arc}},
		"coarse glass in an arc":            {23 * time.Second, 24500 * time.Millisecond, []scene{glass(0.25), arc}},
		"whole degrees in an arc":           {0, 0, []scene{glass(1), arc}}, // a minute is allowed
		"at rest":                           {0, 0, []scene{glass(1.0 / 128)}},
		"a tube at work":                    {0, 0, []scene{glass(1.0 / 128), {role: frame.Current, unit: "A", x: lively(0.03, 0.0001)}}},
		"the arc's current stands too":      {0, 0, []scene{glass(1.0 / 128), {role: frame.Current, unit: "A", step: 0.01, x: still(0.5)}}},
		"while another glass heats":         {15 * time.Second, 18 * time.Second, []scene{glass(1.0 / 128), other}},
		"a gauge while another falls":       {13 * time.Second, 14 * time.Second, []scene{gauge, falls(50)}},
		"a gauge while another hardly does": {0, 0, []scene{gauge, falls(98)}},
		"a gauge alone":                     {0, 0, []scene{gauge}},
		"a meter of 1 mA in an arc":         {19 * time.Second, 21 * time.Second, []scene{{role: frame.Current, unit: "A", step: 0.001, x: from(at10, lively(0.5, 0.001), still(0.5))}}},
		"a meter with no arc":               {0, 0, []scene{{role: frame.Current, unit: "A", step: 0.001, x: still(0)}}},
	} {
		got := firstOf(t, 40*time.Second, calib.Frozen, c.scenes...)
		if c.most == 0 && got != 0 || c.most != 0 && (got < c.least || got > c.most) {
			t.Errorf("%s: frozen at %v, want between %v and %v", name, got, c.least, c.most)
		}
	}
}

// A code that moves again is believed at once; a recording is never doubted.
func TestFrozenEnds(t *testing.T) {
	arc := scene{role: frame.Current, unit: "A", x: lively(0.5, 0.001)}
	glass := scene{role: frame.Glass, unit: "°C", step: 1.0 / 128, x: func(at time.Duration) float64 {
		if at > 5*time.Second && at < 15*time.Second {
			return 155
		}
		return 150 + at.Seconds()
	}}
	play(t, 20*time.Second, false, func(at time.Duration, f *frame.Frame, _ *health.Registry) {
		good := f.Readings[0].Value.Good()
		if at > 11*time.Second && at < 15*time.Second && good || at > 15500*time.Millisecond && !good {
			t.Errorf("%v: %v", at, f.Readings[0].Value)
		}
	}, glass, arc)
	play(t, 20*time.Second, true, func(at time.Duration, f *frame.Frame, _ *health.Registry) {
		if at > interval && !f.Readings[0].Value.Good() {
			t.Errorf("recorded, %v: %v", at, f.Readings[0].Value)
		}
	}, glass, arc)
}

// What glass and gas cannot be is no reading, and what they cannot do is marked.
func TestImpossible(t *testing.T) {
	step := func(role frame.Role, unit string, a, b float64) scene {
		return scene{role: role, unit: unit, x: from(5*time.Second, lively(a, math.Abs(a)/1e4), lively(b, math.Abs(b)/1e4))}
	}
	for name, c := range map[string]struct {
		q calib.Quality
		s scene
	}{
		"glass hotter than it can be": {calib.OverRange, step(frame.Glass, "°C", 300, 1200)},
		"glass in the deep freeze":    {calib.UnderRange, step(frame.Glass, "°C", 30, -80)},
		"a shell may glow":            {0, step(frame.Shell, "°C", 300, 1200)},
		"a hot room":                  {calib.OverRange, step(frame.Ambient, "°C", 20, 90)},
		"above any atmosphere":        {calib.OverRange, step(frame.Pressure, "Pa", 101325, 180e3)},
		"the highest atmosphere":      {0, step(frame.Pressure, "Pa", 101325, 108e3)},
		"below nothing":               {calib.UnderRange, step(frame.Pressure, "Pa", 10, -50)},
		"gas gone in one reading":     {calib.TooFast, step(frame.Pressure, "Pa", 1000, 1)},
		"gas into an empty tube":      {0, step(frame.Pressure, "Pa", 1000, 100)},
		"air let in":                  {0, step(frame.Pressure, "Pa", 1, 101325)},
		"more than any transformer":   {calib.OverRange, step(frame.Current, "A", 0.5, 30)},
	} {
		const all = calib.OverRange | calib.UnderRange | calib.TooFast
		var seen calib.Quality
		play(t, 8*time.Second, false, func(at time.Duration, f *frame.Frame, _ *health.Registry) {
			seen |= f.Readings[0].Value.Q & all
		}, c.s)
		if seen != c.q {
			t.Errorf("%s: %v, want %v", name, seen, c.q)
		}
	}
}

// Glass that heats without current is told of and marks the current, for as long as
// it does.
func TestContradiction(t *testing.T) {
	heats := func(from, to time.Duration) func(time.Duration) float64 {
		return func(at time.Duration) float64 { return 100 + 2*min(max(at-from, 0), to-from).Seconds() }
	}
	off := scene{role: frame.Current, unit: "A", x: lively(0, 0.001)}
	var told string
	var ended time.Duration
	play(t, 60*time.Second, false, func(at time.Duration, f *frame.Frame, h *health.Registry) {
		told0 := ""
		for _, x := range h.List(at) {
			if x.Kind.Code == "channels-contradict" {
				told0 = x.Cause
			}
		}
		if told0 != "" {
			told = told0
		} else if told != "" && ended == 0 {
			ended = at
		}
		if (f.Readings[0].Value.Q&calib.Contradicted != 0) != (told0 != "") || !f.Readings[0].Value.Good() {
			t.Errorf("%v: %v, told %q", at, f.Readings[0].Value, told0)
		}
	}, off, scene{role: frame.Glass, unit: "°C", x: heats(25*time.Second, 45*time.Second)})
	if !strings.Contains(told, "shows no current") || ended < 45*time.Second {
		t.Errorf("told %q, ended %v", told, ended)
	}
	if ended > 52*time.Second {
		t.Errorf("ended %v; the glass stands from 45 s on", ended)
	}
}

// Spacing has the jitter of the stamps: two spacings in turn, 0.9 and 1.1 ms,
// have a standard deviation of 0.1 ms; a hole is no spacing.
func TestSpacing(t *testing.T) {
	var c clock.Clock = newClock()
	n := 0
	src := &number{in: drivers.Input{Kind: drivers.Voltage, Scale: 1, Waveform: true, Interval: time.Millisecond}}
	src.name = "wave"
	src.read = func(dst []drivers.Sample) (int, time.Duration, error) {
		base := c.Now()
		for i := range 40 {
			dst[i] = drivers.Sample{At: base + time.Duration(i)*time.Millisecond + time.Duration(n%2)*100*time.Microsecond, Aux: math.NaN(), Raw: 1}
			n++
		}
		pause := 40 * time.Millisecond
		if n == 4000 {
			pause += 500 * time.Millisecond
		}
		return 40, base + pause, nil
	}
	ch, err := chain.New("current", chain.Spec{Kind: chain.SpecCurrent, Params: chain.Params{Burden: 1}},
		chain.Input{Kind: chain.Voltage, Scale: 1, Waveform: true, Interval: time.Millisecond}, 50)
	if err != nil {
		t.Fatal(err)
	}
	kinds := health.Declare()
	layout := frame.NewLayout(interval, []frame.Channel{{Name: "c", Role: frame.Current}})
	s, err := sampler.New(c, layout, []sampler.Device{{Source: src, Bus: "b", Channels: []int{0}}}, []chain.Chain{ch}, health.New(kinds.All()), kinds)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{clock: c.(*clock.Virtual), layout: layout, Sampler: s, kinds: kinds}
	b.run(10*time.Second, nil)
	got, ok := s.Spacing(0)
	if !ok || (got.Mean-time.Millisecond).Abs() > time.Microsecond || (got.Jitter-100*time.Microsecond).Abs() > time.Microsecond || got.Worst != 1100*time.Microsecond {
		t.Errorf("%+v, %v", got, ok)
	}
	s.ResetSpacing()
	if _, ok := s.Spacing(0); ok {
		t.Error("a reset leaves something")
	}
}
