package envelope

import (
	"math"
	"strings"
	"testing"
)

// With a plan beside it advice by rule says what was wrong and leaves the numbers
// to the plan, so that the two never differ; a fill at the edge is told what to
// read, by the gas law: 9 Torr at 20 °C is 9.4 at 33 °C.
func TestAdviceBesideAPlan(t *testing.T) {
	e := Compute(full(), true, Bench{})
	find := func(id string, v Verdict, measured, degree float64) Finding {
		l, ok := e.Limit(id)
		if !ok {
			t.Fatalf("no limit %s", id)
		}
		return Finding{Limit: l, Verdict: v, Measured: measured, Degree: degree}
	}
	say := func(planned bool, s Summary, list ...Finding) string {
		s.Planned = planned
		return strings.Join(Advise(e, list, nil, s), "\n")
	}
	short := find(ShellTime, Outside, 33, 7)
	if text := say(true, newSummary(), short); !strings.Contains(text, "at least 40 s is wanted") || strings.Contains(text, "longer") {
		t.Errorf("planned: %q", text)
	}
	if text := say(false, newSummary(), short); !strings.Contains(text, "hold them 7.0 s longer") {
		t.Errorf("by rule: %q", text)
	}
	hot := find(GlassCeiling, Outside, e.Ceiling()+15, 15)
	if text := say(true, newSummary(), hot); !strings.Contains(text, "15 °C over its ceiling.") || strings.Contains(text, "Switch") {
		t.Errorf("planned: %q", text)
	}
	if text := say(false, newSummary(), hot); !strings.Contains(text, "Switch the arc off at a reading so much lower") {
		t.Errorf("by rule: %q", text)
	}
	s := newSummary()
	s.FillTemperature = 33
	edge := find(FillPressure, Marginal, 0.95*e.FillTarget, math.NaN())
	if text, want := say(true, s, edge), "stop at "+Say(e.FillTarget*306.15/293.15, "Pa"); !strings.Contains(text, want) || !strings.Contains(text, "below the target") {
		t.Errorf("fill at the edge: %q, want %q in it", text, want)
	}
	edge.Vague = true
	if text := say(true, s, edge); text != "" {
		t.Errorf("a fill within, by a limit that is itself uncertain: %q", text)
	}
	edge.Vague, edge.Verdict = false, Within
	if text := say(true, s, edge); text != "" {
		t.Errorf("a good fill: %q", text)
	}
}
