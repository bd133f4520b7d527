package learn

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"tipoff/logger/journal"
	"tipoff/logger/tube"
)

// Goodness is how far a family is on the way to its corridor.
type Goodness struct {
	Family Family
	Good   []string // its runs that are marked as good and of whose tubes no fault was seen, in the order given
}

// Missing is how many good runs the corridor lacks, 0 once there is one.
func (g *Goodness) Missing() int { return max(0, LeastGood-len(g.Good)) }

// Holds is the share of further good runs that the corridor is expected to hold
// at each moment; 0 if there is none.
func (g *Goodness) Holds() float64 {
	if g.Missing() > 0 {
		return 0
	}
	return holds(len(g.Good))
}

// More is how many further good runs bring Holds to [Share].
func (g *Goodness) More() int {
	n := len(g.Good)
	for holds(n) < Share {
		n++
	}
	return n - len(g.Good)
}

// Families looks at runs by their folders: which families they are of, and which
// are good. Of runs that are not marked only the last recent are opened, for a
// family may have none that is. Families are in the order of their names. Trouble
// is what could not be read.
func Families(dirs []string, recent int) (all []Goodness, trouble []error) {
	of := map[Family][]string{}
	looked := map[string]bool{} // two parts of one run may be marked
	for i, dir := range dirs {
		good, _, err := marked(dir)
		if err != nil {
			trouble = append(trouble, fmt.Errorf("%s: %w", filepath.Base(dir), err))
			continue
		}
		switch {
		case good != "":
			if looked[good] {
				continue
			}
			looked[good] = true
			// As the corridor takes it.
			if t, _, err := OfRun(good, false); err == nil {
				of[t.Family] = append(of[t.Family], filepath.Base(good))
			}
		case i >= len(dirs)-recent:
			if f, ok := family(dir); ok {
				of[f] = append(of[f], "")
			}
		}
	}
	for f, runs := range of {
		all = append(all, Goodness{f, slices.DeleteFunc(runs, func(id string) bool { return id == "" })})
	}
	slices.SortFunc(all, func(a, b Goodness) int { return strings.Compare(a.Family.String(), b.Family.String()) })
	return all, trouble
}

// family is that of a run's card.
func family(dir string) (Family, bool) {
	m, err := journal.LoadMeta(dir)
	if err != nil || m.Kind != "" || strings.TrimSpace(m.Card) == "" {
		return Family{}, false
	}
	c, err := tube.Parse("card", []byte(m.Card))
	if err != nil {
		return Family{}, false
	}
	return FamilyOf(c), true
}
