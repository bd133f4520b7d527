package main

import (
	"context"
	"fmt"
	"html"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"tipoff/calib/certificate"
	"tipoff/drivers/clock"
	"tipoff/drivers/registry"
	"tipoff/logger/bench"
	procedures "tipoff/logger/calibrate"
	"tipoff/logger/config"
	"tipoff/logger/frame"
	"tipoff/logger/health"
	"tipoff/logger/sampler"
)

// guide is a person at the bench with the page: the demo's chips whose inputs the
// rehearsal leads, the desk, its handler and an HTTP client.
type guide struct {
	t        *testing.T
	ctx      context.Context
	clock    *clock.Virtual
	sampler  *sampler.Sampler
	layout   *frame.Layout
	frame    frame.Frame
	next     time.Duration
	desk     *procedures.Desk
	rehearse *rehearsal
	client   *http.Client
	mux      *http.ServeMux
	base     string // of the channel's pages
	root     string
	dir      string // of certificates
	name     string
}

// guidePages lets f go through the pages of one channel. f runs on a computed clock.
func guidePages(t *testing.T, channel, dir string, f func(g *guide)) {
	t.Helper()
	cfg, err := calibrationBench("", true)
	if err != nil {
		t.Fatal(err)
	}
	ch, err := channelNamed(cfg, channel)
	if err != nil {
		t.Fatal(err)
	}
	v := clock.NewVirtual(time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), 0)
	g := &guide{t: t, clock: v, dir: dir, name: channel}
	one := *cfg
	one.Channels, one.Sounders, one.Store.Directory = []config.Channel{ch}, nil, ""
	r, ports := newRehearsal(v, ch)
	g.rehearse = r
	parts, err := bench.FromConfig(&one, registry.All(), ports, v)
	if err != nil {
		t.Fatal(err)
	}
	kinds := health.Declare()
	g.layout = parts.Layout
	if g.sampler, err = sampler.New(v, parts.Layout, parts.Devices, parts.Chains, health.New(kinds.All()), kinds); err != nil {
		t.Fatal(err)
	}
	g.desk = procedures.NewDesk(dir, parts.Desk, func() time.Time { now, _ := v.Wall(); return now }, nil)
	g.mux = http.NewServeMux()
	g.mux.Handle("/calibrate/", procedures.Handler(g.desk))
	srv := httptest.NewServer(g.mux)
	defer srv.Close()
	g.root, g.base = srv.URL+"/calibrate/", srv.URL+"/calibrate/"+channel+"/"
	g.client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	ctx, cancel := context.WithCancel(context.Background())
	g.ctx = ctx
	wait := g.sampler.Start(ctx)
	ended := make(chan struct{})
	v.Go(func() { defer close(ended); f(g) })
	<-ended
	cancel()
	wait()
}

// pass lets the bench go on for a while.
func (g *guide) pass(long time.Duration) {
	for end := g.next + long; g.next < end; {
		g.next += g.layout.Interval
		if g.clock.SleepUntil(g.ctx, g.next) != nil {
			return
		}
		g.frame.Seq++
		g.sampler.Collect(g.next, &g.frame)
		g.desk.Feed(g.layout, &g.frame, g.sampler)
	}
}

func (g *guide) get(address string) (int, string) {
	r, err := g.client.Get(address)
	if err != nil {
		g.t.Error(err)
		return 0, ""
	}
	defer r.Body.Close()
	body, _ := io.ReadAll(r.Body)
	return r.StatusCode, html.UnescapeString(string(body))
}

func (g *guide) post(step string, form ...string) (int, string) {
	v := url.Values{}
	for i := 0; i < len(form); i += 2 {
		v.Set(form[i], form[i+1])
	}
	r, err := g.client.PostForm(g.base+step, v)
	if err != nil {
		g.t.Error(err)
		return 0, ""
	}
	defer r.Body.Close()
	body, _ := io.ReadAll(r.Body)
	return r.StatusCode, html.UnescapeString(string(body))
}

// must posts a step that has to be carried out.
func (g *guide) must(step string, form ...string) {
	g.t.Helper()
	if code, body := g.post(step, form...); code != http.StatusSeeOther {
		g.t.Errorf("%s %v: %d: %s", step, form, code, alert(body))
	}
}

var alerts = regexp.MustCompile(`(?s)role="alert">(.*?)</p>`)

// alert is what a page says is wrong.
func alert(body string) string {
	if m := alerts.FindStringSubmatch(body); m != nil {
		return m[1]
	}
	return body
}

