package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/influxdata/line-protocol/v2/lineprotocol"
	"go.uber.org/goleak"

	"tipoff/calib"
	"tipoff/calib/gauge"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv("TIPOFF_JOURNAL_CHILD"); dir != "" {
		child(dir)
		return
	}
	goleak.VerifyTestMain(m)
}

func testLayout() *frame.Layout {
	return frame.NewLayout(100*time.Millisecond, []frame.Channel{
		{Name: "manifold", Role: frame.Pressure, Driver: "ads1115", Device: "ADS1115 on /dev/i2c-1 at 0x48", Input: "ain0", Integer: true, Range: gauge.Range{Low: 0.1, High: 1e5}},
		{Name: "glass", Role: frame.Glass, Driver: "max31856", Device: "MAX31856 on /dev/spidev0.0", Integer: true, HasAux: true},
		{Name: "current", Role: frame.Current, Driver: "ads1115", Device: "ADS1115 on /dev/i2c-1 at 0x48", Input: "ain1", Integer: true},
		{Name: "room", Role: frame.Ambient, Driver: "number", Device: "meter", Integer: false},
	})
}

var start = At(1000*time.Second, time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC), true)

func testMeta() Meta {
	return Meta{
		ID: "2026-11-25-001", BenchName: "bench-1", Tube: "PP-01", Started: start, Software: "test",
		BootID: "3f2a91c0-0000-4000-8000-000000000000", Card: "name = \"PP-01\"\ngas = \"neon\"\n", Bench: "[bench]\nname = \"bench-1\"\n",
	}
}

// testFrame is the i-th frame: a made-up but plausible bench, with noise that a
// deterministic generator makes, absent readings now and then, and qualities.
func testFrame(i int) *frame.Frame {
	f := &frame.Frame{Seq: uint64(i), At: start.Mono() + time.Duration(i)*100*time.Millisecond + time.Duration(noise(i, 9)*1e5),
		Gas: []gauge.Gas{gauge.Air, gauge.Moist, gauge.Neon}[i/40%3], GasKnown: true}
	t := float64(i) / 10
	set := func(c int, x, u, raw, aux float64, n int32) {
		v := calib.Value{X: x, U: u}
		f.Readings[c] = frame.Reading{Value: v, Indicated: v, Raw: raw, Aux: aux, Samples: n}
	}
	code := math.Round(12000 + 4000*math.Sin(t/60) + 6*noise(i, 1))
	p := 200 * math.Exp(code/16000)
	set(0, p, 0.08*p, code, math.NaN(), 12)
	tc := math.Round((25+200*(1-math.Exp(-t/120)))*128 + noise(i, 2))
	set(1, tc/128, 1.4, tc, 1616+math.Round(noise(i, 3)), 1)
	f.Readings[1].Value.X += 0.37 * math.Exp(-t/120) // lag corrected
	a := math.Round(3000 + 20*noise(i, 4))
	set(2, a*1.25e-5, 2.5e-4, a, math.NaN(), 86)
	set(3, 21.5, 0.5, 21.5, math.NaN(), 1)
	if i%50 == 49 {
		f.Readings[2] = frame.Reading{
			Value:     calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.NoReading},
			Indicated: calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.NoReading}, Raw: math.NaN(), Aux: math.NaN(),
		}
	}
	if i%70 == 3 {
		f.Readings[0].Value.Q = calib.Correcting
	}
	return f
}

// noise is roughly normal, mean 0, deviation 1.
func noise(i, k int) float64 {
	x := uint64(i)*0x9e3779b97f4a7c15 + uint64(k)*0xbf58476d1ce4e5b9
	s := 0.0
	for range 4 {
		x ^= x >> 30
		x *= 0xbf58476d1ce4e5b9
		x ^= x >> 27
		x *= 0x94d049bb133111eb
		s += float64(x>>11)/(1<<53) - 0.5
	}
	return s * math.Sqrt(3)
}

func testPhase(i int) phase.ID {
	return []phase.ID{phase.Evacuate, phase.AdmitAir, phase.Bombard}[i/40%3]
}

