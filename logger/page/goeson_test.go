package page

import (
	"testing"

	"tipoff/logger/archive"
)

// A part of a run that was broken off is not listed as one of which nothing is known.
func TestRowOfAPart(t *testing.T) {
	list := rows([]archive.Entry{{ID: "b", Verdict: "within"}, {ID: "a", Verdict: "not known", GoesOn: "b"}})
	if list[0].Verdict != "within" || list[1].Verdict != "goes on" || list[1].Mark != "→" {
		t.Errorf("%+v", list)
	}
}