// settle waits until the live reading says that it has settled.
func (g *guide) settle() {
	g.t.Helper()
	for range 400 {
		g.pass(500 * time.Millisecond)
		_, body := g.get(g.base + "live")
		if strings.Contains(body, "Ready: at rest") {
			g.rehearse.step()
		}
		if strings.Contains(body, "Settled: ") {
			return
		}
		if !strings.Contains(body, "Not settled: ") && !strings.Contains(body, "Ready: ") {
			g.t.Errorf("the live reading says neither: %s", body)
			return
		}
	}
	_, body := g.get(g.base + "live")
	g.t.Errorf("never settled: %s", body)
}

// point goes through one point: the emulated reference is set, too early is
// refused, it settles, it is taken.
func (g *guide) point(procedure string, answers ...string) {
	g.t.Helper()
	g.rehearse.set(procedure)
	g.pass(200 * time.Millisecond)
	if code, body := g.post("take", answers...); code != http.StatusUnprocessableEntity ||
		!strings.Contains(alert(body), "not settled") && !strings.Contains(alert(body), "no time constant yet") {
		g.t.Errorf("%s, taken too early: %d %s", procedure, code, alert(body))
	}
	g.settle()
	g.must("take", answers...)
}

// points is how many rows the page shows.
func (g *guide) points() int {
	_, body := g.get(g.base)
	return strings.Count(body, "<tr>") - strings.Count(body, "<thead>")
}

// keep looks at the result and keeps it.
func (g *guide) keep(points int, want ...string) {
	g.t.Helper()
	_, body := g.get(g.base)
	if n := g.points(); n != points {
		g.t.Errorf("the page shows %d points, want %d", n, points)
	}
	for _, w := range append([]string{"<th>± (k=2)</th><th>Residual</th>", "change since last time: ", "due again: 2027-11-25", "Keep this calibration", "picture.svg"}, want...) {
		if !strings.Contains(body, w) {
			g.t.Errorf("the page lacks %q:\n%s", w, body)
		}
	}
	if code, pic := g.get(g.base + "picture.svg"); code != 200 || !strings.Contains(pic, "<svg") {
		g.t.Errorf("picture.svg: %d", code)
	}
	if code, pic := g.get(g.base + "picture.png"); code != 200 || !strings.HasPrefix(pic, "\x89PNG") {
		g.t.Errorf("picture.png: %d", code)
	}
	g.must("keep", "points", fmt.Sprint(points))
	_, body = g.get(g.root)
	if !strings.Contains(body, "2026-11-25 by Em") && !strings.Contains(body, "Time constant</dt>") {
		g.t.Errorf("the list does not show it:\n%s", body)
	}
	last := "last.svg"
	if g.rehearse.value.lag == rehearsedTau {
		last = "last-lag.svg"
	}
	if code, pic := g.get(g.base + last); code != 200 || !strings.Contains(pic, "<svg") {
		g.t.Errorf("%s: %d", last, code)
	}
}

// kept is the channel's only certificate.
func (g *guide) kept(lag bool) *certificate.Certificate {
	g.t.Helper()
	newest := certificate.Latest
	if lag {
		newest = certificate.LatestLag
	}
	c, err := newest(g.dir, g.name)
	if err != nil || c == nil {
		g.t.Errorf("no certificate: %v", err)
		return &certificate.Certificate{}
	}
	if files, _ := filepath.Glob(filepath.Join(g.dir, "*.toml")); len(files) == 0 {
		g.t.Error("no file")
	}
	return c
}

func about(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %v ± %v", what, got, want, within)
	}
}

