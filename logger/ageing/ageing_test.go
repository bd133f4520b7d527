package ageing

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

func layout() *frame.Layout {
	return frame.NewLayout(100*time.Millisecond, []frame.Channel{
		{Name: "manifold", Role: frame.Pressure}, {Name: "glass", Role: frame.Glass}, {Name: "bombarder", Role: frame.Current},
		{Name: "supply", Role: frame.Current}, {Name: "light", Role: frame.Light}})
}

// at makes the bench's frame of a moment.
func at(s float64, amps, light, glass float64) *frame.Frame {
	f := &frame.Frame{Seq: uint64(s * 10), At: time.Duration(math.Round(s*10)) * 100 * time.Millisecond}
	for i, x := range []float64{1e5, glass, 0, amps, light} {
		f.Readings[i] = frame.Reading{Value: calib.Value{X: x, U: 0.01 * x}, Indicated: calib.Value{X: x, U: 0.01 * x}, Samples: 4}
		if x != x {
			f.Readings[i].Value = calib.Value{X: x, U: x, Q: calib.NoReading}
		}
	}
	return f
}

func TestRequest(t *testing.T) {
	r, err := ParseRequest("a", []byte("tube = \"PP-03\"\nrun = \"2026-11-25-001\"\ncurrent = \"50 mA\"\nevery = \"10 s\"\nhours = 8\nchannel = \"supply\"\n"))
	want := Request{Tube: "PP-03", Run: "2026-11-25-001", Current: 0.05, Every: 10 * time.Second, Hours: 8, Channel: "supply"}
	if err != nil || r != want {
		t.Errorf("%+v, %v", r, err)
	}
	text, err := r.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if again, err := ParseRequest("b", text); err != nil || again != want {
		t.Errorf("read back: %+v, %v\n%s", again, err, text)
	}
	for text, words := range map[string]string{
		``:                                           "the tube's name",
		`tube = "x" current = 3`:                     "a:1",
		"tube = \"x\"\ncurrent = \"9 A\"":            "a:2: current",
		"tube = \"x\"\nevery = \"2 h\"":              "a:2: every",
		"tube = \"x\"\nhours = 900":                  "a:2: hours",
		"tube = \"x\"\nhuors = 9":                    "did you mean hours",
		"tube = \"" + strings.Repeat("x", 90) + "\"": "at most 80 characters",
	} {
		if _, err := ParseRequest("a", []byte(text)); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%q: %v; want %q", text, err, words)
		}
	}
}

func FuzzRequest(f *testing.F) {
	f.Add([]byte("tube = \"PP-03\"\ncurrent = \"50 mA\"\nevery = \"10 s\"\nhours = 8\n"))
	f.Add([]byte("run = \"x\"\ndone_hours = 1e300\n"))
	f.Add([]byte("tube = 1\n[x]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := ParseRequest("a", data)
		if err != nil {
			return
		}
		if r.Every < LeastEvery || r.Every > MostEvery || !(r.Hours >= 0 && r.Hours <= MostHours) || r.Tube == "" && r.Run == "" {
			t.Fatalf("taken: %+v", r)
		}
		text, err := r.Encode()
		if err != nil {
			t.Fatal(err)
		}
		again, err := ParseRequest("b", text)
		if err != nil || again.Tube != r.Tube || again.Every != r.Every || math.Abs(again.Current-r.Current) > 1e-9 {
			t.Fatalf("%+v, read back %+v, %v", r, again, err)
		}
	})
}

func TestAskAndEnd(t *testing.T) {
	dir := t.TempDir()
	if _, err := Wanted(dir); !errors.Is(err, ErrNone) {
		t.Error(err)
	}
	r := Request{Tube: "PP-03", Every: DefaultEvery}
	if err := Ask(dir, r); err != nil {
		t.Fatal(err)
	}
	if err := Ask(dir, r); !errors.Is(err, ErrBusy) {
		t.Error(err)
	}
	if got, err := Wanted(dir); err != nil || got != r {
		t.Errorf("%+v, %v", got, err)
	}
	if err := errors.Join(End(dir)); err != nil {
		t.Error(err)
	}
	if err := End(dir); !errors.Is(err, ErrNone) {
		t.Error(err)
	}
}

