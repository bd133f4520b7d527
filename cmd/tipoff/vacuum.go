package main

import (
	"context"
	"fmt"
	"text/tabwriter"

	"tipoff/logger/journal"
	"tipoff/logger/plantcare"
	"tipoff/logger/sheet"
)

// trend follows the vacuum plant over the archive's runs.
func trend(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	dir := fs.String("store", "", storeUsage)
	last := fs.Int("last", 10, "how many runs the table shows, 1 to 1000")
	examine := fs.Bool("examine", false, "also look into runs that were recorded before figures were kept; takes about a second each")
	if _, err := e.parse(fs, args, 0, 0); err != nil {
		return err
	}
	if *last < 1 || *last > 1000 {
		return input(fmt.Errorf("flag --last: found %d; allowed: 1 to 1000", *last))
	}
	list, err := listRuns(*dir)
	if err != nil {
		return err
	}
	var runs []plantcare.Run
	without := 0
	for i := len(list) - 1; i >= 0; i-- { // the list is newest first
		m, err := journal.LoadMeta(list[i].Dir)
		if err != nil {
			fmt.Fprintf(e.err, "left out: %v\n", err)
			continue
		}
		if m.Outcome == journal.Recording {
			continue
		}
		if len(m.Vacuum) == 0 && *examine {
			s, err := sheet.Make(list[i].Dir)
			if err != nil {
				fmt.Fprintf(e.err, "left out: %v\n", err)
				continue
			}
			m.Vacuum = s.Plant()
		}
		if len(m.Vacuum) == 0 {
			without++
		}
		runs = append(runs, plantcare.Of(m))
	}
	if len(runs) == 0 {
		fmt.Fprintln(e.out, "there is no finished run yet")
		return nil
	}
	w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	trends := plantcare.Trends(runs)
	fmt.Fprint(w, "RUN\tTUBE")
	for _, t := range trends {
		fmt.Fprintf(w, "\t%s, %s", t.Title, t.Unit)
	}
	fmt.Fprintln(w)
	rows := plantcare.Last(runs, min(*last, len(trends[0].Values)))
	for i, r := range rows {
		tube := r.Tube
		if tube == "" {
			tube = "-"
		}
		fmt.Fprintf(w, "%s\t%s", r.ID, tube)
		for _, t := range trends {
			fmt.Fprintf(w, "\t%s", plantcare.Figure(t.Values[len(t.Values)-len(rows)+i]))
		}
		fmt.Fprintln(w)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(e.out)
	for _, t := range trends {
		fmt.Fprintf(e.out, "%s: %s\n", t.Title, t.Words)
	}
	if without > 0 {
		fmt.Fprintf(e.out, "\n%d of %d runs hold no figures of the plant", without, len(runs))
		if !*examine {
			fmt.Fprint(e.out, "; --examine looks into their records")
		}
		fmt.Fprintln(e.out)
	}
	return nil
}
