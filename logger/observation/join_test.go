package observation

import (
	"slices"
	"testing"
)

// What was seen after ageing counts for the tube, and the ageing's limits stand beside
// the processing's; the newest ageing run comes first, as archives list them.
func TestJoin(t *testing.T) {
	in := []Run{
		{ID: "4", Ageing: true, Of: "1", Seen: []Kind{Snaking}, Checked: true, Limits: map[string]string{"ageing-light": "within"}, Titles: map[string]string{"ageing-light": "Light"}},
		{ID: "3", Ageing: true, Of: "1", Seen: []Kind{Snaking, Stain}, Checked: true, Limits: map[string]string{"ageing-light": "outside"}, Titles: map[string]string{"ageing-light": "Light"}},
		{ID: "2", Ageing: true, Of: "gone", Limits: map[string]string{"ageing-light": "outside"}},
		{ID: "1", Limits: map[string]string{"base": "outside"}, Titles: map[string]string{"base": "Base"}},
		{ID: "0", Seen: []Kind{Good}, Checked: true},
	}
	got := Join(in)
	if len(got) != 3 || got[0].ID != "1" || got[1].ID != "0" || got[2].ID != "2" {
		t.Fatalf("%+v", got)
	}
	r := got[0]
	if !r.Checked || !slices.Equal(r.Seen, []Kind{Snaking, Stain}) || r.Limits["base"] != "outside" || r.Limits["ageing-light"] != "within" || r.Titles["ageing-light"] != "Light" {
		t.Errorf("joined: %+v", r)
	}
	if in[3].Checked || len(in[3].Limits) != 1 {
		t.Errorf("the list that was given has changed: %+v", in[3])
	}
}

// Ten tubes aged until their light was steady and ten that were not, of which eight
// snake: found, by the ageing's own limit.
func TestPatternsHoldAgeingAgainstWhatWasSeen(t *testing.T) {
	var runs []Run
	for i := range 20 {
		id, verdict, seen := string(rune('a'+i)), "within", []Kind{Good}
		if i < 10 {
			verdict = "outside"
			if i < 8 {
				seen = []Kind{Snaking}
			}
		}
		runs = append(runs, Run{ID: id, Seen: seen, Checked: true},
			Run{ID: id + "-aged", Ageing: true, Of: id, Limits: map[string]string{"ageing-light": verdict}, Titles: map[string]string{"ageing-light": "Drift of the light"}})
	}
	found := Patterns(Join(runs))
	// Fisher's exact test of 8, 2 / 0, 10, two-sided: 0.000714 (sum of the
	// hypergeometric terms by Python math.comb).
	if len(found) != 1 || found[0].Seen != Snaking || found[0].Limit != "ageing-light" || found[0].Standing != Striking || found[0].P < 0.00070 || found[0].P > 0.00072 {
		t.Errorf("%+v", found)
	}
	if len(Patterns(runs)) != 0 {
		t.Error("without joining there is nothing to set against")
	}
}
