package envelope

import (
	"math"
	"strings"
	"testing"

	"tipoff/logger/phase"
)

// Where the leak test gave no verdict the limit on the rise is judged by what else was
// seen, after the guard bands of JCGM 106: outside and within beyond 2 u, else
// marginal; and not known, but with what would have shown, where 2 u alone is more than
// the limit. What has a verdict keeps it.
func TestJudgeIsolated(t *testing.T) {
	const limit = micron / 60 // 1 micron/min
	row := func(v Verdict, unknown string) []Finding {
		return []Finding{{Limit: Limit{ID: GlassTarget, Title: "Glass target"}, Verdict: NotKnown},
			{Limit: Limit{ID: RateOfRise, Title: "Rate of rise", Unit: "Pa/s", Low: math.NaN(), High: limit, Unknown: unknown}, Verdict: v,
				Measured: math.NaN(), U: math.NaN(), Text: "Rate of rise: not known. The run had no leak-test."}}
	}
	for _, c := range []struct {
		x, u float64 // micron/min
		want Verdict
		text string
	}{
		{0.4, 0.1, Within, "Rate of rise: 0.40 ± 0.20 micron/min (shut for 8.0 s), at most 1 micron/min."},
		{1.1, 0.1, Marginal, "too near to tell."},
		{1.5, 0.1, Outside, "at most 1 micron/min: 0.5 micron/min too fast."},
		{25, 6, Outside, "24 micron/min too fast."},
		{-4, 6, NotKnown, "The run had no leak-test. Shut for 8.0 s a rise of more than 12 micron/min would have shown; at most 1 micron/min is allowed."},
		{3, 6, NotKnown, "a rise of more than 15 micron/min would have shown"},
	} {
		list := row(NotKnown, "")
		JudgeIsolated(list, Isolated{Rate: c.x * limit, U: c.u * limit, Phase: phase.LeakTest, Where: "shut for 8.0 s"})
		f := &list[1]
		if f.Verdict != c.want || !strings.Contains(f.Text, c.text) || (f.Measured == f.Measured) != (c.want != NotKnown) || list[0].Text != "" {
			t.Errorf("%g ± %g: %s %q, measured %g", c.x, 2*c.u, f.Verdict, f.Text, f.Measured)
		}
		if c.want == Outside && math.Abs(f.Degree-(c.x-1)*limit) > 1e-12 {
			t.Errorf("%g: %g too fast", c.x, f.Degree)
		}
	}
	for _, list := range [][]Finding{row(Within, ""), row(NotKnown, "The bench's volume is not known.")} {
		was := list[1].Text
		JudgeIsolated(list, Isolated{Rate: 25 * limit, U: limit, Where: "shut for 8.0 s"})
		if list[1].Text != was || list[1].Verdict == Outside {
			t.Errorf("%+v", list[1])
		}
	}
}
