package main

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"testing"
)

// trace writes QEMU's lines for pulses on the buzzer's line and the shop's two.
func trace(over, ack float64, ps []pulse) string {
	var b strings.Builder
	line := func(at float64, n, level int) {
		fmt.Fprintf(&b, "587@%.6f:pl061_set_output /machine/unattached/device[7] setting output %d to %d\n", at, n, level)
	}
	line(1, buzzer, 0)
	written := 0
	before := func(t float64) {
		for ; written < len(ps) && ps[written].from < t; written++ {
			line(ps[written].from, buzzer, 1)
			line(ps[written].to, buzzer, 0)
		}
	}
	before(over)
	line(over, overheat, 1)
	before(ack)
	line(ack, thumb, 1)
	before(math.Inf(1))
	line(ack+30, overheat, 0)
	return b.String()
}

// burstsAt is the stated burst beginning at each of the times.
func burstsAt(at ...float64) []pulse {
	var out []pulse
	for _, t := range at {
		for _, s := range []float64{0, 0.25, 0.5, 0.85, 1.1, 1.8, 2.05, 2.3, 2.65, 2.9} {
			out = append(out, pulse{t + s, t + s + 0.15})
		}
	}
	return out
}

func TestBuzzer(t *testing.T) {
	slow := burstsAt(100.2)
	for i := range slow {
		slow[i].from = 100.2 + 1.2*(slow[i].from-100.2)
		slow[i].to = slow[i].from + 0.15
	}
	beat := []pulse{{99, 99.12}, {99.3, 99.42}, {99.6, 99.72}, {99.9, 100.02}}
	for name, c := range map[string]struct {
		ps   []pulse
		want string // "" is proven
	}{
		"as stated":               {append(beat, burstsAt(100.2, 106.2, 112.2)...), ""},
		"silent":                  {nil, "did not rise"},
		"too slow a beat":         {slow, "none of the 10 pulses"},
		"the warning's beat only": {[]pulse{{100.2, 100.32}, {100.5, 100.62}, {100.8, 100.92}}, "none of the 3 pulses"},
		"late":                    {burstsAt(104, 110), "4.00 s after the overheat"},
		"before the overheat":     {burstsAt(90, 100.2), "before it"},
		"a lost reading besides":  {append(burstsAt(100.2, 106.2), []pulse{{120, 120.2}, {120.4, 120.6}, {120.8, 121}}...), ""},
		"held":                    {append(burstsAt(100.2, 106.2), pulse{115.9, 130}), "one of them"},
		"goes on":                 {burstsAt(100.2, 106.2, 112.2, 118.2), "after the acknowledgement"},
	} {
		es, err := parseTrace(trace(100, 116, c.ps))
		if err != nil {
			t.Fatal(err)
		}
		check(t, name, judgeBuzzer(es), c.want)
	}
	if _, err := parseTrace("nothing\n"); err == nil {
		t.Error("a trace without a line passes")
	}
}

func check(t *testing.T, name string, err error, want string) {
	t.Helper()
	switch {
	case want == "" && err != nil:
		t.Errorf("%s: %v", name, err)
	case want != "" && (err == nil || !strings.Contains(err.Error(), want)):
		t.Errorf("%s: %v, want %q", name, err, want)
	}
}

// sound is 40 s with the pulses as a tone of the pitch with the harmonics' levels.
func sound(ps []pulse, pitch float64, levels []float64) []float64 {
	x := make([]float64, 40*rate)
	for _, p := range ps {
		for i := int(p.from * rate); i < int(p.to*rate); i++ {
			at := float64(i)/rate - p.from
			ramp := min(1, at/0.015, (p.to-p.from-at)/0.015)
			for k, l := range levels {
				x[i] += 0.3 * ramp * math.Pow(10, l/20) * math.Sin(2*math.Pi*pitch*float64(k+1)*at)
			}
		}
	}
	return x
}

func TestSound(t *testing.T) {
	es := []event{{50, "recording"}, {55, "overheat true"}, {70, "acknowledged"}}
	levels := []float64{0, -3, -6, -9}
	for name, c := range map[string]struct {
		x    []float64
		want string
	}{
		"as stated":       {sound(burstsAt(5.2, 11.2), 880, levels), ""},
		"another pitch":   {sound(burstsAt(5.2, 11.2), 890, levels), "pitch"},
		"a pure tone":     {sound(burstsAt(5.2, 11.2), 880, levels[:1]), "harmonic"},
		"another pattern": {sound([]pulse{{5.2, 5.4}, {5.6, 5.8}, {6, 6.2}}, 880, levels), "none of the 3 pulses"},
		"silence":         {sound(nil, 880, levels), "none of the 0 pulses"},
		"goes on":         {sound(burstsAt(5.2, 11.2, 17.2, 23.2), 880, levels), "after the acknowledgement"},
	} {
		check(t, name, judgeSound(c.x, es), c.want)
	}
	check(t, "no recording", judgeSound(nil, es[1:]), "recording")
}

// goertzel against closed forms: a sine of amplitude A has A at its frequency
// and nothing a few windows' widths away.
func TestGoertzel(t *testing.T) {
	x := make([]float64, rate/10)
	for i := range x {
		x[i] = 0.25 * math.Sin(2*math.Pi*880*float64(i)/rate)
	}
	if a := goertzel(x, 880); math.Abs(a-0.25) > 1e-4 {
		t.Errorf("%v, want 0.25", a)
	}
	if a := goertzel(x, 980); a > 1e-4 {
		t.Errorf("%v at 980 Hz, want 0", a)
	}
	b := binary.LittleEndian.AppendUint16(nil, uint16(0xC000))
	if s := samples(b); len(s) != 1 || s[0] != -0.5 {
		t.Errorf("%v, want -0.5", s)
	}
}

