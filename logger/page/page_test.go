package page

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/logger/alarm"
	"tipoff/logger/archive"
	"tipoff/logger/chart"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/health"
	"tipoff/logger/phase"
	"tipoff/logger/status"
)

const torr = 101325.0 / 760 // Pa, the Torr's definition

var nan = math.NaN()

// fakeBench is a status.Source in the middle of the shells phase of an invented run.
type fakeBench struct {
	snap  *status.Snapshot
	past  []status.Point
	since uint64
	acked []string
	card  string
	err   error
}

func (f *fakeBench) Snapshot() *status.Snapshot { return f.snap }
func (f *fakeBench) History(since uint64, max int) []status.Point {
	f.since = since
	var out []status.Point
	for _, p := range f.past {
		if p.Seq > since {
			out = append(out, p)
		}
	}
	return out
}
func (f *fakeBench) Acknowledge(id string) error { f.acked = append(f.acked, id); return f.err }
func (f *fakeBench) AssignCard(b []byte) error   { f.card = string(b); return f.err }

func newBench() *fakeBench {
	l := frame.NewLayout(100*time.Millisecond, []frame.Channel{
		{Name: "manifold", Role: frame.Pressure}, {Name: "glass", Role: frame.Glass},
		{Name: "secondary", Role: frame.Current}, {Name: "room", Role: frame.Ambient},
		{Name: "k1", Role: frame.Contact, Purpose: frame.Contactor}, {Name: "cock", Role: frame.Contact, Purpose: frame.Stopcock}})
	now := 1200 * time.Second
	s := &status.Snapshot{Bench: "bench-1", Version: "0.1.0", Now: now, Wall: time.Date(2026, 11, 25, 18, 24, 0, 0, time.UTC),
		WallTrusted: true, Speed: 20, Emulated: true, Layout: l, Phase: phase.Shells, PhaseSince: now - 22*time.Second,
		Run:      status.Run{Active: true, ID: "2026-11-25-001", Started: now - 700*time.Second, Tube: "PP-04", Next: "PP-05"},
		Envelope: &envelope.Envelope{Known: true},
		Ceiling: status.Foresight{Known: true, Approach: true, In: 14 * time.Second, Rate: 1.2, Ahead: calib.Value{X: 246.2, U: 3},
			Shells: calib.Value{X: 64, U: 5}, GlassDone: 91, GlassIn: 11.2, ShellsIn: 38, First: envelope.FirstGlass},
		Ageing: status.Ageing{Active: true, ID: "2026-11-25-002", Tube: "PP-03", Burnt: 2*time.Hour + 5*time.Minute, Hours: 8, Wanted: 0.05},
		Channels: []status.Channel{{Up: true, LastSample: now}, {Up: true, LastSample: now}, {Up: true, LastSample: now, Spacing: 250 * time.Microsecond, Jitter: 1230 * time.Nanosecond}, {LastSample: -1},
			{Up: true, LastSample: now}, {Up: true, LastSample: now}}}
	s.Frame = frame.Frame{Seq: 12000, At: now}
	r := &s.Frame.Readings
	r[0].Value = calib.Value{X: 0.94 * torr, U: 0.03 * torr}
	r[1].Value = calib.Value{X: 231.4, U: 2.1}
	r[2].Value = calib.Value{X: 0.712, U: 0.004}
	r[3].Value = calib.Value{X: nan, U: nan, Q: calib.NoReading}
	r[4].Value, r[5].Value = calib.Value{X: 1, Q: calib.Contradicted}, calib.Value{X: 0}
	s.Limits = []status.LimitNow{
		{Limit: envelope.Limit{ID: "glass-ceiling", Title: "Glass ceiling", Role: frame.Glass, Unit: "°C", Low: nan, High: 240,
			Basis: envelope.CommonPractice, Reason: "Clear lead glass begins to creep under vacuum when hotter."}, Value: r[1].Value, Verdict: envelope.Within},
		{Limit: envelope.Limit{ID: "shell-pressure", Title: "Pressure for the shells", Role: frame.Pressure, Unit: "Pa", Low: 0.5 * torr, High: 1.5 * torr,
			Basis: envelope.Handbook, Reason: "Low pressure puts the power into the shells."}, Value: r[0].Value, Verdict: envelope.Within},
		{Limit: envelope.Limit{ID: "shell-current", Title: "Current for the shells", Role: frame.Current, Unit: "A", Low: nan, High: 0.7,
			Basis: envelope.FromCard, Reason: "The card gives it."}, Value: r[2].Value, Verdict: envelope.Outside},
		{Limit: envelope.Limit{ID: "x", Title: "Shell temperature", Unit: "°C", Low: nan, High: nan, Unknown: "No sensor sees the shells."},
			Value: calib.Value{X: nan, Q: calib.NoReading}, Verdict: envelope.NotKnown},
	}
	s.Alarms = []status.Alarm{{Definition: alarm.Definition{ID: "glass-near-ceiling", Title: "Glass will reach its ceiling",
		Response: "Open the choke or stop the arc at the bombarder.", Priority: alarm.High}, State: alarm.Unacknowledged,
		Since: now - 4*time.Second, Detail: "14 s left at 1.2 °C/s", Count: 1},
		{Definition: alarm.Definition{ID: "current-high", Title: "Current over the card's limit", Response: "Lower the current.",
			Priority: alarm.Medium}, State: alarm.Acknowledged, Since: now - 12*time.Second, Detail: "712 mA, limit 700 mA", Count: 2}}
	s.Troubles = []health.Trouble{
		{Kind: &health.Kind{Code: "channel-absent", Title: "Channel gives no reading", Severity: health.Warning}, Subject: "room",
			Cause: "Nothing answers at 0x48 on /dev/i2c-1.", Hint: "Check the plug of the room sensor.", Since: now - 300*time.Second, Count: 1},
		{Kind: &health.Kind{Code: "hidden", Title: "Hidden one"}, Hidden: true}}
	f := &fakeBench{snap: s}
	for i := range 600 {
		at := now - time.Duration(600-i-1)*time.Second
		p := status.Point{Seq: 12000 - uint64(599-i)*10, At: at, Glass: 22, Current: 0, Pressure: 0.03 * torr, Phase: phase.LeakTest, Light: 0.4}
		switch {
		case i < 180:
			p.Phase, p.Pressure = phase.Evacuate, (760*math.Exp(-float64(i)/12)+0.03)*torr
		case i < 300:
		case i < 315:
			p.Phase, p.Pressure = phase.AdmitAir, 0.03*math.Exp(float64(i-300)*0.3)*torr
		case i < 405:
			p.Phase, p.Pressure, p.Glass, p.Current = phase.Dry, (3+float64(i-315)*0.015)*torr, 22+float64(i-315)*0.9, 0.32
		case i < 465:
			p.Phase, p.Pressure, p.Glass = phase.PumpOut, (0.05+4*math.Exp(-float64(i-405)/7))*torr, 103-float64(i-405)*0.3
			if i > 430 && i < 440 {
				p.Pressure = nan
			}
		case i < 578:
			p.Phase, p.Pressure, p.Glass, p.Current = phase.Bombard, 2*torr, 85+float64(i-465)*1.1, 0.45
		default:
			p.Phase, p.Pressure, p.Glass, p.Current = phase.Shells, 0.94*torr, 209+float64(i-578), 0.712
		}
		f.past = append(f.past, p)
	}
	return f
}

