package sheet

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"image/png"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/logger/alarm"
	"tipoff/logger/chart"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

const torr = 101325.0 / 760 // Pa, the Torr's definition

var nan = math.NaN()

const cardText = `name = "PP-04"
job = "Petrel Pier ferry kiosk"
outside = "15 mm"
wall = "1.1 mm"
length = "1.2 m"
glass = "soda-lime"
coating = "clear"
gas = "neon"
[electrode]
rating = "60 mA"
`

const benchText = `[bench]
name = "bench-1"
mains = "50 Hz"
manifold_volume = "0.9 L"
pump_speed = "2 L/s"
open_circuit = "12 kV"
max_current = "800 mA"
`

// step is a part of an invented run: pressure in Torr, glass in °C, current in A.
type step struct {
	id      phase.ID
	s       float64
	p0, p1  float64
	t0, t1  float64
	current float64
}

// evening follows the handbook's table of phases. The glass goes to peak.
func evening(peak float64) []step {
	return []step{
		{id: phase.Idle, s: 10, p0: 760, p1: 760, t0: 22, t1: 22},
		{id: phase.Evacuate, s: 180, p0: 760, p1: 0.03, t0: 22, t1: 22},
		{id: phase.LeakTest, s: 90, p0: 0.03, p1: 0.034, t0: 22, t1: 22},
		{id: phase.AdmitAir, s: 10, p0: 0.034, p1: 3, t0: 22, t1: 22},
		{id: phase.Dry, s: 60, p0: 3, p1: 4.4, t0: 22, t1: 102, current: 0.32},
		{id: phase.PumpOut, s: 60, p0: 4.4, p1: 0.05, t0: 102, t1: 86},
		{id: phase.AdmitAir, s: 10, p0: 0.05, p1: 2, t0: 86, t1: 84},
		{id: phase.Bombard, s: 90, p0: 2, p1: 2.9, t0: 84, t1: peak - 15, current: 0.45},
		{id: phase.Shells, s: 40, p0: 0.9, p1: 1.1, t0: peak - 15, t1: peak, current: 0.7},
		{id: phase.FinalPump, s: 150, p0: 1.1, p1: 0.004, t0: peak, t1: 180},
		{id: phase.Cool, s: 420, p0: 0.004, p1: 0.003, t0: 180, t1: 34},
		{id: phase.Fill, s: 20, p0: 0.003, p1: 9.4, t0: 34, t1: 32},
		{id: phase.Fill, s: 40, p0: 9.4, p1: 9.4, t0: 32, t1: 31},
		{id: phase.TipOff, s: 60, p0: 9.4, p1: 9.4, t0: 31, t1: 30},
	}
}

const began = 5000 * time.Second // monotonic

