package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"tipoff/logger/chart"
	"tipoff/logger/journal"
	"tipoff/logger/observation"
)

// observe writes down what was seen of a run's tube, or lists it.
func observe(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	dir := fs.String("store", "", storeUsage)
	by := fs.String("by", "", "who saw it")
	note := fs.String("note", "", "a few words")
	hours := fs.Float64("hours", 0, "hours of use until then, where known")
	into := fs.Duration("into", 0, "with shells-glow: the moment, from the run's begin, such as 6m20s")
	withdraw := fs.Int("withdraw", 0, "take the observation of this number back")
	operands, err := e.parse(fs, args, 1, 2)
	if err != nil {
		return err
	}
	run, err := findRun(*dir, operands[0])
	if err != nil {
		return err
	}
	switch {
	case *withdraw != 0 && len(operands) == 2:
		return input(errors.New("found --withdraw and an observation; allowed: one of them"))
	case *withdraw != 0:
		if err := observation.Withdraw(run, *withdraw, time.Now()); errors.Is(err, observation.ErrNone) {
			return input(err)
		} else if err != nil {
			return err
		}
	case len(operands) == 2:
		o := observation.Observation{Kind: observation.Kind(operands[1]), At: time.Now(), By: *by, Note: *note, Hours: *hours, Into: into.Seconds()}
		if err := o.Check(); err != nil {
			return input(err)
		}
		if took := tookOf(run); took > 0 && *into > took {
			return input(fmt.Errorf("flag --into: found %s; allowed: up to %s, as long as the run took", *into, took.Round(time.Second)))
		}
		if err := observation.Add(run, o); err != nil {
			return err
		}
	}
	list, err := observation.Of(run)
	if err != nil {
		return err
	}
	if len(list) == 0 {
		names := make([]string, 0, len(observation.Kinds()))
		for _, k := range observation.Kinds() {
			names = append(names, string(k))
		}
		fmt.Fprintf(e.out, "nothing is written down of run %s yet; what can be: %s\n", filepath.Base(run), strings.Join(names, ", "))
		return nil
	}
	w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "NO\tSEEN\tWRITTEN\tBY\tHOURS\tNOTE")
	for i, o := range list {
		use := ""
		if o.Hours > 0 {
			use = fmt.Sprintf("%g", o.Hours)
		}
		words := o.Kind.Words()
		if o.Into > 0 {
			words += " at " + chart.Clock(o.Into)
		}
		if !o.Stands() {
			words += " (taken back)"
		}
		fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\t%s\n", i+1, words, o.At.Local().Format("2006-01-02 15:04"), o.By, use,
			strings.Join(strings.Fields(o.Note), " "))
	}
	return w.Flush()
}

// tookOf is how long the run in dir took, all its parts together if it was broken off; 0 while
// it is recorded, or if that cannot be read.
func tookOf(dir string) time.Duration {
	whole := observation.Whole(dir)
	m, err := journal.LoadMeta(whole)
	if err != nil || m.Duration() == 0 {
		return 0
	}
	return time.Duration(observation.Begun(whole)*float64(time.Second)) + m.Duration()
}

// patterns sets what was seen of tubes against what their runs did.
func patterns(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	dir := fs.String("store", "", storeUsage)
	if _, err := e.parse(fs, args, 0, 0); err != nil {
		return err
	}
	list, err := listRuns(*dir)
	if err != nil {
		return err
	}
	var dirs []string
	for _, entry := range list {
		dirs = append(dirs, entry.Dir)
	}
	runs, looked, trouble := observation.OfRuns(dirs)
	for _, err := range trouble {
		fmt.Fprintf(e.err, "left out: %v\n", err)
	}
	fmt.Fprintf(e.out, "%s, of %d of which something was seen and written down\n", countRuns(len(runs)), looked)
	found := observation.Patterns(runs)
	if len(found) == 0 {
		fmt.Fprintln(e.out, "there is no fault beside a limit that was outside; write down what you see with 'tipoff observe RUN KIND'")
		return nil
	}
	w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "SEEN\tLIMIT\tIF OUTSIDE\tIF WITHIN\tP\tTHIS IS")
	for _, p := range found {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%.2g\t%s\n", p.Seen.Words(), p.Title, p.Outside, p.Within, p.Adjusted, p.Standing)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(e.out, "\nshares with the range that holds the true one in 95 of 100 cases; P is the probability of so uneven a\n"+
		"table by chance, with regard to how many were looked at. A pattern is no cause: look at the runs.")
	return nil
}
