package recompute_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib/certificate"
	"tipoff/calib/strict"
	"tipoff/logger/envelope"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
	"tipoff/logger/plan"
	"tipoff/logger/recompute"
)

const cardText = `name = "PP-04"
job = "Petrel Pier ferry kiosk"
outside = "15 mm"
wall = "1.1 mm"
length = "1.2 m"
glass = "soda-lime"
coating = "clear"
gas = "neon"
[electrode]
rating = "60 mA"
`

// glassCertificate says that the glass reads 2 °C in ice and 120 °C in boiling
// water at 1013.25 hPa, so that corrected = (indicated - 2 °C)·100/118.
func glassCertificate(t *testing.T) string {
	t.Helper()
	points := []certificate.Point{{Reference: 0, Indicated: 2, U: 0.1, Note: "ice"}, {Reference: 100, Indicated: 120, U: 0.1, Note: "boiling"}}
	fit, err := certificate.Solve(points, certificate.Linear)
	if err != nil {
		t.Fatal(err)
	}
	c := certificate.Certificate{
		Channel: "glass", Role: "glass", Procedure: "ice, boiling", Who: "W. Tern",
		Date: time.Date(2026, 11, 26, 9, 0, 0, 0, time.UTC), Due: time.Date(2027, 11, 26, 9, 0, 0, 0, time.UTC),
		Instrument: certificate.Instrument{Name: "bath", Limit: 0.1}, Room: 21, Points: points, Fit: fit, Drift: 1, Change: math.NaN(),
	}
	return string(c.Encode())
}

// A thermocouple that read a fifth too high made a run seem to overheat its
// glass: 302 °C recorded, 254.2 °C by the certificate (hand-calculated). Recomputed
// by the certificate that was found later, the ceiling is kept.
func TestCertificateChangesVerdict(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "run")
	r := newRig(t, dir, benchOf("4:1"))
	gauge := []float64{code(6.8+0.6*math.Log10(1.6), 4)} // 160 Pa, by the gauge's formula
	glass := func(c float64) []float64 { return []float64{math.Round(c * 128)} }
	for i := range 600 {
		r.frame(phase.Idle, gauge, glass(25+0.001*float64(i)), 0)
	}
	for i := range 931 {
		r.frame(phase.Bombard, gauge, glass(23+0.3*float64(i)), 0.4)
	}
	for range 30 {
		r.frame(phase.Bombard, gauge, glass(302), 0.4)
	}
	for i := range 900 {
		r.frame(phase.FinalPump, gauge, glass(302-0.2*float64(i)), 0)
	}
	err := r.writer.Update(func(m *journal.Meta) error { m.Card = cardText; return nil })
	if err != nil {
		t.Fatal(err)
	}
	r.seal()
	res, err := recompute.Run(context.Background(), dir, options("glass.toml", glassCertificate(t)))
	if err != nil {
		t.Fatal(err)
	}
	old, fresh := frames(t, dir), frames(t, filepath.Join(dir, "recomputed-1"))
	for i := range old {
		o, n := old[i].Readings[1].Value, fresh[i].Readings[1].Value
		if want := (o.X - 2) * 100 / 118; math.Abs(n.X-want) > 0.02 {
			t.Fatalf("frame %d: %v °C became %v, want %v", i, o.X, n.X, want)
		}
	}
	changed := false
	for _, l := range res.Limits {
		if l.ID == envelope.GlassCeiling {
			changed = true
			if l.Before != string(envelope.Outside) || l.After == l.Before || math.Abs(l.Measured-302) > 0.5 || math.Abs(l.Now-254.24) > 0.5 {
				t.Errorf("ceiling: %+v", l)
			}
		}
	}
	if !changed {
		t.Errorf("the ceiling's verdict did not change: %+v; %s", res.Limits, res.SummaryBefore)
	}
	m, err := journal.LoadMeta(filepath.Join(dir, "recomputed-1"))
	if err != nil || m.Verdict != res.VerdictAfter {
		t.Errorf("the new run.toml says %q, the result %q, %v", m.Verdict, res.VerdictAfter, err)
	}

	// One of a channel that the run does not have.
	other := strings.Replace(glassCertificate(t), `channel = "glass"`, `channel = "other"`, 1)
	_, err = recompute.Run(context.Background(), dir, options("glass.toml", other))
	var e *strict.Error
	if !errors.As(err, &e) || e.Line == 0 || !strings.Contains(e.Error(), "manifold, glass, bombarder") {
		t.Errorf("error %v, want one that lists the run's channels", err)
	}
}

// A run recorded under a certificate is recomputed under it; another
// calibration of the channel takes its place.
func TestOwnCertificate(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "run")
	r := newRigUnder(t, dir, benchOf("4:1"), "# in force\n"+glassCertificate(t))
	for range 100 {
		r.frame(phase.Idle, []float64{13600}, []float64{120 * 128}, 0)
	}
	r.seal()
	glassOnly := "[[channel]]\nname = \"glass\"\n[channel.calibration]\nkind = \"thermocouple\"\n"
	for i, c := range []struct {
		file, text string
		want       float64 // °C, by the points of the certificate: 120 is 100
	}{{"", "", 100}, {"part.toml", partFile, 100}, {"glass.toml", glassOnly, 120}} {
		res, err := recompute.Run(context.Background(), dir, options(c.file, c.text))
		if err != nil {
			t.Fatal(err)
		}
		f := frames(t, filepath.Join(dir, fmt.Sprintf("recomputed-%d", i+1)))
		if got := f[50].Readings[1].Value.X; res.Number != i+1 || math.Abs(got-c.want) > 0.01 {
			t.Errorf("%s: %v °C, want %v", c.file, got, c.want)
		}
	}
}

