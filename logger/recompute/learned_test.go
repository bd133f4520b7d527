package recompute_test

import (
	"bytes"
	"context"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tipoff/logger/envelope"
	"tipoff/logger/journal"
	"tipoff/logger/learn"
	"tipoff/logger/model"
	"tipoff/logger/phase"
	"tipoff/logger/recompute"
	"tipoff/logger/sheet"
)

const torr = 101325.0 / 760 // Pa, the Torr's definition

// evening records a run that pumps, lets in air and strikes at 3.4 Torr.
func (r *rig) evening() {
	for _, st := range []struct {
		id             phase.ID
		s              int
		p0, p1, t0, t1 float64 // Torr, °C
		amps           float64
	}{
		{phase.Idle, 10, 70, 70, 22, 22, 0}, // as much as the gauge shows
		{phase.Evacuate, 60, 70, 0.03, 22, 22, 0},
		{phase.LeakTest, 60, 0.03, 0.034, 22, 22, 0},
		{phase.AdmitAir, 10, 0.034, 3.4, 22, 22, 0},
		{phase.Bombard, 90, 3.4, 3.6, 22, 200, 0.45},
		{phase.FinalPump, 60, 3.6, 0.01, 200, 150, 0},
	} {
		n := 10 * st.s
		for i := range n {
			f := float64(i) / float64(n)
			p := math.Exp(math.Log(st.p0)*(1-f) + math.Log(st.p1)*f)
			volts := 6.8 + 0.6*math.Log10(p*torr/100)
			r.frame(st.id, []float64{code(volts, 4)}, []float64{math.Round(128 * (st.t0 + (st.t1-st.t0)*f))}, st.amps)
		}
	}
	r.seal()
}

// holdsUpTo is a version of the bench's own constants, by which the arc holds up
// to x Torr m.
func holdsUpTo(t *testing.T, store string, version int, x float64) {
	t.Helper()
	c := learn.Constants{Version: version, Made: time.Date(2026, 11, 20, 0, 0, 0, 0, time.UTC), Runs: []string{"2026-11-01-001", "2026-11-02-001"},
		Scatter: 1, Params: model.Handbook(model.Bench{})}
	for i := range c.Values {
		id := model.Constant(i)
		c.Values[i] = learn.Value{Constant: id, X: math.NaN(), U: math.NaN(), OfRuns: math.NaN(), Known: id.Info().Mean, KnownU: id.Info().Spread,
			Basis: "handbook", Why: "no run tells of it apart from the others"}
	}
	v := &c.Values[model.HoldPressure]
	c.Params.Cov[model.PressureExponent][model.PressureExponent] = 0.02 * 0.02 // as after some runs
	// As it comes to in the card's tube, of 1.2 m and the usual bore.
	v.X, v.U, v.OfRuns, v.Runs, v.Beats, v.Why = x/1.2*torr*model.UsualLength/c.Params.HoldShare(1.2, model.UsualBore, model.UsualCurrent), 0.05, 0.05, 2, true, ""
	text, err := c.Encode()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(store, learn.Dir, []string{"", "0001.toml", "0002.toml"}[version])
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, text, 0o644); err != nil {
		t.Fatal(err)
	}
}

// strikeOf is the finding on the air pressure for striking.
func strikeOf(t *testing.T, m *journal.Meta) journal.Finding {
	t.Helper()
	i := slices.IndexFunc(m.Findings, func(f journal.Finding) bool { return f.Limit == envelope.StrikeWindow })
	if i < 0 {
		t.Fatal("the strike was not judged")
	}
	return m.Findings[i]
}

