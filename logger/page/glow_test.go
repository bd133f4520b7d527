package page

import (
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"tipoff/logger/observation"
)

// The button's moment stands beside the run being recorded, from the run's begin; without a
// run there is nothing to mark; and the form on a run's page does not offer it.
func TestGlow(t *testing.T) {
	b := newBench()
	a := one{dir: t.TempDir()}
	dir := a.RunDir(b.snap.Run.ID)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	h := New(b, a, nil)
	post := func() *httptest.ResponseRecorder {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodPost, "http://bench.example/api/glow", nil))
		return w
	}
	if w := post(); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "11:40") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	list, err := observation.Load(dir)
	if err != nil || len(list) != 1 || list[0].Kind != observation.Glow || list[0].Into != 700 {
		t.Errorf("%+v, %v", list, err)
	}
	b.snap.Now += 30 * time.Second
	if w := post(); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "before, at 11:40") {
		t.Errorf("pressed again: %d %s", w.Code, w.Body)
	}
	if list, err := observation.Load(dir); err != nil || len(list) != 1 {
		t.Errorf("pressed again: %+v, %v", list, err)
	}
	if err := observation.Withdraw(dir, 1, b.snap.Wall); err != nil {
		t.Fatal(err)
	}
	if w := post(); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "down at 12:10") {
		t.Errorf("after the first was taken back: %d %s", w.Code, w.Body)
	}
	b.snap.Run.Active = false
	if w := post(); w.Code != http.StatusConflict {
		t.Errorf("without a run: %d %s", w.Code, w.Body)
	}
	for _, k := range tubeKinds() {
		if k == observation.Glow {
			t.Error("the form offers it without a moment")
		}
	}
}