// fakeArchive has the folders of three runs, of which only the newest can be
// shown.
type fakeArchive struct {
	root string
	err  error
}

func (a fakeArchive) List() ([]archive.Entry, error) {
	return []archive.Entry{
		{ID: "2026-11-25-001", Tube: "PP-04", Started: time.Date(2026, 11, 25, 18, 4, 0, 0, time.UTC), Trusted: true, Took: 1522 * time.Second, Outcome: "completed", Verdict: "outside"},
		{ID: "2026-11-24-002", Tube: "<script>alert(1)</script>", Started: time.Date(2026, 11, 24, 20, 0, 0, 0, time.UTC), Trusted: true, Took: 1700 * time.Second, Outcome: "completed", Verdict: "within"},
		{ID: "boot-3f2a91c0-001", Took: 400 * time.Second, Outcome: "interrupted"},
	}, a.err
}

func (a fakeArchive) RunDir(id string) string { return filepath.Join(a.root, id) }

func fakeArtifact(dir, name string) ([]byte, error) {
	switch name {
	case "sheet.txt":
		return []byte("Run 2026-11-25-001 <b>PP-04</b>\n\nOUTSIDE  glass 246 °C, ceiling 240 °C\n"), nil
	case "sheet.json":
		return []byte(`{"sheet":1}`), nil
	}
	kind, format, _ := strings.Cut(name, ".")
	var b bytes.Buffer
	run := &chart.Run{Title: "PP-04"}
	for _, p := range newBench().past {
		run.Points = append(run.Points, chart.Point{T: p.At.Seconds() - 600, Pressure: p.Pressure, Glass: p.Glass, Current: p.Current})
	}
	err := chart.Write(&b, chart.Kind(kind), chart.Format(format), run)
	return b.Bytes(), err
}

