package page

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"tipoff/logger/observation"
)

func TestObserve(t *testing.T) {
	a := newArchive(t, nil)
	h := newSite(newBench(), a, nil, fakeArtifact)
	const target = "/runs/2026-11-25-001/seen"
	post := func(values url.Values) (int, string) {
		w := do(t, h, "POST", target, values.Encode(), "Content-Type", "application/x-www-form-urlencoded")
		return w.Code, w.Body.String()
	}
	if code, text := post(url.Values{"kind": {"snaking"}, "note": {"<i>left</i> half"}, "by": {"Mo"}, "hours": {"2.5"}}); code != http.StatusSeeOther {
		t.Fatalf("a good observation: %d %s", code, text)
	}
	list, err := observation.Load(a.RunDir("2026-11-25-001"))
	if err != nil || len(list) != 1 || list[0].Kind != observation.Snaking || list[0].Hours != 2.5 {
		t.Fatalf("written down: %+v, %v", list, err)
	}
	text := do(t, h, "GET", "/runs/2026-11-25-001", "").Body.String()
	if !strings.Contains(text, "snaking") || !strings.Contains(text, "&lt;i&gt;left") || strings.Contains(text, "<i>left") {
		t.Errorf("the page does not show it, or shows it unescaped:\n%s", text)
	}
	for _, c := range []struct {
		values url.Values
		want   string
	}{
		{url.Values{"kind": {"dancing"}}, `kind: found "dancing"; allowed: "good"`},
		{url.Values{"kind": {"other"}}, "note: found nothing"},
		{url.Values{"kind": {"stain"}, "hours": {"many"}}, `hours: found "many"`},
		{url.Values{"withdraw": {"7"}}, "no such observation"},
		{url.Values{"withdraw": {"x"}}, `withdraw: found "x"`},
	} {
		if code, text := post(c.values); code != http.StatusUnprocessableEntity || !strings.Contains(text, c.want) {
			t.Errorf("%v: %d %q, want %q", c.values, code, text, c.want)
		}
	}
	if code, _ := post(url.Values{"withdraw": {"1"}}); code != http.StatusSeeOther {
		t.Errorf("taking it back: %d", code)
	}
	if list, _ := observation.Load(a.RunDir("2026-11-25-001")); len(list) != 1 || list[0].Stands() {
		t.Errorf("after taking it back: %+v", list)
	}
	if w := do(t, h, "POST", "/runs/2026-01-01-009/seen", "kind=good", "Content-Type", "application/x-www-form-urlencoded"); w.Code != http.StatusNotFound {
		t.Errorf("a run that is not there: %d", w.Code)
	}
	if w := do(t, h, "POST", target, "kind=good", "Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Site", "cross-site"); w.Code != http.StatusForbidden {
		t.Errorf("from another site's page: %d", w.Code)
	}
}
