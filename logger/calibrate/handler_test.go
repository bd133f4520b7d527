package calibrate

import (
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/calib/certificate"
	"tipoff/logger/frame"
)

type browser struct {
	t    *testing.T
	h    http.Handler
	desk *Desk
	dir  string
	l    *frame.Layout
	at   time.Duration
}

func newBrowser(t *testing.T) *browser {
	dir := filepath.Join(t.TempDir(), "certificates")
	d := NewDesk(dir, []Channel{{Name: "glass", Role: frame.Glass}, {Name: "lamp", Role: frame.Light}}, func() time.Time { return day }, nil)
	return &browser{t: t, h: Handler(d), desk: d, dir: dir,
		l: frame.NewLayout(100*time.Millisecond, []frame.Channel{{Name: "lamp", Role: frame.Light}, {Name: "glass", Role: frame.Glass}})}
}

func (b *browser) do(r *http.Request) (int, string) {
	w := httptest.NewRecorder()
	b.h.ServeHTTP(w, r)
	if got := w.Header().Get("Content-Security-Policy"); !strings.HasPrefix(got, "default-src 'none'") || strings.Contains(got, "script") {
		b.t.Errorf("%s: policy %q", r.URL, got)
	}
	return w.Code, w.Body.String()
}

func (b *browser) get(path string) (int, string) {
	return b.do(httptest.NewRequest("GET", path, nil))
}