func newArchive(t *testing.T, err error) fakeArchive {
	t.Helper()
	a := fakeArchive{t.TempDir(), err}
	if err := os.Mkdir(a.RunDir("2026-11-25-001"), 0o755); err != nil {
		t.Fatal(err)
	}
	return a
}

func do(t *testing.T, h http.Handler, method, target, body string, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(method, target, strings.NewReader(body))
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestStatusJSON(t *testing.T) {
	w := do(t, New(newBench(), nil, nil), "GET", "/api/status", "")
	var got struct {
		Phase    string
		PhaseFor float64 `json:"phase_for_s"`
		Pressure struct {
			Value, Plus *float64
			Unit        string
		} `json:"pressure_torr"`
		Current  struct{ Value *float64 } `json:"current_ma"`
		Channels []struct {
			Value     *float64
			State     string
			SpacingUS float64 `json:"spacing_us"`
			JitterUS  float64 `json:"jitter_us"`
		}
		Limits []struct {
			Bound, Verdict, Reason string
			Low                    *float64
		}
		Alarms []struct {
			ID   string
			Open bool
		}
		Troubles []struct{ Hint string }
	}
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
		t.Fatalf("%v in %s", err, w.Body)
	}
	near := func(what string, x *float64, want float64) {
		t.Helper()
		if x == nil || math.Abs(*x-want) > 1e-9*want {
			t.Errorf("%s = %v, want %v", what, x, want)
		}
	}
	near("pressure", got.Pressure.Value, 0.94) // Torr by its definition, 101325/760 Pa
	near("twice its standard uncertainty", got.Pressure.Plus, 0.06)
	near("current", got.Current.Value, 712)
	if got.Phase != "shells" || got.PhaseFor != 22 {
		t.Errorf("phase %q for %v s", got.Phase, got.PhaseFor)
	}
	if len(got.Channels) != 6 || got.Channels[3].Value != nil {
		t.Errorf("a channel without a reading is not null: %+v", got.Channels)
	}
	if got.Channels[4].State != "contactor on" || got.Channels[5].State != "open" || got.Channels[0].State != "" {
		t.Errorf("contacts: %+v", got.Channels)
	}
	if got.Channels[2].SpacingUS != 250 || got.Channels[2].JitterUS != 1.23 || got.Channels[0].SpacingUS != 0 {
		t.Errorf("spacing of the waveform: %+v", got.Channels)
	}
	bounds := []string{"at most 240 °C", envelope.Say(0.5*torr, "Pa") + " to " + envelope.Say(1.5*torr, "Pa"), "at most 700 mA", "not known"}
	for i, want := range bounds {
		if got.Limits[i].Bound != want {
			t.Errorf("limit %d: bound %q, want %q", i, got.Limits[i].Bound, want)
		}
	}
	if got.Limits[0].Low != nil || got.Limits[3].Reason != "No sensor sees the shells." {
		t.Errorf("limits %+v", got.Limits)
	}
	if len(got.Alarms) != 2 || !got.Alarms[0].Open || got.Alarms[1].Open {
		t.Errorf("alarms %+v", got.Alarms)
	}
	if len(got.Troubles) != 1 || got.Troubles[0].Hint == "" {
		t.Errorf("troubles %+v: the hidden one must not show", got.Troubles)
	}
}

