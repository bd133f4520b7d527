package observation

import (
	"fmt"
	"path/filepath"

	"tipoff/logger/ageing"
	"tipoff/logger/journal"
)

// OfRun is what the run in dir did, from its run.toml, and what was seen of its
// tube.
func OfRun(dir string) (Run, error) {
	m, err := journal.LoadMeta(dir)
	if err != nil {
		return Run{}, fmt.Errorf("reading the run's findings: %w", err)
	}
	list, err := Of(dir)
	if err != nil {
		return Run{}, err
	}
	r := Run{ID: m.ID, Limits: map[string]string{}, Titles: map[string]string{}}
	if ageing.Is(m) {
		r.Ageing = true
		if q, err := ageing.ParseRequest("request", []byte(m.Request)); err == nil {
			r.Of = q.Run
		}
	}
	for _, f := range m.Findings {
		r.Limits[f.Limit], r.Titles[f.Limit] = f.Verdict, f.Title
	}
	for _, o := range list {
		if o.Stands() && o.Kind.OfTube() {
			r.Seen, r.Checked = append(r.Seen, o.Kind), true
		}
	}
	return r, nil
}

// OfRuns is [OfRun] of several, joined; looked counts those of which something was
// seen. A part of a run that goes on in another record is none. What cannot be read is left out, and why is in trouble.
func OfRuns(dirs []string) (runs []Run, looked int, trouble []error) {
	goesOn := map[string]string{}
	for _, dir := range dirs {
		if whole := Whole(dir); whole != dir {
			goesOn[filepath.Base(dir)] = filepath.Base(whole)
			continue
		}
		r, err := OfRun(dir)
		if err != nil {
			trouble = append(trouble, err)
			continue
		}
		runs = append(runs, r)
	}
	for i := range runs { // aged under the name of a part
		if whole, ok := goesOn[runs[i].Of]; ok {
			runs[i].Of = whole
		}
	}
	runs = Join(runs)
	for i := range runs {
		if runs[i].Checked {
			looked++
		}
	}
	return runs, looked, trouble
}