// Every way is gone through on the pages against the emulated bench, and finds the
// sensor's error, which the test knows: the rehearsal's constants. Twice: the
// second time the page says what has changed.
func TestPagesGuideEveryWay(t *testing.T) {
	instrument := []string{"who", "Em", "instrument", "standard", "serial", "7", "room", "21 °C"}
	begin := func(procedure, limit string) []string {
		return append([]string{"procedure", procedure, "limit", limit}, instrument...)
	}
	for name, c := range map[string]struct {
		channel string
		walk    func(g *guide)
	}{
		"ice, boiling": {"glass", func(g *guide) {
			g.must("start", begin("ice", "")...)
			g.point("ice", "note", "old cup")
			g.must("use", "procedure", "boiling")
			g.point("boiling", "barometer", "1003 hPa")
			g.keep(2, "ice point, old cup", "boiling at 1003.0 hPa", "gain 0.99", "no freedom to tell")
			y, _ := g.kept(false).Apply(rehearsedOffset + rehearsedGain*50)
			about(g.t, "50 °C", y, 50, 0.35)
		}},
		"thermometer": {"glass", func(g *guide) {
			g.must("start", begin("thermometer", "0.5 K")...)
			for _, ref := range []string{"50 °C", "100 °C", "150 °C"} {
				g.point("thermometer", "reference", ref)
			}
			g.keep(3, "standard 150 °C", "residual: ")
			about(g.t, "gain", g.kept(false).Fit.C[1], 1/rehearsedGain, 0.003)
		}},
		"atmosphere": {"manifold", func(g *guide) {
			g.must("start", begin("atmosphere", "")...)
			g.point("atmosphere", "barometer", "1003 hPa")
			g.keep(1, "corrected = ", "752.3 Torr")
			y, _ := g.kept(false).Apply(rehearsedWide * rehearsedRoom)
			about(g.t, "atmosphere", y, rehearsedRoom, 200)
		}},
		"base, utube": {"fill", func(g *guide) {
			g.must("start", begin("base", "1 micron")...)
			g.point("base", "reference", "2 micron")
			g.must("use", "procedure", "utube")
			if _, body := g.get(g.base); !strings.Contains(body, "10 Torr 130 mm") {
				g.t.Errorf("the U-tube's steps do not say what to expect:\n%s", body)
			}
			for _, mm := range []string{"100 mm", "150 mm", "200 mm"} {
				g.rehearse.set("utube")
				g.settle()
				if _, body := g.get(g.base + "live"); !strings.Contains(body, "should show about "+map[string]string{"100 mm": "99 mm", "150 mm": "148 mm", "200 mm": "198 mm"}[mm]) {
					g.t.Errorf("at %s: %s", mm, body)
				}
				g.must("take", "height", mm, "oil", "22 °C", "far", "vacuum")
			}
			g.keep(4, "U-tube 150.0 mm at 22.0 °C against vacuum", "residual: ", "zero ")
			fit := g.kept(false).Fit
			about(g.t, "span", fit.Span(), 1/rehearsedSpan, 0.004)
			about(g.t, "zero", fit.Zero(), rehearsedZero, 0.5)
		}},
		"clamp": {"bombarder", func(g *guide) {
			g.must("start", begin("clamp", "1.5 % + 2 mA")...)
			for _, ref := range []string{"100 mA", "200 mA", "300 mA", "400 mA"} {
				g.point("clamp", "reference", ref)
			}
			g.keep(4, "standard 300 mA", "residual: ")
			about(g.t, "ratio", g.kept(false).Fit.C[1], 1/rehearsedRatio, 0.005)
		}},
		"step": {"glass", func(g *guide) {
			g.must("start", begin("step", "")...)
			for range 2 {
				g.point("step")
			}
			g.keep(2, "time constant: 2.4", "Trials")
			about(g.t, "time constant", g.kept(true).Lag.Tau, rehearsedTau, 0.03*rehearsedTau)
		}},
	} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "certificates")
			before := map[string]string{}
			for n := range 2 {
				guidePages(t, c.channel, dir, func(g *guide) {
					if _, body := g.get(g.root); !strings.Contains(body, "Calibrate "+g.name) {
						t.Errorf("the list does not lead here:\n%s", body)
					}
					if _, body := g.get(g.base); (n == 1) != strings.Contains(body, "change since last time: ") {
						t.Errorf("pass %d: the page before the start:\n%s", n+1, body)
					}
					c.walk(g)
					lag := name == "step"
					if x := g.kept(lag); (n == 1) != (x.ChangeU > 0) || x.Drifting {
						t.Errorf("pass %d: change %v ± %v, drifting %v", n+1, x.Change, x.ChangeU, x.Drifting)
					}
				})
				files, _ := filepath.Glob(filepath.Join(dir, "*"))
				if len(files) != 2*(n+1) {
					t.Errorf("pass %d: %v", n+1, files)
				}
				for _, f := range files {
					text, err := os.ReadFile(f)
					if err != nil {
						t.Fatal(err)
					}
					if old, ok := before[f]; ok && old != string(text) {
						t.Errorf("%s was changed", f)
					}
					before[f] = string(text)
				}
			}
		})
	}
}

