package certificate

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/calib/chain"
	"tipoff/calib/strict"
)

var day = time.Date(2026, 11, 25, 14, 5, 0, 0, time.UTC)

// glass is a whole certificate of the demo bench's thermocouple.
func glass(t testing.TB) Certificate {
	t.Helper()
	c := Certificate{
		Channel: "glass", Role: "glass", Procedure: "ice, boiling", Date: day, Due: day.AddDate(1, 0, 0), Who: `M. "Em" \ Operator`,
		Instrument: Instrument{Name: "bench barometer", Serial: "B-7", Limit: 0.5, Due: day.AddDate(0, 6, 0)},
		Barometer:  100300, Room: 21.5, Drift: 1, Change: math.NaN(), Note: "junction in a glass sleeve",
		Points: []Point{
			{Reference: 0, Indicated: 0.4, U: 0.07, Note: "ice"},
			{Reference: 99.69, Indicated: 100.9, U: 0.13, Note: "boiling at 1003 hPa"},
		},
	}
	var err error
	if c.Fit, err = Solve(c.Points, Linear); err != nil {
		t.Fatal(err)
	}
	return c
}

func pressure(t testing.TB, kind Kind, points ...Point) Certificate {
	t.Helper()
	c := Certificate{Channel: "manifold", Role: "pressure", Procedure: "utube", Date: day, Due: day.AddDate(0, 6, 0), Who: "Em", Room: math.NaN(), Change: math.NaN(), Drift: 0.02, Points: points}
	var err error
	if c.Fit, err = Solve(points, kind); err != nil {
		t.Fatal(err)
	}
	return c
}

func all(t testing.TB) []Certificate {
	current := Certificate{Channel: "bombarder", Role: "current", Procedure: "clamp", Date: day, Due: day.AddDate(1, 0, 0), Who: "Em", Room: 20, Drift: 0.005, Change: 0.001, Drifting: true,
		Points: []Point{{Reference: 0.1, Indicated: 0.098, U: 0.002}, {Reference: 0.3, Indicated: 0.294, U: 0.004}, {Reference: 0.61, Indicated: 0.6, U: 0.008}}}
	var err error
	if current.Fit, err = Solve(current.Points, Ratio); err != nil {
		t.Fatal(err)
	}
	offset := glass(t)
	offset.Points = offset.Points[:1]
	if offset.Fit, err = Solve(offset.Points, Offset); err != nil {
		t.Fatal(err)
	}
	return []Certificate{
		glass(t), offset, current,
		pressure(t, ZeroSpan, Point{Reference: 0, Indicated: 1.25, U: 0.2}, Point{Reference: 1333.22368, Indicated: 1350, U: 4}, Point{Reference: 2000, Indicated: 2022, U: 5}),
		pressure(t, Factor, Point{Reference: 101325, Indicated: 98000, U: 200}),
		pressure(t, LogLinear, Point{Reference: 133, Indicated: 140, U: 5}, Point{Reference: 101325, Indicated: 98000, U: 200}),
	}
}

// same compares certificates with NaN equal to NaN.
func same(a, b Certificate) bool {
	for _, x := range []*float64{&a.Room, &b.Room, &a.Change, &b.Change, &a.ChangeU, &b.ChangeU} {
		if math.IsNaN(*x) {
			*x = -12345
		}
	}
	a.Fit, b.Fit = Fit{Kind: a.Fit.Kind}, Fit{Kind: b.Fit.Kind}
	return reflect.DeepEqual(a, b)
}

func TestRoundTrip(t *testing.T) {
	for _, c := range all(t) {
		text := c.Encode()
		got, err := Parse("c.toml", text)
		if err != nil {
			t.Errorf("%s: %v\n%s", c.Fit.Kind, err, text)
			continue
		}
		if !same(got, c) {
			t.Errorf("%s comes back as\n%+v, want\n%+v\n%s", c.Fit.Kind, got, c, text)
		}
		if !reflect.DeepEqual(got.Fit, c.Fit) {
			t.Errorf("%s: fit %+v, want %+v", c.Fit.Kind, got.Fit, c.Fit)
		}
		if !bytes.Equal(got.Encode(), text) {
			t.Errorf("%s: the text changes", c.Fit.Kind)
		}
	}
}