// A run that was judged by what the bench had learned is recomputed by the very
// same: with the same calibration no verdict changes, though a later version
// would judge otherwise. Struck at 3.4 Torr, the tube of 1.2 m is outside where
// the arc holds up to 2.4 Torr m (2 Torr), and within at 5 Torr m (4.2 Torr).
func TestLearnedLimitsStay(t *testing.T) {
	store := t.TempDir()
	dir := filepath.Join(store, "runs", "2026-11-25-001")
	newRig(t, dir, benchOf("4:1")).evening()
	if err := journal.UpdateMeta(dir, func(m *journal.Meta) error { m.Card, m.Tube = cardText, "PP-04"; return nil }); err != nil {
		t.Fatal(err)
	}
	holdsUpTo(t, store, 1, 2.4)
	s, err := sheet.Make(dir)
	if err == nil {
		err = s.Save(dir)
	}
	if err != nil {
		t.Fatal(err)
	}
	recorded, err := journal.LoadMeta(dir)
	if err != nil {
		t.Fatal(err)
	}
	f := strikeOf(t, recorded)
	if recorded.Constants != 1 || s.Constants != 1 || f.Verdict != "outside" || f.Basis != string(envelope.FromBench) || math.Abs(f.High-2*torr) > 1e-6*torr {
		t.Fatalf("judged by version %d: %+v", recorded.Constants, f)
	}
	var text strings.Builder
	if err := s.Text(&text); err != nil {
		t.Fatal(err)
	}
	if words := strings.Join(strings.Fields(text.String()), " "); !strings.Contains(words, "Version 1 of what this bench's runs have taught, from 2 runs. Limits use its hold-pressure 2.02 Torr m") {
		t.Errorf("the sheet does not say by which constants:\n%s", words)
	}

	// A later version does not touch the run, neither here nor when the sheet is made again.
	holdsUpTo(t, store, 2, 5)
	was, err := s.JSON()
	if err != nil {
		t.Fatal(err)
	}
	if s, err = sheet.Make(dir); err != nil {
		t.Fatal(err)
	}
	if again, err := s.JSON(); err != nil || !bytes.Equal(again, was) {
		t.Errorf("made again by version %d the sheet is another (%v)", s.Constants, err)
	}
	res, err := recompute.Run(context.Background(), dir, options("", ""))
	if err != nil {
		t.Fatal(err)
	}
	if res.Constants != 1 || res.ConstantsRemark != "" || res.VerdictRecorded != res.VerdictBefore || res.VerdictAfter != res.VerdictBefore || len(res.Limits) != 0 {
		t.Errorf("recomputed: version %d %q, verdict recorded %s, before %s, after %s, limits %+v", res.Constants, res.ConstantsRemark,
			res.VerdictRecorded, res.VerdictBefore, res.VerdictAfter, res.Limits)
	}
	sub := filepath.Join(dir, "recomputed-1")
	m, err := journal.LoadMeta(sub)
	if err != nil {
		t.Fatal(err)
	}
	g := strikeOf(t, m)
	if m.Constants != 1 || len(m.Findings) != len(recorded.Findings) || g.High != f.High || g.Verdict != f.Verdict {
		t.Errorf("recomputed: version %d, %+v", m.Constants, g)
	}
	for i := range m.Findings {
		if a, b := recorded.Findings[i], m.Findings[i]; a.Limit != b.Limit || a.Verdict != b.Verdict || a.Basis != b.Basis {
			t.Errorf("%s: %s by %s, recomputed %s by %s", a.Limit, a.Verdict, a.Basis, b.Verdict, b.Basis)
		}
	}
	// The recomputation's own sheet goes by the same.
	if s, err := sheet.Make(sub); err != nil || s.Constants != 1 || s.Verdict.Overall != recorded.Verdict {
		t.Errorf("sheet of the recomputation: %+v, %v", s, err)
	}

	// Away from its store the run has lost them, and that is said.
	away := filepath.Join(t.TempDir(), "runs", "2026-11-25-001")
	if err := os.CopyFS(away, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	res, err = recompute.Run(context.Background(), away, options("whole.toml", benchOf("4:1")))
	if err != nil || res.Constants != 0 || !strings.Contains(res.ConstantsRemark, "Version 1 of the bench's own constants") {
		t.Errorf("away: %+v, %v", res, err)
	}
}

// A run that was judged without own constants stays so, whatever was learned
// since.
func TestJudgedWithoutConstants(t *testing.T) {
	store := t.TempDir()
	dir := filepath.Join(store, "runs", "2026-11-25-001")
	newRig(t, dir, benchOf("4:1")).evening()
	if err := journal.UpdateMeta(dir, func(m *journal.Meta) error {
		m.Card, m.Tube, m.Verdict = cardText, "PP-04", "within"
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	holdsUpTo(t, store, 1, 2.4)
	res, err := recompute.Run(context.Background(), dir, options("", ""))
	if err != nil || res.Constants != 0 || res.ConstantsRemark != "" {
		t.Fatalf("%+v, %v", res, err)
	}
	m, err := journal.LoadMeta(filepath.Join(dir, "recomputed-1"))
	if err != nil {
		t.Fatal(err)
	}
	if f := strikeOf(t, m); m.Constants != 0 || f.Basis == string(envelope.FromBench) {
		t.Errorf("version %d, %+v", m.Constants, f)
	}
}