// A certificate of a time constant: in a ramp of 3 °C/s the glass is ahead of the
// junction by rate × tau (closed form), so a run recorded without correction
// gains 3 °C/s × tau; the junction as indicated stays.
func TestTimeConstant(t *testing.T) {
	const tau = 3.0
	c := certificate.Certificate{Channel: "glass", Role: "glass", Procedure: "step", Who: "Em", Room: math.NaN(), Change: math.NaN(),
		Date: time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC), Due: time.Date(2027, 11, 24, 8, 0, 0, 0, time.UTC),
		Fit: certificate.LagFit(), Trials: []certificate.Trial{{Tau: tau, U: 0.1, Note: "step"}}}
	var err error
	if c.Lag, err = certificate.SolveLag(c.Trials); err != nil {
		t.Fatal(err)
	}
	text := string(c.Encode())
	for name, x := range map[string]struct{ own, file string }{
		"given":                                 {"", text},
		"of the run itself":                     {text, ""},
		"given, beside the run's own of values": {"# in force\n" + glassCertificate(t), text},
	} {
		dir := filepath.Join(t.TempDir(), "run")
		r := newRigUnder(t, dir, benchOf("4:1"), x.own)
		for i := range 900 {
			r.frame(phase.Bombard, []float64{13600}, []float64{math.Round((25 + 0.3*float64(i)) * 128)}, 0.4)
		}
		r.seal()
		file := ""
		if x.file != "" {
			file = "glass-lag.toml"
		}
		if _, err := recompute.Run(context.Background(), dir, options(file, x.file)); err != nil {
			t.Fatal(name, err)
		}
		m, err := journal.LoadMeta(filepath.Join(dir, "recomputed-1"))
		if err != nil || m.Layout.Channels[1].TimeConstantS != tau || !plan.LagCorrected(m) {
			t.Errorf("%s: the result says a time constant of %g s, %v", name, m.Layout.Channels[1].TimeConstantS, err)
		}
		old, fresh := frames(t, dir), frames(t, filepath.Join(dir, "recomputed-1"))
		for i := 300; i < 900; i += 100 {
			o, n := old[i].Readings[1], fresh[i].Readings[1]
			junction := o.Value.X
			want := junction + 3*tau
			if strings.Contains(name, "values") {
				want = (want - 2) * 100 / 118
			}
			if math.Abs(n.Value.X-want) > 0.3 || n.Indicated.X != o.Indicated.X {
				t.Errorf("%s, frame %d: junction %.2f °C, glass %.2f °C, want %.2f °C; indicated %v, before %v", name, i, junction, n.Value.X, want, n.Indicated.X, o.Indicated.X)
			}
		}
	}
	// For a channel that has no lag it is the user's mistake.
	dir := filepath.Join(t.TempDir(), "run")
	r := newRig(t, dir, benchOf("4:1"))
	r.frame(phase.Idle, []float64{13600}, []float64{4000}, 0)
	r.seal()
	other := strings.Replace(strings.Replace(text, `channel = "glass"`, `channel = "manifold"`, 1), `role = "glass"`, `role = "shell"`, 1)
	var e *strict.Error
	if _, err := recompute.Run(context.Background(), dir, options("lag.toml", other)); !errors.As(err, &e) || e.Line == 0 {
		t.Errorf("error %v, want one with its line", err)
	}
}

// The new run.toml holds each finding, and what was put beside the run can be
// verified: a changed byte in the readings or in the result is found.
func TestVerify(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "run")
	recordRows(t, dir, "3:1")
	if n, err := recompute.Verify(dir); n != 0 || err != nil {
		t.Errorf("nothing recomputed: %d, %v", n, err)
	}
	res, err := recompute.Run(context.Background(), dir, options("part.toml", partFile))
	if err != nil {
		t.Fatal(err)
	}
	m, err := journal.LoadMeta(filepath.Join(dir, "recomputed-1"))
	if err != nil {
		t.Fatal(err)
	}
	if len(m.Findings) == 0 || m.Verdict != res.VerdictAfter {
		t.Errorf("%d findings, verdict %q, want those of the new values", len(m.Findings), m.Verdict)
	}
	for _, f := range m.Findings {
		if f.Limit == "" || f.Verdict == "" || f.Text == "" {
			t.Errorf("finding %+v", f)
		}
		for _, l := range res.Limits {
			if l.ID == f.Limit && l.After != f.Verdict {
				t.Errorf("%s: run.toml says %s, the result %s", l.ID, f.Verdict, l.After)
			}
		}
	}
	if n, err := recompute.Verify(dir); n != 1 || err != nil {
		t.Errorf("whole: %d, %v", n, err)
	}
	// sha256sum of coreutils agrees.
	if _, err := exec.LookPath("sha256sum"); err == nil {
		cmd := exec.Command("sha256sum", "-c", "recomputed-1.SHA256SUMS")
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil || strings.Count(string(out), ": OK") != 2 {
			t.Errorf("sha256sum: %v\n%s", err, out)
		}
	}
	for _, name := range []string{"recomputed-1.toml", "recomputed-1/frames.lp.zst", "recomputed-1/run.toml", "recomputed-1.SHA256SUMS"} {
		path := filepath.Join(dir, name)
		good, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		bad := append([]byte(nil), good...)
		bad[len(bad)/2] ^= 1
		if err := os.WriteFile(path, bad, 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := recompute.Verify(dir); err == nil {
			t.Errorf("a changed byte in %s is not found", name)
		}
		if err := os.WriteFile(path, good, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
