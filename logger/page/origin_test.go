package page

import (
	"net/http/httptest"
	"testing"
)

// A browser says with each form where it comes from. What it says in
// Sec-Fetch-Site no page can forge; an older one sends an origin only (Fetch
// standard, "append a request Origin header": with the referrer policy
// "no-referrer" it would be "null" even on our own page).
func TestOriginOfForms(t *testing.T) {
	for _, c := range []struct {
		site, origin string
		ours         bool
	}{
		{"", "", true}, // a program on the command line
		{"same-origin", "http://example.com", true},
		{"same-origin", "null", true},
		{"none", "", true},
		{"cross-site", "http://example.com", false},
		{"same-site", "http://other.example.com", false},
		{"", "http://example.com", true},
		{"", "http://elsewhere.example", false},
		{"", "null", false},
	} {
		r := httptest.NewRequest("POST", "/runs/x/seen", nil)
		for k, v := range map[string]string{"Sec-Fetch-Site": c.site, "Origin": c.origin} {
			if v != "" {
				r.Header.Set(k, v)
			}
		}
		if got := sameOrigin(r); got != c.ours {
			t.Errorf("site %q, origin %q: %v", c.site, c.origin, got)
		}
	}
	srv := newSite(newBench(), newArchive(t, nil), fakeArtifact)
	w := httptest.NewRecorder()
	srv.ServeHTTP(w, httptest.NewRequest("GET", "/", nil))
	if got := w.Header().Get("Referrer-Policy"); got != "same-origin" {
		t.Errorf("Referrer-Policy %q", got)
	}
}