// near compares frames: values to the hundredth of their uncertainty that the
// file keeps, everything else exactly.
func near(got, want *frame.Frame) string {
	g, w := *got, *want
	for i := range w.Readings {
		for _, v := range [][2]*calib.Value{{&g.Readings[i].Value, &w.Readings[i].Value}, {&g.Readings[i].Indicated, &w.Readings[i].Indicated}} {
			if math.Abs(v[0].X-v[1].X) <= v[1].U/200*1.0001 {
				v[0].X = v[1].X
			}
			if math.Abs(v[0].U-v[1].U) <= v[1].U/200*1.0001 {
				v[0].U = v[1].U
			}
		}
	}
	equal := g.Seq == w.Seq && (g.At-w.At).Abs() <= stampStep/2 && g.Gas == w.Gas && g.GasKnown == w.GasKnown
	for i := range w.Readings {
		a, b := &g.Readings[i], &w.Readings[i]
		equal = equal && same(a.Value.X, b.Value.X) && same(a.Value.U, b.Value.U) && a.Value.Q == b.Value.Q &&
			same(a.Indicated.X, b.Indicated.X) && same(a.Indicated.U, b.Indicated.U) && a.Indicated.Q == b.Indicated.Q &&
			same(a.Raw, b.Raw) && same(a.Aux, b.Aux) && a.Samples == b.Samples
	}
	if equal {
		return ""
	}
	return "not equal\n" + cmp.Diff(w, g, cmpopts.EquateNaNs())
}

type content struct {
	frames []frame.Frame
	phases []phase.ID
	events []Event
	damage []Lost
}

func readAll(t testing.TB, dir string) content {
	t.Helper()
	m, err := LoadMeta(dir)
	if err != nil {
		t.Fatal(err)
	}
	return readLines(t, dir, m)
}

