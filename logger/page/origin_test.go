package page

import (
	"net/http"
	"net/http/httptest"
	"testing"
)

// Every page stands behind the guard of package origin.
func TestPagesAreGuarded(t *testing.T) {
	srv := newSite(newBench(), newArchive(t, nil), nil, fakeArtifact)
	w := httptest.NewRecorder()
	srv.ServeHTTP(w, httptest.NewRequest("GET", "/", nil))
	if got := w.Header().Get("Referrer-Policy"); got != "same-origin" {
		t.Errorf("Referrer-Policy %q", got)
	}
	r := httptest.NewRequest("POST", "/api/acknowledge", nil)
	r.Header.Set("Sec-Fetch-Site", "cross-site")
	w = httptest.NewRecorder()
	if srv.ServeHTTP(w, r); w.Code != http.StatusForbidden {
		t.Errorf("another site's request: %d", w.Code)
	}
}
