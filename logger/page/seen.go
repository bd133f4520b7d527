package page

import (
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"tipoff/logger/observation"
)

// seen is one observation as the run's page shows it.
type seen struct {
	observation.Observation
	No   int
	Wall string
}

// seenOf lists what was seen of the run id, and what is wrong with the list.
func (s *site) seenOf(id string) (list []seen, trouble string) {
	if s.archive == nil {
		return nil, ""
	}
	all, err := observation.Of(s.archive.RunDir(id))
	if err != nil {
		return nil, err.Error()
	}
	for i, o := range all {
		list = append(list, seen{o, i + 1, o.At.Local().Format("2 Jan 2006, 15:04")})
	}
	return list, ""
}

// goesOn is the run that goes on with the run id, which was broken off; "" if none does.
func (s *site) goesOn(id string) string {
	if s.archive == nil {
		return ""
	}
	dir := s.archive.RunDir(id)
	if whole := observation.Whole(dir); whole != dir {
		return filepath.Base(whole)
	}
	return ""
}

// observe takes what a person saw of a run's tube, or takes an observation
// back, from the form on the run's page.
func (s *site) observe(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	if s.archive == nil || !runID.MatchString(id) {
		http.Error(w, "There is no such run.", http.StatusNotFound)
		return
	}
	dir := s.archive.RunDir(id)
	if _, err := os.Stat(dir); err != nil {
		http.Error(w, "There is no such run.", http.StatusNotFound)
		return
	}
	sn := s.src.Snapshot()
	if sn == nil {
		http.Error(w, "the bench has not given its first reading yet", http.StatusServiceUnavailable)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, 16<<10)
	if err := r.ParseForm(); err != nil {
		http.Error(w, "reading the form: "+err.Error(), http.StatusBadRequest)
		return
	}
	if code, err := write(dir, r, sn.Wall); err != nil {
		http.Error(w, err.Error(), code)
		return
	}
	http.Redirect(w, r, "/runs/"+id+"#seen", http.StatusSeeOther)
}

// write carries the form out.
func write(dir string, r *http.Request, wall time.Time) (code int, err error) {
	if text := r.PostForm.Get("withdraw"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			return http.StatusUnprocessableEntity, fmt.Errorf("withdraw: found %q; allowed: the number of an observation", text)
		}
		err = observation.Withdraw(dir, n, wall)
		return codeOf(errors.Is(err, observation.ErrNone)), err
	}
	o := observation.Observation{
		Kind: observation.Kind(r.PostForm.Get("kind")), At: wall,
		By: strings.TrimSpace(r.PostForm.Get("by")), Note: strings.TrimSpace(r.PostForm.Get("note")),
	}
	if text := strings.TrimSpace(r.PostForm.Get("hours")); text != "" {
		if o.Hours, err = strconv.ParseFloat(text, 64); err != nil {
			return http.StatusUnprocessableEntity, fmt.Errorf("hours: found %q; allowed: a number from 0 to %d", text, observation.MaxHours)
		}
	}
	if err := o.Check(); err != nil {
		return http.StatusUnprocessableEntity, err
	}
	return http.StatusInternalServerError, observation.Add(dir, o)
}

func codeOf(users bool) int {
	if users {
		return http.StatusUnprocessableEntity
	}
	return http.StatusInternalServerError
}

// patterns shows what was seen of tubes beside what their runs did.
func (s *site) patterns(w http.ResponseWriter, r *http.Request) {
	var dirs []string
	if s.archive != nil {
		list, err := s.archive.List()
		if err != nil {
			s.fail(w, "reading the list of runs", err)
			return
		}
		for _, entry := range list {
			dirs = append(dirs, s.archive.RunDir(entry.ID))
		}
	}
	all, looked, trouble := observation.OfRuns(dirs)
	counts := map[observation.Kind]int{}
	for _, run := range all {
		for _, k := range run.Seen {
			counts[k]++
		}
	}
	type count struct {
		Words string
		observation.Share
	}
	var kinds []count
	for _, k := range observation.Kinds() {
		if counts[k] > 0 {
			kinds = append(kinds, count{k.Words(), observation.ShareOf(counts[k], looked)})
		}
	}
	s.show(w, http.StatusOK, "patterns.html", map[string]any{
		"Title": "What was seen", "Runs": len(all), "Looked": looked, "Kinds": kinds,
		"Patterns": observation.Patterns(all), "Trouble": trouble,
	})
}