func TestNoFrameYet(t *testing.T) {
	if w := do(t, New(&fakeBench{}, nil, nil), "GET", "/api/status", ""); w.Code != http.StatusServiceUnavailable {
		t.Errorf("code %d before the first frame", w.Code)
	}
}

func TestHistory(t *testing.T) {
	b := newBench()
	h := New(b, nil, nil)
	w := do(t, h, "GET", "/api/history?since=11980", "")
	var got [][7]*float64
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if b.since != 11980 || len(got) != 2 || *got[1][0] != 12000 || *got[1][4] != 712 || *got[1][5] != float64(phase.Shells) || got[1][6] == nil || *got[1][6] != 40 {
		t.Errorf("since %d, %d points: %s", b.since, len(got), w.Body)
	}
	all := do(t, h, "GET", "/api/history", "").Body.String()
	if !strings.Contains(all, ",null,") || strings.Contains(all, "NaN") {
		t.Error("the gap in the pressure is not null")
	}
	if w := do(t, h, "GET", "/api/history?since=-1", ""); w.Code != http.StatusBadRequest {
		t.Errorf("since=-1: code %d", w.Code)
	}
}

func TestEveryAnswerIsGuarded(t *testing.T) {
	h := newSite(newBench(), newArchive(t, nil), nil, fakeArtifact)
	for path, code := range map[string]int{"/": 200, "/runs": 200, "/runs/2026-11-25-001": 200, "/style.css": 200, "/bench.js": 200,
		"/draw.js": 200, "/mark.svg": 200, "/api/status": 200, "/api/phases": 200, "/runs/2026-11-25-001/time.svg": 200,
		"/runs/2026-11-25-001/pressure-temperature.png": 200, "/runs/2026-11-25-001/sheet.json": 200,
		"/runs/2026-11-25-001/frames.lp": 404, "/runs/2020-01-01-001": 404, "/runs/..%2f..%2fetc": 404, "/nothing": 404} {
		w := do(t, h, "GET", path, "")
		if w.Code != code {
			t.Errorf("%s: code %d, want %d", path, w.Code, code)
		}
		policy := w.Header().Get("Content-Security-Policy")
		if !strings.HasPrefix(policy, "default-src 'none'") || strings.Contains(policy, "http:") || strings.Contains(policy, "script-src 'unsafe") {
			t.Errorf("%s: policy %q", path, policy)
		}
		if w.Header().Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: no nosniff", path)
		}
		body := w.Body.String()
		if !strings.Contains(path, ".svg") && !strings.Contains(path, ".png") && (strings.Contains(body, "http://") || strings.Contains(body, "https://")) {
			t.Errorf("%s names another site", path)
		}
	}
}