// recordRun writes a run's folder as the bench does.
func recordRun(t testing.TB, steps []step, card, bench string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "2026-11-25-001")
	l := frame.NewLayout(200*time.Millisecond, []frame.Channel{
		{Name: "manifold", Role: frame.Pressure}, {Name: "glass", Role: frame.Glass}, {Name: "secondary", Role: frame.Current}})
	wall := time.Date(2026, 11, 25, 18, 4, 0, 0, time.UTC)
	name := ""
	if card != "" {
		name = "PP-04"
	}
	w, err := journal.Create(dir, journal.Meta{ID: "2026-11-25-001", BenchName: "bench-1", Tube: name, Job: "Petrel Pier ferry kiosk",
		Software: "test", BootID: "3f2a91c0-0000-0000-0000-000000000000", Started: journal.At(began, wall, true), Card: card, Bench: bench}, l,
		journal.Options{Patient: true})
	if err != nil {
		t.Fatal(err)
	}
	at := began
	seq := uint64(0)
	for _, st := range steps {
		n := int(st.s * 5)
		for i := range n {
			f := float64(i) / float64(n)
			k := f
			if st.p1 < st.p0/10 {
				k = 1 - math.Exp(-6*f)
			}
			seq++
			wobble := math.Sin(float64(seq) * 1.7)
			fr := frame.Frame{Seq: seq, At: at}
			p := math.Exp(math.Log(st.p0)*(1-k)+math.Log(st.p1)*k) * (1 + 0.002*wobble)
			if st.p1 > st.p0*10 {
				p = st.p0 + (st.p1-st.p0)*f // gas let in at a steady rate
			}
			p *= torr
			fr.Readings[0] = reading(p, 0.03*p)
			fr.Readings[1] = reading(st.t0+(st.t1-st.t0)*f+0.05*wobble, 1.5)
			fr.Readings[2] = reading(st.current*(1+0.005*wobble), 0.004)
			if st.id == phase.Cool && i >= n/2 && i < n/2+25 {
				fr.Readings[0] = frame.Reading{Value: calib.Value{X: nan, U: nan, Q: calib.NoReading}, Indicated: calib.Value{X: nan, U: nan, Q: calib.NoReading}, Raw: nan, Aux: nan}
			}
			w.Append(&fr, st.id)
			at += 200 * time.Millisecond
		}
		if st.id == phase.Shells {
			w.Event(journal.Event{At: at - 4*time.Second, Kind: journal.AlarmRaised, ID: alarm.GlassOverCeiling, Text: "glass 290 °C, ceiling 275 °C"})
			w.Event(journal.Event{At: at - time.Second, Kind: journal.AlarmAcked, ID: alarm.GlassOverCeiling})
		}
		if st.id == phase.FinalPump {
			at += 12 * time.Second // the record has a hole here
		}
	}
	if err := w.Seal(func(m *journal.Meta) {
		m.Outcome, m.Ended = journal.Completed, journal.At(at, wall.Add(at-began), true)
	}); err != nil {
		t.Fatal(err)
	}
	return dir
}

func reading(x, u float64) frame.Reading {
	v := calib.Value{X: x, U: u}
	return frame.Reading{Value: v, Indicated: v, Raw: math.Round(x * 100), Aux: nan, Samples: 1}
}

func TestSheetOfARun(t *testing.T) {
	s, err := Make(recordRun(t, evening(290), cardText, benchText))
	if err != nil {
		t.Fatal(err)
	}
	near := func(what string, got Number, want, by float64) {
		t.Helper()
		if !(math.Abs(float64(got)-want) <= by) {
			t.Errorf("%s = %v, want %v within %v", what, got, want, by)
		}
	}
	// The steps above are the outside truth here.
	near("duration", s.Run.DurationS, 1240+12, 1)
	near("peak glass", s.Summary.PeakGlass, 290, 0.5)
	near("when", s.Summary.PeakGlassS, 550, 2)
	near("base", s.Summary.BasePressure, 0.003, 0.0001)
	near("arc on", s.Summary.ArcS, 190, 2)
	near("peak current", s.Summary.PeakCurrent, 703.5, 1)
	near("shells", s.Summary.ShellsS, 40, 5)
	// p₂₀ = p · 293.15/(273.15 + T), handbook.md equation 10, at the end of the fill.
	near("fill at 20 °C", s.Summary.FillAt20, 9.4*293.15/(273.15+31), 0.1)
	if s.Run.Started != "2026-11-25T18:04:00Z" || s.Run.Tube != "PP-04" || s.Run.Outcome != "completed" {
		t.Errorf("run %+v", s.Run)
	}
	// 290 °C is above every ceiling for clear glass in trade.md.
	if s.Verdict.Overall != string(envelope.Outside) || !strings.Contains(strings.ToLower(s.Verdict.Text), "glass ceiling") {
		t.Errorf("verdict %+v", s.Verdict)
	}
	var ceiling *Limit
	for i := range s.Limits {
		if s.Limits[i].ID == envelope.GlassCeiling {
			ceiling = &s.Limits[i]
		}
	}
	if ceiling == nil || ceiling.Verdict != "outside" || ceiling.Unit != "°C" || math.Abs(float64(ceiling.Measured)-290) > 0.5 ||
		math.Abs(float64(ceiling.Degree)-(290-float64(ceiling.High))) > 1 {
		t.Errorf("ceiling %+v", ceiling)
	}
	if len(s.Alarms) != 1 || s.Alarms[0].Title != "Glass over its ceiling" || s.Alarms[0].Priority != "high" ||
		!math.IsNaN(float64(s.Alarms[0].ClearedS)) || math.Abs(float64(s.Alarms[0].AcknowledgedS-s.Alarms[0].RaisedS)-3) > 0.01 {
		t.Errorf("alarms %+v", s.Alarms)
	}
	if len(s.Gaps) != 1 || math.Abs(float64(s.Gaps[0].ToS-s.Gaps[0].FromS)-12.2) > 0.1 {
		t.Errorf("gaps %+v", s.Gaps)
	}
	if q := s.Quality[0]; q.Frames-q.Usable != 25 || len(q.Marks) != 1 || q.Marks[0] != (Mark{"no reading", 25}) {
		t.Errorf("quality %+v", q)
	}
	order := []string{}
	for _, p := range s.Phases {
		order = append(order, p.Phase)
	}
	for _, want := range []string{"evacuate", "dry", "bombard", "shells", "final-pump", "fill"} {
		if !strings.Contains(strings.Join(order, " "), want) {
			t.Errorf("phases %v lack %s", order, want)
		}
	}
}