// A recorded frame is the mean of its interval, with the least and the greatest of
// light and of the tube's current beside it; what was not read leaves no hole.
func TestReducer(t *testing.T) {
	d, err := NewReducer(layout(), &Request{Every: 2 * time.Second, Current: 0.05, Channel: "supply"})
	if err != nil {
		t.Fatal(err)
	}
	names := ""
	for _, c := range d.Layout.Channels {
		names += c.Name + " "
	}
	if names != "manifold glass bombarder supply light light-min light-max supply-min supply-max " {
		t.Error(names)
	}
	var got []frame.Frame
	for i := range 61 {
		s := 100 + float64(i)/10
		light := 0.4 + 0.1*float64(i%2) // mean 0.45
		glass := math.NaN()
		if i%4 == 0 {
			glass = 50
		}
		if f, _ := d.Step(at(s, 0.05+0.001*float64(i%5-2), light, glass)); f != nil {
			got = append(got, *f)
		}
	}
	if len(got) != 3 {
		t.Fatalf("%d frames in 6 s at one each 2 s", len(got))
	}
	for i, f := range got {
		want := []float64{1e5, 50, 0, 0.05, 0.45, 0.4, 0.5, 0.048, 0.052}
		for j, x := range want {
			if v := f.Readings[j].Value; !v.Good() || math.Abs(v.X-x) > 0.006*math.Abs(x)+1e-12 {
				t.Errorf("frame %d, channel %s: %v, want %v", i, d.Layout.Channels[j].Name, v, x)
			}
		}
		if u := f.Readings[3].Value.U; math.Abs(u-0.0005) > 1e-5 {
			t.Errorf("uncertainty of the mean current %v: the calibration's does not average out", u)
		}
		if f.Seq != uint64(i+1) || f.At != time.Duration(102+2*i)*time.Second {
			t.Errorf("frame %d: seq %d at %v", i, f.Seq, f.At)
		}
	}
	if _, err := NewReducer(layout(), &Request{Every: time.Second, Channel: "light"}); err == nil {
		t.Error("light was taken for the current")
	}
}

func TestReducerTellsATubeThatGoesOut(t *testing.T) {
	d, err := NewReducer(layout(), &Request{Every: time.Second, Current: 0.05, Channel: "supply"})
	if err != nil {
		t.Fatal(err)
	}
	var told []string
	for i := range 600 {
		s := 10 + float64(i)/10
		amps := 0.05
		switch {
		case i < 100: // not switched on yet: it has not gone out
			amps = 0
		case i >= 200 && i < 205: // half a second: a flicker
			amps = 0
		case i >= 300 && i < 350:
			amps = 0.002
		case i >= 400 && i < 450:
			amps = math.NaN() // the sensor: not known
		}
		switch _, c := d.Step(at(s, amps, 0.4, 40)); c {
		case WentOut:
			told = append(told, "out")
			if s < 40.9-1e-9 || s > 41.1 { // a second after the last frame in which it burnt
				t.Errorf("out told at %v s, burnt last at 39.9", s)
			}
		case CameBack:
			told = append(told, "back")
		}
	}
	if strings.Join(told, " ") != "out back" {
		t.Error(told)
	}
	// 50 s less 5.5 s out and 5 s not known.
	if b := d.Burnt().Seconds(); math.Abs(b-39.5) > 0.6 {
		t.Errorf("burnt %v s", b)
	}
}