// What makes no calibration is refused on the page with the reason and what to do;
// nothing is written, what has been taken stays, and once it is put right it can be
// kept. A change since last time that the uncertainties do not explain is told.
func TestPagesRefuse(t *testing.T) {
	who := []string{"who", "Em", "instrument", "standard", "limit", "0.2 K"}
	for name, c := range map[string]struct {
		channel string
		refs    []string // what is typed at 50, 100, 150 °C
		want    []string
	}{
		"non-monotone": {"glass", []string{"150 °C", "100 °C", "50 °C"}, []string{"not monotone: ", "wiring and polarity"}},
		"scattered":    {"glass", []string{"50 °C", "106 °C", "150 °C"}, []string{"scattered", "take that point again"}},
		"absurd":       {"glass", []string{"110 °C", "160 °C", "211 °C"}, []string{"absurd", "; "}},
		"twice":        {"glass", []string{"50 °C", "50 °C", "150 °C"}, []string{"same", "; "}},
	} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "certificates")
			guidePages(t, c.channel, dir, func(g *guide) {
				g.must("start", append([]string{"procedure", "thermometer"}, who...)...)
				for _, ref := range c.refs {
					g.point("thermometer", "reference", ref)
				}
				_, body := g.get(g.base)
				i := strings.Index(body, "No calibration yet: ")
				if i < 0 || strings.Contains(body, "Keep this") {
					t.Errorf("accepted:\n%s", body)
					return
				}
				reason := body[i : i+strings.Index(body[i:], "</p>")]
				for _, w := range c.want {
					if !strings.Contains(reason, w) {
						t.Errorf("%q lacks %q", reason, w)
					}
				}
				if code, body := g.post("keep", "points", "3"); code != 422 {
					t.Errorf("kept: %d %s", code, body)
				}
				if _, err := os.Stat(dir); !os.IsNotExist(err) {
					t.Errorf("something was written: %v", err)
				}
				if n := g.points(); n != 3 {
					t.Errorf("%d points are left of 3", n)
				}
				for range 3 {
					g.must("undo")
				}
				g.rehearse.count = 0
				for _, ref := range []string{"50 °C", "100 °C", "150 °C"} {
					g.point("thermometer", "reference", ref)
				}
				g.keep(3)
			})
		})
	}
	t.Run("too few", func(t *testing.T) {
		dir := filepath.Join(t.TempDir(), "certificates")
		guidePages(t, "bombarder", dir, func(g *guide) {
			g.must("start", "procedure", "clamp", "who", "Em", "instrument", "clamp meter", "limit", "1 %")
			g.point("clamp", "reference", "100 mA")
			g.point("clamp", "reference", "200 mA")
			if _, body := g.get(g.base); !strings.Contains(body, "No calibration yet: too few points") {
				t.Errorf("two settings:\n%s", body)
			}
			for _, bad := range []string{"", "300", "NaN mA", "300 °C"} {
				g.settle()
				if code, body := g.post("take", "reference", bad); code != 422 || !strings.Contains(alert(body), "allowed") {
					t.Errorf("%q: %d %s", bad, code, alert(body))
				}
			}
			if n := g.points(); n != 2 {
				t.Errorf("%d points after bad answers, want 2", n)
			}
			if _, err := os.Stat(dir); !os.IsNotExist(err) {
				t.Errorf("something was written: %v", err)
			}
		})
	})
	t.Run("drifts", func(t *testing.T) {
		dir := filepath.Join(t.TempDir(), "certificates")
		old := certificate.Certificate{Channel: "glass", Role: "glass", Procedure: "ice", Date: time.Date(2025, 11, 20, 9, 0, 0, 0, time.UTC),
			Due: time.Date(2026, 11, 20, 9, 0, 0, 0, time.UTC), Who: "Em", Room: math.NaN(), Change: math.NaN(), Drift: 1,
			Points: []certificate.Point{{Reference: 0, Indicated: -3, U: 0.1, Note: "ice"}}}
		var err error
		if old.Fit, err = certificate.Solve(old.Points, certificate.Offset); err != nil {
			t.Fatal(err)
		}
		if _, err := certificate.Write(dir, old); err != nil {
			t.Fatal(err)
		}
		guidePages(t, "glass", dir, func(g *guide) {
			if _, body := g.get(g.root); !strings.Contains(body, "overdue since 2026-11-20") {
				t.Errorf("the list does not tell that it is overdue:\n%s", body)
			}
			g.must("start", "procedure", "ice", "who", "Em")
			g.point("ice")
			_, pic := g.get(g.base + "picture.svg")
			if !strings.Contains(pic, "before, 2025-11-20") {
				t.Error("the picture does not show the certificate before")
			}
			g.keep(1, "more than both uncertainties explain", "it drifts")
			if !g.kept(false).Drifting {
				t.Error("the certificate does not say that it drifts")
			}
			if _, body := g.get(g.root); !strings.Contains(body, "drifts") {
				t.Errorf("the list does not tell the drift:\n%s", body)
			}
		})
	})
}