func TestWithoutCardOrBench(t *testing.T) {
	s, err := Make(recordRun(t, evening(230), "", ""))
	if err != nil {
		t.Fatal(err)
	}
	if s.Verdict.Overall == string(envelope.Within) || s.Run.Tube != "" {
		t.Errorf("a run without a card cannot be within all limits: %+v", s.Verdict)
	}
	if !math.IsNaN(float64(s.Summary.FillTarget)) {
		t.Errorf("fill target %v without a card", s.Summary.FillTarget)
	}
	bad, err := Make(recordRun(t, evening(230), "outside = 15\n", "[bench\n"))
	if err != nil {
		t.Fatal(err)
	}
	if len(bad.Remarks) != 2 {
		t.Errorf("remarks %q", bad.Remarks)
	}
}

// The same readings give the same sheet, whatever else the folder says.
func TestSameReadingsSameSheet(t *testing.T) {
	a, err := Make(recordRun(t, evening(240), cardText, benchText))
	if err != nil {
		t.Fatal(err)
	}
	b, err := Make(recordRun(t, evening(240), cardText, benchText))
	if err != nil {
		t.Fatal(err)
	}
	x, err1 := a.JSON()
	y, err2 := b.JSON()
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(x, y) {
		t.Error("two recordings of the same readings differ")
	}
}

func TestJSONShape(t *testing.T) {
	s, err := Make(recordRun(t, evening(240), cardText, benchText))
	if err != nil {
		t.Fatal(err)
	}
	data, err := s.JSON()
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(data, &got); err != nil {
		t.Fatal(err)
	}
	if got["sheet"] != float64(Version) {
		t.Errorf("version %v", got["sheet"])
	}
	doc, err := os.ReadFile("../../deploy/docs/sheet-json.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range keys("", got) {
		if !strings.Contains(string(doc), "`"+path+"`") {
			t.Errorf("deploy/docs/sheet-json.md does not describe %s", path)
		}
	}
	var back Sheet
	if err := json.Unmarshal(data, &back); err != nil {
		t.Fatal(err)
	}
	again, err := back.JSON()
	if err != nil || !bytes.Equal(data, again) {
		t.Errorf("read back and written again it differs (%v)", err)
	}
}

