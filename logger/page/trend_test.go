package page

import (
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/plantcare"
)

func TestTrendPage(t *testing.T) {
	a := fakeArchive{t.TempDir(), nil}
	wall := time.Date(2026, 11, 25, 18, 4, 0, 0, time.UTC)
	l := frame.NewLayout(200*time.Millisecond, []frame.Channel{{Name: "manifold", Role: frame.Pressure}})
	run, err := journal.Create(a.RunDir("2026-11-25-001"), journal.Meta{ID: "2026-11-25-001", BenchName: "bench-1",
		BootID: "3f2a91c0-0000-0000-0000-000000000000", Started: journal.At(time.Second, wall, true)}, l, journal.Options{Patient: true})
	if err == nil {
		err = run.Seal(func(m *journal.Meta) {
			m.Outcome, m.Ended = journal.Completed, journal.At(time.Minute, wall.Add(time.Minute), true)
			m.Vacuum = []journal.Vacuum{{Kind: journal.PumpDown, Phase: "final-pump", Base: 0.4, BaseU: 0.01, Load: math.NaN()}}
		})
	}
	if err != nil {
		t.Fatal(err)
	}
	w := do(t, newSite(newBench(), a, nil, fakeArtifact), "GET", "/trend", "")
	text := w.Body.String()
	// 0.4 Pa is 3.00 micron (133.322 Pa a Torr).
	for _, want := range []string{"base pressure", "<td>3</td>", "six runs are needed for a trend. Last: 3 micron.", "No run tells."} {
		if w.Code != http.StatusOK || !strings.Contains(text, want) {
			t.Errorf("%d, no %q in\n%s", w.Code, want, text)
		}
	}
	if w := do(t, newSite(newBench(), nil, nil, fakeArtifact), "GET", "/trend", ""); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "no finished run") {
		t.Errorf("without an archive: %d\n%s", w.Code, w.Body.String())
	}
}

// A run that tells nothing parts the line; the highest value stands at 10/11 of the height.
func TestTrendLine(t *testing.T) {
	v := viewOf(plantcare.Trend{Values: []float64{1, 2, math.NaN(), 1, 1}})
	if len(v.Lines) != 2 || len(v.Dots) != 4 || v.Dots[1] != [2]string{"153.0", "15.8"} {
		t.Errorf("lines %q, dots %v", v.Lines, v.Dots)
	}
}

// What may be the cause is a question, and the value after it a sentence of its own.
func TestTrendSaid(t *testing.T) {
	v := quantityView{Trend: plantcare.Trend{Unit: "micron", Words: "has risen 133 % over 13 runs: tired oil?"}, Latest: "2.27"}
	if got := v.Said(); got != "Has risen 133 % over 13 runs: tired oil? Last: 2.27 micron." {
		t.Error(got)
	}
	v.Words, v.Latest = "no run tells", "-"
	if got := v.Said(); got != "No run tells." {
		t.Error(got)
	}
}