func TestValues(t *testing.T) {
	var truth, shown []row
	for i := range 1200 {
		at := float64(i) / 10
		r := row{at, 2, 20 + at, 0}
		if i > 400 {
			r.milliamps = 500
		}
		truth = append(truth, r)
		shown = append(shown, r)
	}
	change := func(f func(r *row)) []row {
		out := append([]row(nil), shown...)
		for i := range out {
			f(&out[i])
		}
		return out
	}
	for name, c := range map[string]struct {
		shown []row
		want  string
	}{
		"true":           {shown, ""},
		"glass off":      {change(func(r *row) { r.celsius += 5 }), "glass: nine of ten"},
		"pressure off":   {change(func(r *row) { r.torr *= 1.1 }), "pressure: nine of ten"},
		"current off":    {change(func(r *row) { r.milliamps *= 1.1 }), "burns: nine of ten"},
		"current at 0":   {change(func(r *row) { r.milliamps += 20 }), "without arc: nine of ten"},
		"glass missing":  {change(func(r *row) { r.celsius = math.NaN() }), "glass: shown at 0 moments"},
		"nothing at all": {nil, "shown at 0 moments"},
	} {
		check(t, name, judgeValues(c.shown, truth), c.want)
	}
}

// A host that held the guest up excuses what came too late or too seldom, and
// nothing else; one that did not excuses nothing.
func TestHost(t *testing.T) {
	busy := host{late: 20, ran: 60e3, waited: 40e3}
	es := []event{{50, "recording"}, {55, "overheat true"}, {70, "acknowledged"}}
	levels := []float64{0, -3, -6, -9}
	buzz := func(ps []pulse) error {
		edges, err := parseTrace(trace(100, 116, ps))
		if err != nil {
			t.Fatal(err)
		}
		return judgeBuzzer(edges)
	}
	shaken := func(ps []pulse) []pulse { // every third pulse 0.09 s late
		for i := range ps {
			if i%3 == 2 {
				ps[i].from += 0.09
				ps[i].to += 0.09
			}
		}
		return ps
	}
	slow := burstsAt(100.2)
	for i := range slow {
		slow[i].from = 100.2 + 1.2*(slow[i].from-100.2)
		slow[i].to = slow[i].from + 0.15
	}
	var truth, blind, wrong, cold, rare []row
	for i := range 1200 {
		r := row{float64(i) / 10, 2, 20 + float64(i)/10, 0}
		if i > 400 {
			r.milliamps = 500
		}
		truth = append(truth, r)
		no := r
		no.milliamps = math.NaN()
		blind = append(blind, no)
		no.torr *= 1.1
		wrong = append(wrong, no)
		few := no
		if i > 800 && i <= 815 {
			few.milliamps = 550
		}
		few.torr = r.torr
		rare = append(rare, few)
		r.celsius = math.NaN()
		cold = append(cold, r)
	}
	for name, c := range map[string]struct {
		found error
		want  int
	}{
		"as stated":              {buzz(burstsAt(100.2, 106.2)), 0},
		"late":                   {buzz(burstsAt(104, 110)), 75},
		"out of step":            {buzz(shaken(burstsAt(100.2, 106.2))), 75},
		"low a little late":      {buzz(append(burstsAt(100.2, 106.2), pulse{115.9, 117})), 75},
		"silent":                 {buzz(nil), 1},
		"torn":                   {buzz(slow), 75},
		"torn and goes on":       {buzz(append(slow, burstsAt(117.5, 123.5)...)), 1},
		"held":                   {buzz(append(burstsAt(100.2, 106.2), pulse{115.9, 130})), 1},
		"late and goes on":       {buzz(burstsAt(104, 110, 117.5, 123.5)), 1},
		"before the overheat":    {buzz(burstsAt(90, 104, 110)), 1},
		"pulses of no burst":     {judgeSound(sound([]pulse{{5.2, 5.4}, {5.6, 5.8}, {6, 6.2}}, 880, levels), es), 1},
		"sound out of step":      {judgeSound(sound(shaken(burstsAt(5.2, 11.2)), 880, levels), es), 75},
		"another pitch":          {judgeSound(sound(burstsAt(5.2, 11.2), 890, levels), es), 1},
		"that too, out of step":  {judgeSound(sound(shaken(burstsAt(5.2, 11.2)), 890, levels), es), 1},
		"no sound":               {judgeSound(sound(nil, 880, levels), es), 1},
		"current not read":       {judgeValues(blind, truth), 75},
		"wrong where it is read": {judgeValues(rare, truth), 1},
		"pressure wrong besides": {judgeValues(wrong, truth), 1},
		"glass not read":         {judgeValues(cold, truth), 1},
		"a long end":             {judgeEnd([]event{{1, "daemon asked to end"}, {41, "daemon ended: exit status 0"}}), 75},
		"an end in error":        {judgeEnd([]event{{1, "daemon asked to end"}, {2, "daemon ended: exit status 1"}}), 1},
	} {
		if got := code(c.found, busy); got != c.want {
			t.Errorf("%s: code %d on a busy host, want %d: %v", name, got, c.want, c.found)
		}
		if got := code(c.found, host{late: 105, ran: 145e3, waited: 44e3}); c.want != 0 && got != 1 {
			t.Errorf("%s: code %d on a host at rest, want 1", name, got)
		}
	}
	if h, err := readHost(t.TempDir() + "/held"); err != nil || h.held() {
		t.Errorf("nothing written: %+v, %v", h, err)
	}
}