func TestBadFiles(t *testing.T) {
	good := encoded(t)
	for name, c := range map[string]struct{ old, new, want string }{
		"unknown role":     {`role = "glass"`, `role = "mood"`, "role"},
		"no role":          {`role = "glass"`, ``, "role"},
		"misspelt":         {`who = `, `whoo = `, "did you mean who"},
		"wrong unit":       {`reference = "0 °C"`, `reference = "0 Torr"`, "c.toml:"},
		"no unit":          {`reference = "0 °C"`, `reference = 0`, "in quotes"},
		"bad date":         {`date = "2026-11-25T14:05:00Z"`, `date = "yesterday"`, "2026-11-25T14:05:00Z"},
		"due before":       {`due = "2027-11-25T14:05:00Z"`, `due = "2025-11-25T14:05:00Z"`, "due"},
		"altered fit":      {`gain = 0.`, `gain = 0.9`, "do not follow"},
		"altered point":    {`"100.9 °C"`, `"101.9 °C"`, "do not follow"},
		"swapped columns":  {`indicated = "100.9 °C"`, `indicated = "-3 °C"`, "not monotone"},
		"NaN":              {`gain = `, "gain = nan #", "gain"},
		"channel's folder": {`channel = "glass"`, `channel = "../glass"`, "channel"},
		"other version":    {`version = 1`, `version = 2`, "version"},
		"other kind":       {`kind = "linear"`, `kind = "ratio"`, "kind"},
	} {
		bad := strings.Replace(good, c.old, c.new, 1)
		if bad == good {
			t.Errorf("%s: nothing replaced", name)
			continue
		}
		_, err := Parse("c.toml", []byte(bad))
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "c.toml") {
			t.Errorf("%s: %v; want the file and %q", name, err, c.want)
		}
		if err != nil && strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: more than one line: %q", name, err)
		}
	}
	if _, err := Parse("c.toml", nil); err == nil {
		t.Error("an empty file is accepted")
	}
	var se *strict.Error
	if _, err := Parse("c.toml", make([]byte, maxSize+1)); !errors.As(err, &se) {
		t.Errorf("a huge file: %v", err)
	}
}

func TestWriteNeverOverwrites(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "certificates")
	c := glass(t)
	first, err := Write(dir, c)
	if err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(first)
	if err != nil {
		t.Fatal(err)
	}
	c.Note = "again"
	second, err := Write(dir, c)
	if err != nil || second == first {
		t.Fatalf("the second file is %s (%v)", second, err)
	}
	after, err := os.ReadFile(first)
	if err != nil || !bytes.Equal(before, after) {
		t.Errorf("the first file changed (%v)", err)
	}
	got, err := Latest(dir, "glass")
	if err != nil || got == nil || got.Note != "again" {
		t.Errorf("latest is %+v (%v), want the second", got, err)
	}
	if filepath.Base(second) != "glass-20261125T140500Z-002.toml" {
		t.Errorf("second file is %s", second)
	}
}

func TestLatest(t *testing.T) {
	dir := t.TempDir()
	if c, err := Latest(filepath.Join(dir, "none"), "glass"); c != nil || err != nil {
		t.Errorf("no folder: %v, %v", c, err)
	}
	newer, older := glass(t), glass(t)
	older.Date, older.Note = older.Date.AddDate(-1, 0, 0), "older"
	for _, c := range []Certificate{newer, older, pressure(t, Factor, Point{Reference: 101325, Indicated: 98000, U: 200})} {
		if _, err := Write(dir, c); err != nil {
			t.Fatal(err)
		}
	}
	c, err := Latest(dir, "glass")
	if err != nil || c == nil || !c.Date.Equal(day) {
		t.Errorf("latest %+v (%v)", c, err)
	}
	// A damaged file of the channel is told of, and the rest still counts.
	if err := os.WriteFile(filepath.Join(dir, "glass-20991125T140500Z-001.toml"), []byte("channel ="), 0o644); err != nil {
		t.Fatal(err)
	}
	c, err = Latest(dir, "glass")
	if err == nil || c == nil || !c.Date.Equal(day) {
		t.Errorf("with a damaged file: %+v, %v; want the certificate and the trouble", c, err)
	}
	if _, err := Latest(dir, "manifold"); err != nil {
		t.Errorf("the damaged file of another channel: %v", err)
	}
}

