package page

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/logger/ageing"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
)

// ager is a bench that records ageing runs.
type ager struct {
	*fakeBench
	asked string
	ended int
	err   error
}

func (a *ager) Age(text []byte) error { a.asked = string(text); return a.err }
func (a *ager) EndAgeing() error      { a.ended++; return a.err }

func TestAgeingIsAskedForAndEnded(t *testing.T) {
	for _, c := range []struct {
		name string
		err  error
		code int
	}{
		{"taken", nil, http.StatusNoContent},
		{"one goes on", ageing.ErrBusy, http.StatusConflict},
		{"wrong", errors.New("ageing run:1: current: found 9 A; allowed: 1 mA to 500 mA"), http.StatusUnprocessableEntity},
	} {
		a := &ager{fakeBench: newBench(), err: c.err}
		w := do(t, New(a, nil, nil), "POST", "/api/age", "tube = \"PP-03\"\n")
		if w.Code != c.code || a.asked != "tube = \"PP-03\"\n" {
			t.Errorf("%s: code %d, want %d; asked for %q", c.name, w.Code, c.code, a.asked)
		}
		if c.err != nil && strings.TrimSpace(w.Body.String()) != c.err.Error() {
			t.Errorf("%s: said %q", c.name, w.Body)
		}
		if w := do(t, New(a, nil, nil), "POST", "/api/age/end", ""); w.Code != c.code || a.ended != 1 {
			t.Errorf("%s: ending: code %d, ended %d times", c.name, w.Code, a.ended)
		}
		// Another site's page must not switch anything.
		if w := do(t, New(a, nil, nil), "POST", "/api/age/end", "", "Sec-Fetch-Site", "cross-site"); w.Code != http.StatusForbidden || a.ended != 1 {
			t.Errorf("from another site: code %d, ended %d times", w.Code, a.ended)
		}
	}
	// A source that plays a trace records none, and says so.
	if w := do(t, New(newBench(), nil, nil), "POST", "/api/age", "tube = \"PP-03\"\n"); w.Code != http.StatusConflict {
		t.Errorf("code %d of a source without ageing runs", w.Code)
	}
}

// one is an archive of one run.
type one struct {
	Archive
	dir string
}

func (o one) RunDir(string) string { return o.dir }

// The page of an ageing run shows its one chart.
func TestPageOfAnAgeingRun(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "2026-11-25-002")
	w, err := journal.Create(dir, journal.Meta{ID: "2026-11-25-002", Tube: "PP-03", Kind: ageing.Kind, Request: "tube = \"PP-03\"\n", BootID: "b",
		Started: journal.At(0, time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC), true)},
		frame.NewLayout(5*time.Second, []frame.Channel{{Name: "light", Role: frame.Light}}), journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Seal(nil); err != nil {
		t.Fatal(err)
	}
	h := newSite(newBench(), one{dir: dir}, nil, func(string, string) ([]byte, error) { return []byte("Ageing run"), nil })
	page := get(t, h, "/runs/2026-11-25-002")
	if !strings.Contains(page, "time.svg") || strings.Contains(page, "pressure-temperature") {
		t.Errorf("the page of an ageing run:\n%s", page)
	}
}

func get(t *testing.T, h http.Handler, path string) string {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", path, nil))
	if w.Code != http.StatusOK {
		t.Fatalf("%s: code %d: %s", path, w.Code, w.Body)
	}
	return w.Body.String()
}
