// Package origin keeps tipoff's pages to themselves: the headers that every answer has,
// and the refusal of requests that change something and come from another site's page.
package origin

import (
	"net/http"
	"net/url"
)

// Guard answers by next, with the content security policy csp and the other headers of
// every answer. It turns away requests that change something and come from another
// site's page.
func Guard(next http.Handler, csp string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", csp)
		h.Set("X-Content-Type-Options", "nosniff")
		// Not "no-referrer": with it a browser sends its forms with the origin "null".
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if r.Method != http.MethodGet && r.Method != http.MethodHead && !ours(r) {
			http.Error(w, "this request came from another site's page and was not carried out", http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// ours tells whether a request comes from our own page or from a program that is not a
// browser. A browser sends Sec-Fetch-Site or Origin with every POST; a program on the
// command line sends neither.
func ours(r *http.Request) bool {
	if site := r.Header.Get("Sec-Fetch-Site"); site != "" {
		return site == "same-origin" || site == "none"
	}
	origin := r.Header.Get("Origin")
	if origin == "" {
		return true
	}
	u, err := url.Parse(origin)
	return err == nil && u.Host == r.Host
}