func TestWriteRefuses(t *testing.T) {
	for name, spoil := range map[string]func(*Certificate){
		"path":      func(c *Certificate) { c.Channel = "../../etc/passwd" },
		"newline":   func(c *Certificate) { c.Who = "Em\nchannel = 1" },
		"nobody":    func(c *Certificate) { c.Who = " " },
		"other fit": func(c *Certificate) { c.Fit.C[1] *= 1.01 },
		"no points": func(c *Certificate) { c.Points = nil },
		"no due":    func(c *Certificate) { c.Due = time.Time{} },
		"NaN drift": func(c *Certificate) { c.Drift = math.NaN() },
		"long":      func(c *Certificate) { c.Note = strings.Repeat("x", maxText+1) },
		// Sound in themselves, but no file with them would be read again.
		"limit over 100 %": func(c *Certificate) { c.Instrument.Fraction = 1.2 },
		"hot room":         func(c *Certificate) { c.Room = 500 },
		"barometer":        func(c *Certificate) { c.Barometer = 1e6 },
	} {
		dir := t.TempDir()
		c := glass(t)
		spoil(&c)
		if _, err := Write(dir, c); err == nil {
			t.Errorf("%s: written", name)
		}
		if entries, _ := os.ReadDir(dir); len(entries) > 0 {
			t.Errorf("%s: left %v", name, entries)
		}
	}
}

func TestDue(t *testing.T) {
	c := glass(t)
	if over, in := c.DueIn(day); over || in != 365*24*time.Hour {
		t.Errorf("on its day: %v, %v", over, in)
	}
	if over, in := c.DueIn(c.Due.Add(time.Hour)); !over || in != -time.Hour {
		t.Errorf("an hour late: %v, %v", over, in)
	}
}

func TestCompare(t *testing.T) {
	now, before := glass(t), glass(t)
	now.Compare(nil)
	if !math.IsNaN(now.Change) || now.Drifting {
		t.Errorf("first: %v, %v", now.Change, now.Drifting)
	}
	now.Compare(&before)
	if now.Change != 0 || now.Drifting {
		t.Errorf("the same: %v, %v", now.Change, now.Drifting)
	}
	before.Points = []Point{{Reference: 0, Indicated: -1.6, U: 0.07}, {Reference: 99.69, Indicated: 98.9, U: 0.13}}
	var err error
	if before.Fit, err = Solve(before.Points, Linear); err != nil {
		t.Fatal(err)
	}
	now.Compare(&before)
	// Before, 2 °C lower was indicated for the same: the correction fell by about 2 K.
	if math.Abs(now.Change+2) > 0.05 || !now.Drifting {
		t.Errorf("2 K of change: %v, %v", now.Change, now.Drifting)
	}
}

// fixed is a chain that always gives the same value.
type fixed struct {
	chain.Chain
	v calib.Value
}

func (f *fixed) Take(time.Duration) (value, indicated calib.Value, samples int) {
	return f.v, f.v, 1
}

func TestCorrect(t *testing.T) {
	c := pressure(t, ZeroSpan, Point{Reference: 0, Indicated: 1, U: 0.3}, Point{Reference: 1000, Indicated: 981, U: 3})
	inner := &fixed{v: calib.Value{X: 491, U: 5, Q: calib.Uncalibrated | calib.TooFast}}
	now := day
	trusted := true
	ch := Correct(inner, c, func() (time.Time, bool) { return now, trusted })
	v, ind, n := ch.Take(0)
	span := 1000.0 / 980
	// By hand: y = (491-1)·span = 500; u² = (5·span)² + fit², fit at the middle of
	// two points = √((0.3/2)² + (3/2)²); no age.
	wantU := math.Sqrt(25*span*span + 0.15*0.15 + 1.5*1.5)
	if math.Abs(v.X-500) > 1e-9 || math.Abs(v.U-wantU) > 1e-3 || v.Q != calib.TooFast || ind != inner.v || n != 1 {
		t.Errorf("%+v %+v %d; want 500 ± %v, too fast", v, ind, n, wantU)
	}
	now = c.Due.Add(time.Hour)
	late, _, _ := ch.Take(0)
	if late.Q != calib.TooFast|calib.Overdue || !(late.U > v.U) {
		t.Errorf("overdue: %+v", late)
	}
	// Half a year at 2 % a year of 500 Pa: 5 Pa as a limit.
	if want := math.Hypot(v.U, 5/math.Sqrt(3)); math.Abs(late.U-want) > 0.02 {
		t.Errorf("overdue u %v, want %v", late.U, want)
	}
	trusted = false
	if unknown, _, _ := ch.Take(0); unknown.Q&calib.Overdue != 0 || math.Abs(unknown.U-late.U) > 0.01 {
		t.Errorf("no wall time: %+v; want the full age and no verdict", unknown)
	}
	inner.v.U = math.NaN()
	if v, _, _ := ch.Take(0); !(v.U > 1.5) {
		t.Errorf("inner u not known: %+v", v)
	}
	inner.v = calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.SensorFault}
	if v, _, _ := ch.Take(0); v.Q != calib.SensorFault || v.X == v.X {
		t.Errorf("fault: %+v", v)
	}
}

