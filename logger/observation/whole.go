package observation

import (
	"os"
	"path/filepath"
	"slices"
	"time"

	"tipoff/logger/journal"
)

// A run that was broken off and gone on with is several records of one tube. What was
// seen of it may be written beside any of them, and counts for the run.

// Whole is the folder of the run that judges the record in dir: of a part of a run that
// was broken off that of its last part, else dir itself.
func Whole(dir string) string {
	m, err := journal.LoadMeta(dir)
	if err != nil || m.GoesOn == "" || !filepath.IsLocal(m.GoesOn) {
		return dir
	}
	whole := filepath.Join(journal.RunsOf(dir), m.GoesOn)
	if _, err := os.Stat(whole); err != nil {
		return dir // it is not there any more
	}
	return whole
}

// placed is an observation and where it is written.
type placed struct {
	Observation
	dir string
	no  int // in that folder's file, from 1
}

// parts are the records of the run that dir belongs to; of one whose run.toml cannot
// be read, that folder alone.
func parts(dir string) []journal.Part {
	whole := Whole(dir)
	all, _, err := journal.Parts(whole)
	if err != nil {
		return []journal.Part{{Dir: whole}}
	}
	return all
}

// into is the begin of part i in seconds from that of the first.
func into(all []journal.Part, i int) float64 {
	if i == 0 {
		return 0
	}
	return (all[i].Meta.Started.Mono() + all[i].Shift - all[0].Meta.Started.Mono()).Seconds()
}

// Begun is how long the run had been going on when the record in dir began, s; 0 but of
// the rest of one that was broken off.
func Begun(dir string) float64 {
	all, _, err := journal.Parts(dir)
	if err != nil {
		return 0
	}
	return into(all, len(all)-1)
}

func ofRun(dir string) ([]placed, error) {
	var out []placed
	all := parts(dir)
	for i, p := range all {
		list, err := Load(p.Dir)
		if err != nil {
			return nil, err
		}
		for n, o := range list {
			if o.Into > 0 {
				o.Into += into(all, i)
			}
			out = append(out, placed{o, p.Dir, n + 1})
		}
	}
	// By when they were written, so that a number stays whatever is added.
	slices.SortStableFunc(out, func(a, b placed) int { return a.At.Compare(b.At) })
	return out, nil
}

// Of are the observations of the run that the record in dir belongs to, of all its
// parts if it was broken off, oldest first. Moments count from the run's begin.
func Of(dir string) ([]Observation, error) {
	all, err := ofRun(dir)
	if err != nil {
		return nil, err
	}
	list := make([]Observation, len(all))
	for i := range all {
		list[i] = all[i].Observation
	}
	return list, nil
}

// Add writes o down for the run that the record in dir belongs to; o.Into counts from
// the run's begin. Another process may do the same at the same time.
func Add(dir string, o Observation) error {
	if err := o.Check(); err != nil {
		return err
	}
	all := parts(dir)
	at := len(all) - 1
	if o.Into > 0 { // beside the part that it happened in
		for at > 0 && into(all, at) >= o.Into {
			at--
		}
		o.Into -= into(all, at)
	}
	return add(all[at].Dir, o)
}

// Withdraw takes observation number n (from 1, as [Of] lists them) of the run that the
// record in dir belongs to back.
func Withdraw(dir string, n int, at time.Time) error {
	all, err := ofRun(dir)
	if err != nil {
		return err
	}
	if n < 1 || n > len(all) {
		return none(n, len(all))
	}
	return withdraw(all[n-1], n, len(all), at)
}