func TestEscaping(t *testing.T) {
	h := newSite(newBench(), newArchive(t, nil), nil, fakeArtifact)
	if body := do(t, h, "GET", "/runs", "").Body.String(); strings.Contains(body, "<script>alert") || !strings.Contains(body, "&lt;script&gt;alert") {
		t.Error("a tube's name gets into the list of runs as markup")
	}
	if body := do(t, h, "GET", "/runs/2026-11-25-001", "").Body.String(); strings.Contains(body, "<b>PP-04") {
		t.Error("the sheet's text gets into the page as markup")
	}
}

func TestSafetyTextIsOnEveryPage(t *testing.T) {
	h := newSite(newBench(), newArchive(t, nil), nil, fakeArtifact)
	for _, path := range []string{"/", "/runs", "/runs/2026-11-25-001", "/runs/none"} {
		body := do(t, h, "GET", path, "").Body.String()
		for _, want := range []string{"not a safety interlock", "never switches the bombarder", "kill at once", "Mercury vapour", "ultraviolet"} {
			if !strings.Contains(body, want) {
				t.Errorf("%s does not say %q", path, want)
			}
		}
		if !strings.Contains(body, `name="viewport"`) {
			t.Errorf("%s has no viewport", path)
		}
	}
}

func TestPostsFromElsewhereAreRefused(t *testing.T) {
	cases := []struct {
		name   string
		header []string
		ok     bool
	}{
		{"a program", nil, true},
		{"our page", []string{"Origin", "http://example.com", "Sec-Fetch-Site", "same-origin"}, true}, // httptest's host
		{"old browser, our page", []string{"Origin", "http://example.com"}, true},
		{"another site", []string{"Origin", "http://evil.test", "Sec-Fetch-Site", "cross-site"}, false},
		{"another site, old browser", []string{"Origin", "http://evil.test"}, false},
		{"another port", []string{"Origin", "http://example.com:8080", "Sec-Fetch-Site", "same-site"}, false},
		{"sandboxed frame", []string{"Origin", "null"}, false},
	}
	for _, c := range cases {
		b := newBench()
		w := do(t, New(b, nil, nil), "POST", "/api/acknowledge?id=glass-near-ceiling", "", c.header...)
		if done := len(b.acked) == 1 && b.acked[0] == "glass-near-ceiling" && w.Code == http.StatusNoContent; done != c.ok {
			t.Errorf("%s: code %d, acknowledged %v", c.name, w.Code, b.acked)
		}
		w = do(t, New(b, nil, nil), "POST", "/api/card", "name = \"PP-05\"\n", c.header...)
		if done := b.card != "" && w.Code == http.StatusNoContent; done != c.ok {
			t.Errorf("%s: code %d, card %q", c.name, w.Code, b.card)
		}
	}
	if w := do(t, New(newBench(), nil, nil), "GET", "/api/acknowledge?id=x", ""); w.Code != http.StatusMethodNotAllowed {
		t.Errorf("GET acknowledges: %d", w.Code)
	}
}

func TestCardErrors(t *testing.T) {
	b := newBench()
	b.err = errors.New("card.toml:3: outside: 15 is not a length, write \"15 mm\"")
	if w := do(t, New(b, nil, nil), "POST", "/api/card", "outside = 15"); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), b.err.Error()) {
		t.Errorf("code %d, %q", w.Code, w.Body)
	}
	if w := do(t, New(b, nil, nil), "POST", "/api/card", strings.Repeat("x", maxCard+1)); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("too large a card: code %d", w.Code)
	}
}

func TestTroubleReadingTheArchiveIsSaid(t *testing.T) {
	h := newSite(newBench(), newArchive(t, errors.New("reading /var/lib: disk gone")), nil, fakeArtifact)
	if w := do(t, h, "GET", "/runs", ""); w.Code != 500 || !strings.Contains(w.Body.String(), "disk gone") {
		t.Errorf("/runs: %d", w.Code)
	}
	if w := do(t, h, "GET", "/", ""); w.Code != 200 || !strings.Contains(w.Body.String(), "disk gone") {
		t.Errorf("/ must show the readings even so: %d", w.Code)
	}
}