func (b *browser) post(path string, form url.Values) (int, string) {
	r := httptest.NewRequest("POST", path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", "http://example.com")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return b.do(r)
}

// RawAt implements RawTimes: the raw numbers are read at the end of each frame.
func (b *browser) RawAt(int) time.Duration { return b.at }

// feed gives 40 s of frames with the glass at x.
func (b *browser) feed(x float64) {
	var f frame.Frame
	for range 400 {
		b.at += 100 * time.Millisecond
		f.At = b.at
		f.Readings[1] = frame.Reading{Value: calib.Value{X: x}, Raw: 77}
		b.desk.Feed(b.l, &f, b)
	}
}

// The whole way: begin, wait, take, look, keep.
func TestGuidedOnPages(t *testing.T) {
	b := newBrowser(t)
	if code, body := b.get("/calibrate/"); code != 200 || !strings.Contains(body, "never") || strings.Contains(body, "lamp") {
		t.Fatalf("list: %d\n%s", code, body)
	}
	if code, body := b.get("/calibrate/glass/"); code != 200 || !strings.Contains(body, "Ice point") || strings.Contains(body, "U-tube, ") {
		t.Fatalf("start: %d\n%s", code, body)
	}
	if code, body := b.post("/calibrate/glass/start", url.Values{"procedure": {"ice"}}); code != 422 || !strings.Contains(body, "who: found nothing") {
		t.Fatalf("nobody: %d\n%s", code, body)
	}
	evil := `<script>alert("x")</script>`
	if code, body := b.post("/calibrate/glass/start", url.Values{"procedure": {"ice"}, "who": {evil}, "room": {"21 °C"}}); code != 303 {
		t.Fatalf("start: %d\n%s", code, body)
	}
	if code, _ := b.post("/calibrate/glass/start", url.Values{"procedure": {"ice"}, "who": {"Em"}}); code != 422 {
		t.Errorf("a second session: %d", code)
	}
	if code, body := b.post("/calibrate/glass/take", nil); code != 422 || !strings.Contains(body, "has not settled") {
		t.Errorf("too early: %d\n%s", code, body)
	}
	b.feed(0.6)
	if _, body := b.get("/calibrate/glass/live"); !strings.Contains(body, "0.60 °C (raw 77)") || !strings.Contains(body, "Settled: steady") {
		t.Errorf("live:\n%s", body)
	}
	if code, body := b.post("/calibrate/glass/take", url.Values{"note": {evil}}); code != 303 {
		t.Fatalf("take: %d\n%s", code, body)
	}
	code, body := b.get("/calibrate/glass/")
	if code != 200 || !strings.Contains(body, "-0.60 K added to the reading") {
		t.Errorf("result: %d\n%s", code, body)
	}
	if strings.Contains(body, "<script") {
		t.Errorf("what was typed is not escaped:\n%s", body)
	}
	if code, body := b.get("/calibrate/glass/picture.svg"); code != 200 || !strings.Contains(body, "<svg") {
		t.Errorf("picture: %d", code)
	}
	if code, body := b.get("/calibrate/glass/picture.png"); code != 200 || !strings.HasPrefix(body, "\x89PNG") {
		t.Errorf("picture: %d", code)
	}
	if code, body := b.post("/calibrate/glass/keep", url.Values{"points": {"2"}}); code != 422 || !strings.Contains(body, "have changed") {
		t.Errorf("keep of something else: %d\n%s", code, body)
	}
	if code, body := b.post("/calibrate/glass/keep", url.Values{"points": {"1"}}); code != 303 {
		t.Fatalf("keep: %d\n%s", code, body)
	}
	c, err := certificate.Latest(b.dir, "glass")
	if err != nil || c == nil || c.Who != evil || math.Abs(c.Fit.C[0]+0.6) > 1e-9 || c.Room != 21 {
		t.Errorf("kept: %+v (%v)", c, err)
	}
	if _, body := b.get("/calibrate/"); !strings.Contains(body, "2026-11-25 by &lt;script") || !strings.Contains(body, "2027-11-25") {
		t.Errorf("list:\n%s", body)
	}
	if code, _ := b.post("/calibrate/glass/take", nil); code != 422 {
		t.Errorf("take after the end: %d", code)
	}
}

// What drifts while the bench runs is told where one calibrates.
func TestDriftIsShown(t *testing.T) {
	b := newBrowser(t)
	b.desk.Drift(func(channel string) string {
		return map[string]string{"glass": "reads 6.0 K more than the room"}[channel]
	})
	for _, path := range []string{"/calibrate/", "/calibrate/glass/"} {
		if _, body := b.get(path); !strings.Contains(body, "drifts: reads 6.0 K more than the room") {
			t.Errorf("%s:\n%s", path, body)
		}
	}
}

func TestUndoUseAbandon(t *testing.T) {
	b := newBrowser(t)
	b.post("/calibrate/glass/start", url.Values{"procedure": {"ice"}, "who": {"Em"}})
	b.feed(0.6)
	b.post("/calibrate/glass/take", nil)
	if code, _ := b.post("/calibrate/glass/undo", nil); code != 303 {
		t.Errorf("undo: %d", code)
	}
	if code, _ := b.post("/calibrate/glass/undo", nil); code != 422 {
		t.Errorf("undo of nothing: %d", code)
	}
	if code, body := b.post("/calibrate/glass/use", url.Values{"procedure": {"boiling"}}); code != 303 {
		t.Errorf("use: %d\n%s", code, body)
	}
	if _, body := b.get("/calibrate/glass/"); !strings.Contains(body, `name="barometer"`) {
		t.Errorf("boiling asks for no barometer:\n%s", body)
	}
	if code, _ := b.post("/calibrate/glass/use", url.Values{"procedure": {"clamp"}}); code != 422 {
		t.Errorf("clamp on glass: %d", code)
	}
	b.feed(22) // far from boiling: refused with reason and advice
	b.post("/calibrate/glass/take", url.Values{"barometer": {"1000 hPa"}})
	if _, body := b.get("/calibrate/glass/"); !strings.Contains(body, "No calibration yet: absurd") || strings.Contains(body, "Keep this") {
		t.Errorf("absurd point:\n%s", body)
	}
	if code, _ := b.post("/calibrate/glass/keep", url.Values{"points": {"1"}}); code != 422 {
		t.Errorf("kept an absurd point: %d", code)
	}
	if code, _ := b.post("/calibrate/glass/abandon", nil); code != 303 {
		t.Errorf("abandon: %d", code)
	}
	if _, err := os.Stat(b.dir); !os.IsNotExist(err) {
		t.Errorf("something was written: %v", err)
	}
}

func TestOtherSitesAreTurnedAway(t *testing.T) {
	b := newBrowser(t)
	for name, set := range map[string]func(http.Header){
		"origin": func(h http.Header) { h.Set("Origin", "http://elsewhere.example") },
		"fetch":  func(h http.Header) { h.Set("Sec-Fetch-Site", "cross-site") },
		"null":   func(h http.Header) { h.Set("Origin", "null") },
	} {
		r := httptest.NewRequest("POST", "/calibrate/glass/start", strings.NewReader("procedure=ice&who=Em"))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		set(r.Header)
		if code, _ := b.do(r); code != http.StatusForbidden {
			t.Errorf("%s: %d", name, code)
		}
	}
	for path, want := range map[string]int{"/calibrate/none/": 404, "/calibrate/lamp/": 404, "/calibrate/glass/picture.svg": 404, "/calibrate/style.css": 200, "/calibrate/glass/live": 200} {
		if code, _ := b.get(path); code != want {
			t.Errorf("%s: %d, want %d", path, code, want)
		}
	}
	if code, _ := b.post("/calibrate/glass/start", url.Values{"who": {strings.Repeat("x", maxForm)}}); code != 422 {
		t.Errorf("a huge form: %d", code)
	}
}

func TestFeedAllocatesNothing(t *testing.T) {
	b := newBrowser(t)
	b.post("/calibrate/glass/start", url.Values{"procedure": {"ice"}, "who": {"Em"}})
	var f frame.Frame
	if n := testing.AllocsPerRun(100, func() { f.At += 100 * time.Millisecond; b.desk.Feed(b.l, &f, b) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
