package origin

import (
	"net/http"
	"net/http/httptest"
	"testing"
)

// A browser says with each form where it comes from. What it says in
// Sec-Fetch-Site no page can forge; an older one sends an origin only (Fetch
// standard, "append a request Origin header": with the referrer policy
// "no-referrer" it would be "null" even on our own page).
func TestOriginOfForms(t *testing.T) {
	changed := 0
	h := Guard(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { changed++ }), "default-src 'self'")
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
		for _, method := range []string{"GET", "POST"} {
			r := httptest.NewRequest(method, "/runs/x/seen", nil)
			for k, v := range map[string]string{"Sec-Fetch-Site": c.site, "Origin": c.origin} {
				if v != "" {
					r.Header.Set(k, v)
				}
			}
			w := httptest.NewRecorder()
			before := changed
			h.ServeHTTP(w, r)
			passes := c.ours || method == "GET"
			if got := changed > before; got != passes || (w.Code == http.StatusForbidden) == passes {
				t.Errorf("%s, site %q, origin %q: passed %v with %d, want %v", method, c.site, c.origin, got, w.Code, passes)
			}
			for k, want := range map[string]string{"Referrer-Policy": "same-origin", "Content-Security-Policy": "default-src 'self'"} {
				if got := w.Header().Get(k); got != want {
					t.Errorf("%s %q, want %q", k, got, want)
				}
			}
		}
	}
}