// Light that collapses for long while the current flows is told, once each way;
// what snakes, what goes out, and what nobody can see, is not.
func TestReducerTellsALightThatCollapses(t *testing.T) {
	d, err := NewReducer(layout(), &Request{Every: time.Second, Current: 0.05, Channel: "supply"})
	if err != nil {
		t.Fatal(err)
	}
	type told struct {
		c Change
		s float64
	}
	var all []told
	for i := range 3000 {
		s := 10 + float64(i)/10
		amps, light := 0.05, 0.3+0.0003*s // comes up as it ages
		switch {
		case s >= 60 && s < 80 && i%20 < 15: // snakes: 1.5 s away, half a second there
			light = 0.02
		case s >= 100 && s < 104: // gone too shortly
			light = 0.01
		case s >= 120 && s < 140: // covered
			light = 0.05
		case s >= 160 && s < 180:
			light = math.NaN()
		case s >= 200 && s < 220: // out, and dark with it
			amps, light = 0, 0
		case s >= 240 && s < 260: // nobody knows whether it burns
			amps, light = math.NaN(), 0
		}
		if _, c := d.Step(at(s, amps, light, 40)); c != NoChange {
			all = append(all, told{c, s})
		}
		if d.Dim() != (s > 124.85 && s < 144.85) {
			t.Fatalf("%.1f s: dim %v", s, d.Dim())
		}
	}
	want := []told{{LightGone, 125}, {LightBack, 145}, {WentOut, 201}, {CameBack, 220}}
	if len(all) != len(want) {
		t.Fatalf("%v", all)
	}
	for i := range want {
		if all[i].c != want[i].c || math.Abs(all[i].s-want[i].s) > 0.11 {
			t.Errorf("%d: %v, want %v", i, all[i], want[i])
		}
	}
}

// A tube that had burnt before a power cut and does not burn after it is out.
func TestReducerAfterAPowerCut(t *testing.T) {
	for done, want := range map[float64]Change{0: NoChange, 0.5: WentOut} {
		d, err := NewReducer(layout(), &Request{Every: time.Second, Current: 0.05, Channel: "supply", Done: done})
		if err != nil {
			t.Fatal(err)
		}
		got := NoChange
		for i := range 50 {
			if _, c := d.Step(at(10+float64(i)/10, 0, 0, 20)); c != NoChange {
				got = c
			}
		}
		if got != want || d.Burnt() != 0 {
			t.Errorf("%v h done: change %v, want %v; burnt %v", done, got, want, d.Burnt())
		}
	}
}

func TestReducerAllocatesNothing(t *testing.T) {
	d, err := NewReducer(layout(), &Request{Every: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	f := at(1, 0.05, 0.4, 40)
	if n := testing.AllocsPerRun(1000, func() {
		f.At += 100 * time.Millisecond
		d.Step(f)
	}); n != 0 {
		t.Errorf("%v allocations a frame", n)
	}
}

func BenchmarkReducer(b *testing.B) {
	d, err := NewReducer(layout(), &Request{Every: 5 * time.Second})
	if err != nil {
		b.Fatal(err)
	}
	f := at(1, 0.05, 0.4, 40)
	b.ReportAllocs()
	for b.Loop() {
		f.At += 100 * time.Millisecond
		d.Step(f)
	}
}

// record writes an ageing run of the given length, s, as the daemon does.
func record(t *testing.T, r Request, length float64, of func(s float64) (amps, light, glass float64)) string {
	t.Helper()
	l := frame.NewLayout(100*time.Millisecond, layout().Channels)
	d, err := NewReducer(l, &r)
	if err != nil {
		t.Fatal(err)
	}
	text, err := r.Encode()
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "2026-11-25-002")
	w, err := journal.Create(dir, journal.Meta{ID: "2026-11-25-002", BenchName: "bench-1", Tube: r.Tube, Kind: Kind, Request: string(text), BootID: "b",
		Started: journal.At(0, time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC), true)}, d.Layout, journal.Options{Patient: true})
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; float64(i)/10 <= length; i++ {
		f, c := d.Step(at(float64(i)/10, first(of(float64(i)/10)), second(of(float64(i)/10)), third(of(float64(i)/10))))
		if c == WentOut {
			w.Event(journal.Event{At: time.Duration(i) * 100 * time.Millisecond, Kind: journal.Note, ID: EventOut})
		}
		if f != nil {
			w.Append(f, phase.Age)
		}
	}
	if err := w.Seal(func(m *journal.Meta) { m.Outcome = journal.Completed }); err != nil {
		t.Fatal(err)
	}
	return dir
}

