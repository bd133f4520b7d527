package page

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"tipoff/logger/archive"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/learn"
	"tipoff/logger/model"
	"tipoff/logger/observation"
)

// shop is a store with runs whose lessons stand beside them and with two
// versions of the constants; an Archive.
type shop struct {
	runs string
	ids  []string
}

func (s *shop) RunDir(id string) string { return filepath.Join(s.runs, id) }
func (s *shop) List() ([]archive.Entry, error) {
	var all []archive.Entry
	for i := len(s.ids) - 1; i >= 0; i-- {
		all = append(all, archive.Entry{ID: s.ids[i], Dir: s.RunDir(s.ids[i]), Outcome: journal.Completed})
	}
	return all, nil
}

func (s *shop) run(t *testing.T, id, gas string, good bool) {
	t.Helper()
	wall := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	l := frame.NewLayout(200*time.Millisecond, []frame.Channel{{Name: "manifold", Role: frame.Pressure}})
	card := "name = \"PP-01\"\noutside = \"15 mm\"\nwall = \"1.1 mm\"\nlength = \"1.2 m\"\nglass = \"soda-lime\"\ncoating = \"clear\"\ngas = \"" + gas + "\"\n"
	w, err := journal.Create(s.RunDir(id), journal.Meta{ID: id, Tube: "PP-01", Card: card, Started: journal.At(time.Second, wall, true)}, l, journal.Options{Patient: true})
	if err == nil {
		err = w.Seal(func(m *journal.Meta) { m.Outcome = journal.Completed })
	}
	if err == nil && good {
		err = observation.Add(s.RunDir(id), observation.Observation{Kind: observation.Good, At: wall})
	}
	if err == nil && good { // within one tick of the file system's clock the lesson would be older
		err = os.Chtimes(filepath.Join(s.RunDir(id), observation.FileName), wall, wall)
	}
	if err != nil {
		t.Fatal(err)
	}
	// The lesson that the run's frames would give.
	lesson := &learn.Taught{Run: id, Family: learn.Family{Gas: gas, Glass: "soda-lime", Bore: 12}, Why: "drawn"}
	if err := lesson.Save(s.RunDir(id)); err != nil {
		t.Fatal(err)
	}
	s.ids = append(s.ids, id)
}

// version keeps a version of which the hold pressure is used, or not, by two
// runs, one of which tells of the manifold.
func (s *shop) version(t *testing.T, n int, beats bool) {
	t.Helper()
	c := learn.Constants{Version: n, Made: time.Date(2026, 11, 20, n, 0, 0, 0, time.UTC), Runs: s.ids[:2], Scatter: 1,
		Left: []learn.Left{{Run: s.ids[2], Why: "too far from the other runs"}}, Params: model.Handbook(model.Bench{})}
	for i := range c.Values {
		id := model.Constant(i)
		c.Values[i] = learn.Value{Constant: id, X: math.NaN(), U: math.NaN(), OfRuns: math.NaN(), Known: id.Info().Mean, KnownU: id.Info().Spread,
			Basis: "handbook", Why: "no run tells of it apart from the others"}
	}
	v := &c.Values[model.HoldPressure]
	// 400 Pa m are 3.00 Torr m (133.322 Pa a Torr).
	v.X, v.U, v.OfRuns, v.Runs, v.Beats, v.Why = 400, 0.07, 0.05, 2, beats, ""
	v = &c.Values[model.ManifoldVolume]
	v.X, v.U, v.OfRuns, v.Runs, v.Why, v.Without, v.Known, v.Basis = 0.52e-3, 0.14, 0.1, 1, "", s.ids[:1], 0.5e-3, "bench.toml"
	text, err := c.Encode()
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(filepath.Dir(s.runs), learn.Dir)
	if err := errors.Join(os.MkdirAll(dir, 0o755), os.WriteFile(filepath.Join(dir, fmt.Sprintf("%04d.toml", n)), text, 0o644)); err != nil {
		t.Fatal(err)
	}
}

var spaces = regexp.MustCompile(`\s+`)

// Each constant with value, uncertainty, unit, handbook, runs, version and use;
// the families with how many good runs they have and lack.
func TestLearnedPage(t *testing.T) {
	s := &shop{runs: filepath.Join(t.TempDir(), "runs")}
	for i := range 6 {
		s.run(t, fmt.Sprintf("2026-11-%02d-001", i+1), "neon", i > 0)
	}
	s.run(t, "2026-11-07-001", "argon", true)
	s.run(t, "2026-11-08-001", "argon", false)
	for n, beats := range []bool{true, false, true, true} {
		s.version(t, n+1, beats)
	}
	h := newSite(newBench(), s, learn.Open(filepath.Dir(s.runs), nil), fakeArtifact)
	for range 2 { // the second time from what it remembers
		w := do(t, h, "GET", "/learned", "")
		text := spaces.ReplaceAllString(w.Body.String(), " ")
		for what, want := range map[string]string{
			"version":      "Version 4 of 20 Nov 2026",
			"from":         "from 2 runs",
			"value":        `<b class="bound">3 Torr m ± 7 %</b>`,
			"used":         "</b> for limits</span>",
			"why":          "2 runs of this bench know it to 7 %, handbook to",
			"runs":         "From all 2 runs",
			"since":        "So since version 3 (",
			"other since":  "So since version 1 (",
			"not used":     "</b> advice only</span>",
			"owner":        "bench.toml: 0.5 L ±",
			"why not":      "1 run knows it to 14 % only",
			"told":         `From 1 of the 2 runs: <a href="/runs/2026-11-02-001">2026-11-02-001</a>. So`,
			"not known":    `<b class="bound">not known</b>`,
			"silent":       "No run tells of it apart from the others; handbook stands",
			"runs used":    `<a href="/runs/2026-11-01-001">`,
			"left out":     `<a href="/runs/2026-11-03-001">2026-11-03-001</a></th><td>too far from the other runs</td>`,
			"corridor":     `neon in soda-lime, bore 12 to 15 mm</th><td>5</td><td>there; a further good run is inside for 67 % of the time, with 4 more good runs for 80 %`,
			"no corridor":  `argon in soda-lime, bore 12 to 15 mm</th><td>1</td><td>not yet: 4 more good runs are missing`,
			"safety":       "not a safety interlock",
			"link from it": `<a href="/learned">`,
		} {
			if w.Code != http.StatusOK || !strings.Contains(text, want) {
				t.Errorf("%s: %d, no %q in\n%s", what, w.Code, want, text)
			}
		}
		if n := strings.Count(text, `<div class="limit">`); n != int(model.NumConstants) {
			t.Errorf("%d constants, want %d", n, model.NumConstants)
		}
	}
	// A version that cannot be read is said, and hides nothing else.
	if err := os.WriteFile(filepath.Join(filepath.Dir(s.runs), learn.Dir, "0005.toml"), []byte("format = 1\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if w := do(t, h, "GET", "/learned", ""); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "0005.toml") || !strings.Contains(w.Body.String(), "neon in soda-lime") {
		t.Errorf("with a broken version: %d\n%s", w.Code, w.Body.String())
	}
	for _, a := range []Archive{nil, &shop{runs: filepath.Join(t.TempDir(), "runs")}} {
		if w := do(t, newSite(newBench(), a, learn.Open(t.TempDir(), nil), fakeArtifact), "GET", "/learned", ""); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "Nothing yet") {
			t.Errorf("with nothing: %d\n%s", w.Code, w.Body.String())
		}
	}
}
