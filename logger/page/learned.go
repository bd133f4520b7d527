package page

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"

	"tipoff/logger/archive"
	"tipoff/logger/journal"
	"tipoff/logger/learn"
	"tipoff/logger/model"
)

// constantView is one of the bench's own constants, as the page shows it.
type constantView struct {
	ID, Title, Value, Known, Handbook string
	Mark, Class, Use, Why             string
	Since                             int // the first version since which it is used, or not used, as now
	When                              string
	Runs                              string   // how many tell of it
	Listed                            []string // them, or those that do not, whichever are fewer
	Other                             bool     // Listed are those that do not
}

// uses remembers what each version of the constants was used for: versions never
// change.
type uses struct {
	mu sync.Mutex
	of map[int]usesOf
}

type usesOf struct {
	in   [model.NumConstants]string
	made string
}

// learned shows the bench's own constants and how far the corridors are.
func (s *site) learned(w http.ResponseWriter, r *http.Request) {
	data := map[string]any{"Title": "What the bench has learned", "Least": learn.LeastGood, "Share": 100 * learn.Share}
	if s.archive == nil || s.taught == nil {
		s.show(w, http.StatusOK, "learned.html", data)
		return
	}
	list, err := s.archive.List()
	if err != nil {
		s.fail(w, "reading the list of runs", err)
		return
	}
	var trouble []string
	c, err := s.taught.InForce()
	if err != nil {
		trouble = append(trouble, err.Error())
	}
	if c != nil {
		views, err := s.constants(c)
		if err != nil {
			trouble = append(trouble, err.Error())
		}
		data["Constants"], data["Version"], data["Made"], data["Runs"], data["Left"] = views, c, day(c), c.Runs, c.Left
		data["PerWatt"] = c.PerWattWords(nil)
	}
	families, errs := learn.Families(s.oldestFirst(list), recentRuns)
	for _, err := range errs {
		trouble = append(trouble, err.Error())
	}
	data["Families"], data["Trouble"] = families, trouble
	s.show(w, http.StatusOK, "learned.html", data)
}

// recentRuns is how many runs are looked at for families of which no run is
// marked.
const recentRuns = 40

// oldestFirst are the folders of the finished runs.
func (s *site) oldestFirst(list []archive.Entry) []string {
	var dirs []string
	for _, e := range slices.Backward(list) {
		if e.Outcome != journal.Recording && e.Trouble == "" {
			dirs = append(dirs, s.archive.RunDir(e.ID))
		}
	}
	return dirs
}

func day(c *learn.Constants) string { return c.Made.Local().Format("2 Jan 2006, 15:04") }

func (s *site) constants(c *learn.Constants) ([]constantView, error) {
	views := make([]constantView, model.NumConstants)
	for i := range views {
		v := &c.Values[i]
		view := constantView{ID: v.Constant.Info().ID, Title: v.Constant.Info().Title, Value: v.Words(), Handbook: c.HandbookWords(v.Constant), Mark: "–", Class: "unknown",
			Use: "advice only", Since: c.Version, When: day(c), Runs: fmt.Sprintf("%d of the %d runs", v.Runs, len(c.Runs))}
		if v.Basis != "handbook" {
			view.Known = fmt.Sprintf("%s: %s", v.Basis, v.KnownWords())
		}
		var in string
		if in, view.Why = c.Use(v.Constant); in != "" {
			view.Mark, view.Class, view.Use = "✓", "within", "for "+in
		}
		view.Why = strings.ToUpper(view.Why[:1]) + view.Why[1:]
		switch told := slices.DeleteFunc(slices.Clone(c.Runs), func(id string) bool { return slices.Contains(v.Without, id) }); {
		case v.Runs == 0:
			view.Runs = ""
		case len(v.Without) == 0:
			view.Runs = fmt.Sprintf("all %d runs", len(c.Runs))
			if len(c.Runs) == 1 {
				view.Runs = "the one run"
			}
		case len(v.Without) < len(told):
			view.Listed, view.Other = v.Without, true
		default:
			view.Listed = told
		}
		views[i] = view
	}
	return views, s.since(c, views)
}

// since goes back over the versions as long as a constant was used as it is now.
func (s *site) since(c *learn.Constants, views []constantView) error {
	list, err := s.taught.Versions()
	if err != nil {
		return err
	}
	now, err := s.usesOf(c.Version)
	if err != nil {
		return err
	}
	var over [model.NumConstants]bool
	for _, n := range slices.Backward(list) {
		if n >= c.Version {
			continue
		}
		then, err := s.usesOf(n)
		if err != nil {
			return err // what is older is not looked at either
		}
		left := 0
		for i := range views {
			if over[i] = over[i] || then.in[i] != now.in[i]; !over[i] {
				views[i].Since, views[i].When = n, then.made
				left++
			}
		}
		if left == 0 {
			return nil
		}
	}
	return nil
}

// usesOf is what version n was used for.
func (s *site) usesOf(n int) (usesOf, error) {
	s.uses.mu.Lock()
	defer s.uses.mu.Unlock()
	if u, ok := s.uses.of[n]; ok {
		return u, nil
	}
	c, err := s.taught.Version(n)
	if err != nil {
		return usesOf{}, err
	}
	u := usesOf{made: day(c)}
	for i := range u.in {
		u.in[i], _ = c.Use(model.Constant(i))
	}
	if s.uses.of == nil {
		s.uses.of = map[int]usesOf{}
	}
	s.uses.of[n] = u
	return u, nil
}