// readLines spares the parsing of run.toml where a test reads a run often.
func readLines(t testing.TB, dir string, m *Meta) content {
	t.Helper()
	r, err := open(dir, m)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var out content
	var rec Record
	for {
		err := r.Next(&rec)
		if errors.Is(err, io.EOF) {
			out.damage = r.Damage()
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		if rec.IsFrame {
			out.frames = append(out.frames, rec.Frame)
			out.phases = append(out.phases, rec.Phase)
		} else {
			out.events = append(out.events, rec.Event)
		}
	}
}

// check that every frame read is the one that was written.
func checkFrames(t testing.TB, got content) {
	t.Helper()
	for i := range got.frames {
		f := &got.frames[i]
		if d := near(f, testFrame(int(f.Seq))); d != "" {
			t.Fatalf("frame %d is another one than was written (-want +got):\n%s", f.Seq, d)
		}
		if got.phases[i] != testPhase(int(f.Seq)) {
			t.Fatalf("frame %d: phase %v, want %v", f.Seq, got.phases[i], testPhase(int(f.Seq)))
		}
		if i > 0 && f.Seq <= got.frames[i-1].Seq {
			t.Fatalf("frame %d after frame %d", f.Seq, got.frames[i-1].Seq)
		}
	}
}

// record makes a run of n frames, a block for each perBlock, and closes it.
func record(t testing.TB, dir string, n, perBlock int) {
	t.Helper()
	w, err := Create(dir, testMeta(), testLayout(), Options{Every: time.Hour, Patient: true})
	if err != nil {
		t.Fatal(err)
	}
	for i := range n {
		w.Append(testFrame(i), testPhase(i))
		if i%perBlock == perBlock-1 {
			if err := w.Sync(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestRoundTripAndSeal(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "2026-11-25-001")
	w, err := Create(dir, testMeta(), testLayout(), Options{Every: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	const n = 300
	for i := range n {
		w.Append(testFrame(i), testPhase(i))
		switch i {
		case 50:
			w.Event(Event{At: testFrame(i).At, Kind: AlarmRaised, ID: "glass-over-ceiling", Text: "glass 262 °C, \"ceiling\" 260 \\ °C\nsecond line"})
			w.Event(Event{At: testFrame(i).At, Kind: AlarmAcked, ID: "glass-over-ceiling"})
		case 90:
			w.Event(Event{At: testFrame(i).At, Kind: AlarmCleared, ID: "glass-over-ceiling"})
		case 120:
			if err := w.Update(func(m *Meta) error { m.Card = "name = \"PP-02\"\n"; m.Tube = "PP-02"; return nil }); err != nil {
				t.Fatal(err)
			}
		}
		if i%7 == 0 {
			if err := w.Sync(); err != nil {
				t.Fatal(err)
			}
		}
	}
	check := func() {
		t.Helper()
		got := readAll(t, dir)
		if len(got.frames) != n || len(got.damage) != 0 {
			t.Fatalf("read %d frames, damage %v; want %d, none", len(got.frames), got.damage, n)
		}
		checkFrames(t, got)
		var alarm []Event
		phases := 0
		for _, e := range got.events {
			switch e.Kind {
			case PhaseChanged:
				phases++
			case ClockAnchor:
				if !e.Wall.Equal(start.Wall) || !e.Trusted || e.At != start.Mono() {
					t.Errorf("clock anchor %+v, want %+v", e, start)
				}
			default:
				alarm = append(alarm, e)
			}
		}
		want := []Event{
			{At: testFrame(50).At, Kind: AlarmRaised, ID: "glass-over-ceiling", Text: "glass 262 °C, \"ceiling\" 260 \\ °C second line"},
			{At: testFrame(50).At, Kind: AlarmAcked, ID: "glass-over-ceiling"},
			{At: testFrame(90).At, Kind: AlarmCleared, ID: "glass-over-ceiling"},
		}
		if d := cmp.Diff(want, alarm); d != "" {
			t.Errorf("events (-want +got):\n%s", d)
		}
		if phases != 8 {
			t.Errorf("%d phase events, want 8", phases)
		}
	}
	if err := w.Sync(); err != nil {
		t.Fatal(err)
	}
	check() // while it is recorded
	if err := w.Seal(func(m *Meta) {
		m.Outcome = Completed
		m.Ended = At(start.Mono()+30*time.Second, start.Wall.Add(30*time.Second), true)
	}); err != nil {
		t.Fatal(err)
	}
	check() // after
	m, err := LoadMeta(dir)
	if err != nil {
		t.Fatal(err)
	}
	if m.Outcome != Completed || m.Tube != "PP-02" || m.Duration() != 30*time.Second || len(m.Phases) != 8 || len(m.Alarms) != 1 || len(m.Lost) != 0 {
		t.Errorf("run.toml: %+v", m)
	}
	if a := m.Alarms[0]; math.Abs(a.RaisedS-5) > 0.01 || math.Abs(a.AckS-5) > 0.01 || math.Abs(a.ClearedS-9) > 0.01 {
		t.Errorf("alarm %+v", a)
	}
	if d := cmp.Diff(testMeta().Bench, m.Bench); d != "" {
		t.Error(d)
	}
	publicTools(t, dir, n)
	if err := w.Seal(nil); err == nil {
		t.Error("sealing twice succeeds")
	}
	w.Append(testFrame(n), 0) // must do nothing
}

// need skips a test for want of a program, but fails it where all are required, as
// in CI.
func need(t *testing.T, program string) {
	t.Helper()
	_, err := exec.LookPath(program)
	if err != nil && os.Getenv("TIPOFF_REQUIRE_TOOLS") != "" {
		t.Fatalf("%s is needed: %v", program, err)
	}
	if err != nil {
		t.Skipf("%s is not there", program)
	}
}

// publicTools reads a sealed run as someone without tipoff would.
func publicTools(t *testing.T, dir string, frames int) {
	t.Helper()
	need(t, "sha256sum")
	cmd := exec.Command("sha256sum", "-c", "--strict", "SHA256SUMS")
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("sha256sum -c: %v\n%s", err, out)
	}
	if err := Verify(dir); err != nil {
		t.Error(err)
	}
	need(t, "zstd")
	text, err := exec.Command("zstd", "-dc", filepath.Join(dir, sealedName)).Output()
	if err != nil {
		t.Fatalf("zstd -dc: %v", err)
	}
	// The library's own decoder, strict about every part of every line.
	dec := lineprotocol.NewDecoderWithBytes(text)
	found := 0
	for dec.Next() {
		name, err := dec.Measurement()
		if err != nil {
			t.Fatal(err)
		}
		if string(name) == "frame" {
			found++
		}
		for {
			key, _, err := dec.NextTag()
			if err != nil {
				t.Fatal(err)
			}
			if key == nil {
				break
			}
		}
		seen := map[string]bool{}
		for {
			key, _, err := dec.NextField()
			if err != nil {
				t.Fatal(err)
			}
			if key == nil {
				break
			}
			if seen[string(key)] {
				t.Fatalf("field %s twice", key)
			}
			seen[string(key)] = true
		}
		if at, err := dec.Time(lineprotocol.Nanosecond, time.Time{}); err != nil || at.Before(start.Wall.Add(-time.Second)) || at.After(start.Wall.Add(time.Hour)) {
			t.Fatalf("time %v, %v", at, err)
		}
	}
	if found != frames {
		t.Errorf("zstd -dc gives %d frames, want %d", found, frames)
	}
	// Seals by an independent reading of the text.
	for i, block := range strings.SplitAfter(string(text), "\n# seal ") {
		if i > 0 && !strings.HasPrefix(block, fmt.Sprintf("n=%d ", i)) {
			t.Errorf("seal %d begins %.20q", i, block)
		}
	}
}

func TestUnknownClock(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "boot-3f2a91c0-001")
	m := testMeta()
	m.Started = At(20*time.Second, time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC), false)
	w, err := Create(dir, m, testLayout(), Options{Every: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	f := testFrame(1)
	f.At = 21 * time.Second
	w.Append(f, phase.Fill)
	w.Event(Event{At: 22 * time.Second, Kind: ClockAnchor, Wall: start.Wall, Trusted: true})
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "frames.lp"))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(text, []byte(" 21000000000\n")) {
		t.Errorf("the frame 21 s after boot is not stamped so:\n%s", text)
	}
	got := readAll(t, dir)
	if len(got.frames) != 1 || got.frames[0].At != 21*time.Second || got.phases[0] != phase.Fill {
		t.Errorf("read %+v", got)
	}
	if e := got.events[len(got.events)-1]; !e.Wall.Equal(start.Wall) || !e.Trusted || e.At != 22*time.Second {
		t.Errorf("anchor %+v", e)
	}
}

// Castagnoli check value: RFC 3720 B.4, 32 bytes of zeros give 8a9136aa.
func TestSealChecksum(t *testing.T) {
	b, crc := appendSeal([]byte("frame a=1 5\n"), 3, 1, 0xdeadbeef)
	if want := "frame a=1 5\n# seal n=3 lines=1 bytes=12 prev=deadbeef crc32c="; !strings.HasPrefix(string(b), want) {
		t.Fatalf("%q, want %q", b, want)
	}
	s, _, ok := parseSeal(b[12 : len(b)-1])
	if !ok || s != (seal{n: 3, lines: 1, bytes: 12, prev: 0xdeadbeef, crc: crc}) {
		t.Errorf("%+v %v", s, ok)
	}
}

func TestUpdateMeta(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "2026-11-25-001")
	record(t, dir, 40, 10)
	if _, err := Recover(dir); err != nil {
		t.Fatal(err)
	}
	update := func(f func(*Meta)) error {
		return UpdateMeta(dir, func(m *Meta) error { f(m); return nil })
	}
	first := []Finding{{Limit: "glass-ceiling", Verdict: "within", Low: math.NaN(), High: 260, Measured: 231.5, U: 1.4}}
	if err := update(func(m *Meta) { m.Verdict = "within"; m.Findings = first }); err != nil {
		t.Fatal(err)
	}
	if err := update(func(m *Meta) { m.Tube = "PP-03" }); err != nil {
		t.Fatal(err)
	}
	if m, _ := LoadMeta(dir); len(m.Earlier) != 0 || m.Tube != "PP-03" {
		t.Errorf("after a change of the tube's name: %+v", m)
	}
	if err := update(func(m *Meta) { m.Verdict = "outside"; m.Findings[0].Verdict = "outside" }); err != nil {
		t.Fatal(err)
	}
	m, err := LoadMeta(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(m.Earlier) != 1 || m.Earlier[0].Verdict != "within" || m.Verdict != "outside" {
		t.Errorf("verdict %q, earlier %+v", m.Verdict, m.Earlier)
	}
	if d := cmp.Diff(first, m.Earlier[0].Findings, cmpopts.EquateNaNs()); d != "" {
		t.Error(d)
	}
	for name, f := range map[string]func(*Meta){
		"id":      func(m *Meta) { m.ID = "x" },
		"layout":  func(m *Meta) { m.Layout.Channels[0].Integer = false },
		"ended":   func(m *Meta) { m.Ended.MonoNS++ },
		"phases":  func(m *Meta) { m.Phases = nil },
		"outcome": func(m *Meta) { m.Outcome = Completed },
	} {
		if err := update(f); err == nil || !strings.Contains(err.Error(), name+" was recorded") {
			t.Errorf("changing %s: %v", name, err)
		}
	}
	publicTools(t, dir, 40)
}