func first(a, _, _ float64) float64  { return a }
func second(_, b, _ float64) float64 { return b }
func third(_, _, c float64) float64  { return c }

// Eight hours: light that comes up as 1 − 0.3 exp(−t/1 h). Its slope over the second
// half, from 4 h to 8 h, is by closed form that of a straight line of least squares
// through it: for y on [a, b] of length L and middle m it is 12/L³ ∫(t−m) y dt, and
// ∫(t−6) e^−t dt = −(t−5) e^−t.
func TestAccountOfEightHours(t *testing.T) {
	if testing.Short() {
		t.Skip("writes 288,000 bench frames")
	}
	dir := record(t, Request{Tube: "PP-03", Current: 0.05, Every: 5 * time.Second, Hours: 8, Channel: "supply"}, 8*3600, func(s float64) (amps, light, glass float64) {
		return 0.052, 0.5 * (1 - 0.3*math.Exp(-s/3600)) * (1 + 0.01*math.Sin(2*math.Pi*s)), 22 + 26*(1-math.Exp(-s/300))
	})
	a, err := Make(dir)
	if err != nil {
		t.Fatal(err)
	}
	near := func(what string, got, want, most float64) {
		if !(math.Abs(got-want) <= most) {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	near("frames", float64(len(a.Points)), 5760, 2)
	slope := 12.0 / 64 * 0.3 * (3*math.Exp(-8) + math.Exp(-4))
	near("drift", a.Drift, 100*slope/(1-0.3*(math.Exp(-4)-math.Exp(-8))/4), 0.002)
	near("burnt", a.Burnt, 8*3600, 15)
	near("current", a.Current, 0.052, 1e-6)
	near("uncertainty of the current", a.CurrentU, 0.00052, 1e-7)
	near("flicker", a.Flicker, 2, 0.1) // ±1 %
	near("glass", a.GlassMost, 48, 0.1)
	near("first light", a.LightFirst, 0.5*(1-0.3*6*(1-math.Exp(-1.0/6))), 1e-3) // mean of the first ten minutes
	if a.Overall != "within" || len(a.Findings) != 4 {
		t.Errorf("%s: %s", a.Overall, a.Text)
	}
	var size int64
	for _, name := range []string{"frames.lp.zst", "run.toml"} {
		st, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		size += st.Size()
	}
	t.Logf("eight hours: %d frames in %d bytes", len(a.Points), size)
	if size > 1<<20 {
		t.Errorf("eight hours take %d bytes", size)
	}
}

func TestVerdictsOfShortRuns(t *testing.T) {
	dir := record(t, Request{Tube: "PP-03", Current: 0.05, Every: 5 * time.Second, Hours: 1}, 300, func(s float64) (amps, light, glass float64) {
		if s > 100 {
			return 0.03, math.NaN(), math.NaN()
		}
		return 0.03, 0.5, 40
	})
	// The bench's first current channel is another one, which reads nothing.
	a, err := Make(dir)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{LimitCurrent: "not known", LimitTime: "outside", LimitLight: "not known", LimitBurning: "within"}
	for _, f := range a.Findings {
		if want[f.Limit] != f.Verdict {
			t.Errorf("%s: %s (%s)", f.Limit, f.Verdict, f.Text)
		}
	}
	text, err := a.Render("sheet.txt")
	if err != nil || !strings.Contains(string(text), "OUTSIDE: Time burnt: 0.00 h, wanted 1 h") {
		t.Errorf("%v\n%s", err, text)
	}
	for x, want := range map[float64]string{0.0: "within", 0.95: "marginal", 1.05: "marginal", 1.2: "outside", -1.2: "outside"} {
		if got := verdict(x, 0.05, -1, 1); got != want {
			t.Errorf("%v ± 0.05 against ±1: %s, want %s", x, got, want)
		}
	}
}