// keys lists the paths of all keys: "run.id", "limits[].verdict".
func keys(prefix string, v any) []string {
	var out []string
	switch v := v.(type) {
	case map[string]any:
		for k, w := range v {
			path := strings.TrimPrefix(prefix+"."+k, ".")
			out = append(out, path)
			out = append(out, keys(path, w)...)
		}
	case []any:
		for _, w := range v {
			out = append(out, keys(prefix+"[]", w)...)
		}
	}
	return out
}

func TestSaveAndArtifacts(t *testing.T) {
	dir := recordRun(t, evening(290), cardText, benchText)
	s, err := Make(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Save(dir); err != nil {
		t.Fatal(err)
	}
	m, err := journal.LoadMeta(dir)
	if err != nil {
		t.Fatal(err)
	}
	if m.Verdict != "outside" || m.Summary != s.Verdict.Text || len(m.Findings) != len(s.Limits) {
		t.Errorf("run.toml: %q, %q, %d findings", m.Verdict, m.Summary, len(m.Findings))
	}
	if err := journal.Verify(dir); err != nil {
		t.Errorf("the sums no longer hold: %v", err)
	}
	for _, name := range artifacts {
		data, err := Artifact(dir, name)
		if err != nil || len(data) < 500 {
			t.Errorf("%s: %d bytes, %v", name, len(data), err)
		}
	}
	svg, _ := Artifact(dir, "time.svg")
	if err := xml.Unmarshal(svg, new(struct{})); err != nil || !bytes.Contains(svg, []byte("PP-04")) {
		t.Errorf("time.svg: %v", err)
	}
	img, _ := Artifact(dir, "pressure-temperature.png")
	if c, err := png.DecodeConfig(bytes.NewReader(img)); err != nil || c.Width != chart.Width {
		t.Errorf("png: %v %v", c, err)
	}
	// A kept file is used as it is; an older one than run.toml is not.
	path := filepath.Join(dir, "sheet.txt")
	if err := os.WriteFile(path, []byte("kept"), 0o644); err != nil {
		t.Fatal(err)
	}
	if data, err := Artifact(dir, "sheet.txt"); err != nil || string(data) != "kept" {
		t.Errorf("%q, %v", data, err)
	}
	old := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)
	if err := os.Chtimes(path, old, old); err != nil {
		t.Fatal(err)
	}
	if data, err := Artifact(dir, "sheet.txt"); err != nil || string(data) == "kept" {
		t.Errorf("%q, %v", data, err)
	}
	if _, err := Artifact(dir, "frames.lp"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("frames.lp: %v", err)
	}
	if _, err := Make(filepath.Join(dir, "none")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no folder: %v", err)
	}
}

func TestText(t *testing.T) {
	dir := recordRun(t, evening(290), cardText, benchText)
	s, err := Make(dir)
	if err != nil {
		t.Fatal(err)
	}
	s.Run.Job, s.Run.Tube = "x", "PP-04\x1b[2J"
	var b bytes.Buffer
	if err := s.Text(&b); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(b.String(), "\x1b") {
		t.Error("a control character of the card reaches the terminal")
	}
	for _, want := range []string{"OUTSIDE: ", "highest glass", "290 °C", "Glass over its ceiling", "Gap from"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the text lacks %q", want)
		}
	}
	for _, line := range strings.Split(b.String(), "\n") {
		if len([]rune(line)) > 78 {
			t.Errorf("too wide: %q", line)
		}
	}
	if err := s.Text(full{}); err == nil {
		t.Error("a full disk is not told")
	}
	if out := os.Getenv("TIPOFF_LOOK"); out != "" {
		if _, err := s.WriteCharts(out); err != nil {
			t.Fatal(err)
		}
		fmt.Println(b.String())
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, io.ErrShortWrite }

// BenchmarkMake is a run of half an hour at 5 frames a second.
func BenchmarkMake(b *testing.B) {
	dir := recordRun(b, evening(240), cardText, benchText)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Make(dir); err != nil {
			b.Fatal(err)
		}
	}
}