// A waveform's chain is still one, so that its meter can be read.
func TestCorrectKeepsWaveform(t *testing.T) {
	inner, err := chain.New("current", chain.Spec{Kind: chain.SpecCurrent, Params: chain.Params{Ratio: 1000, Burden: 820}},
		chain.Input{Kind: chain.Voltage, Scale: 1e-3, Interval: 250 * time.Microsecond, Waveform: true}, 50)
	if err != nil {
		t.Fatal(err)
	}
	want, ok := inner.(chain.Waveform)
	if !ok {
		t.Fatal("the chain of a current has no meter")
	}
	if got, ok := Correct(inner, all(t)[2], nil).(chain.Waveform); !ok || got.Meter() != want.Meter() {
		t.Error("corrected, the meter is gone")
	}
	if _, ok := Correct(&fixed{}, glass(t), nil).(chain.Waveform); ok {
		t.Error("a thermometer has become a waveform")
	}
}

func TestCorrectAllocatesNothing(t *testing.T) {
	ch := Correct(&fixed{v: calib.Value{X: 491, U: 5}}, pressure(t, LogLinear,
		Point{Reference: 133, Indicated: 140, U: 5}, Point{Reference: 101325, Indicated: 98000, U: 200}), func() (time.Time, bool) { return day, true })
	if n := testing.AllocsPerRun(100, func() { ch.Take(0) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkCorrect(b *testing.B) {
	ch := Correct(&fixed{v: calib.Value{X: 491, U: 5}}, pressure(b, LogLinear,
		Point{Reference: 133, Indicated: 140, U: 5}, Point{Reference: 101325, Indicated: 98000, U: 200}), nil)
	b.ReportAllocs()
	for b.Loop() {
		ch.Take(0)
	}
}

// Whatever is accepted can be written again and means the same.
func FuzzParse(f *testing.F) {
	for _, c := range append(all(f), lagged(f)) {
		f.Add(c.Encode())
	}
	f.Add([]byte("version = 1\nrole = \"glass\"\n[[point]]\nreference = \"nan °C\""))
	f.Add([]byte("[fit]\nkind = 3"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse("f.toml", data)
		if err != nil {
			if strings.TrimSpace(err.Error()) == "" {
				t.Error("an error without words")
			}
			return
		}
		again, err := Parse("f.toml", c.Encode())
		if err != nil || !same(again, c) {
			t.Errorf("comes back as %+v (%v), want %+v", again, err, c)
		}
	})
}

// Points of any kind give a fit of finite numbers or a refusal, and what a fit
// corrects it can undo.
func FuzzSolve(f *testing.F) {
	f.Add(uint8(0), 0.0, 0.4, 100.0, 100.7, 200.0, 201.0, 0.1)
	f.Add(uint8(5), 1.0, 1.1, 100.0, 103.0, 1e5, 9.8e4, 2.0)
	f.Add(uint8(6), 0.1, 0.1, 0.2, 0.2, 0.3, 0.31, 0.01)
	kinds := []Kind{Offset, Linear, Quadratic, ZeroSpan, Factor, LogLinear, Ratio, "none"}
	f.Fuzz(func(t *testing.T, k uint8, r1, x1, r2, x2, r3, x3, u float64) {
		points := []Point{{r1, x1, u, ""}, {r2, x2, u, ""}, {r3, x3, u, ""}, {r1 + r2 + r3, x1 + x2 + x3, u, ""}}
		kind := kinds[int(k)%len(kinds)]
		fit, err := Solve(points, kind)
		if err != nil {
			var r *Refusal
			if !errors.As(err, &r) || r.Reason == "" || r.Do == "" {
				t.Errorf("refused without reason: %v", err)
			}
			return
		}
		for _, p := range points {
			y, u := fit.Apply(p.Indicated)
			if !finite(y, u) {
				t.Errorf("%+v gives %v ± %v", p, y, u)
			}
			if back := fit.Undo(y); math.Abs(back-p.Indicated) > 1e-6*(1+math.Abs(p.Indicated)+math.Abs(y)) {
				t.Errorf("%s: %v undone is %v", fit, p.Indicated, back)
			}
		}
	})
}

func encoded(t testing.TB) string {
	c := glass(t)
	return string(c.Encode())
}
