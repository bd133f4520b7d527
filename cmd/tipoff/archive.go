package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"text/tabwriter"

	"tipoff/logger/archive"
	"tipoff/logger/bench"
	recomp "tipoff/logger/recompute"
	"tipoff/logger/sheet"
	"tipoff/logger/tube"
)

// storeUsage is of the flag of every verb that looks into the archive.
const storeUsage = "folder of the runs (default: $TIPOFF_STORE, else ./tipoff-demo if it is there, else /var/lib/tipoff)"

// store is where the runs are.
func store(flag string) string {
	if flag != "" {
		return flag
	}
	if s := os.Getenv("TIPOFF_STORE"); s != "" {
		return s
	}
	if st, err := os.Stat("tipoff-demo"); err == nil && st.IsDir() {
		return "tipoff-demo"
	}
	return "/var/lib/tipoff"
}

func openArchive(flag string) (*archive.Archive, error) {
	dir := store(flag)
	if st, err := os.Stat(filepath.Join(dir, bench.RunsDir)); err != nil || !st.IsDir() {
		return nil, input(fmt.Errorf("no folder of runs at %q: say where with --store", dir))
	}
	a, err := archive.Open(filepath.Join(dir, bench.RunsDir))
	if err != nil {
		return nil, fmt.Errorf("opening the archive: %w", err)
	}
	return a, nil
}

// findRun is the folder of the run that the user means: an ID, its unique
// beginning, "last", or a path, which needs no store.
func findRun(dir, name string) (string, error) {
	if st, err := os.Stat(filepath.Join(name, "run.toml")); err == nil && !st.IsDir() {
		return filepath.Clean(name), nil
	}
	a, err := openArchive(dir)
	if err != nil {
		return "", err
	}
	entry, err := a.Find(name)
	if err != nil {
		return "", input(err)
	}
	return entry.Dir, nil
}

// listRuns lists the runs of a store, newest first.
func listRuns(dir string) ([]archive.Entry, error) {
	a, err := openArchive(dir)
	if err != nil {
		return nil, err
	}
	return a.List()
}

// runs lists the recorded runs, newest first.
func runs(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	dir := fs.String("store", "", storeUsage)
	if _, err := e.parse(fs, args, 0, 0); err != nil {
		return err
	}
	list, err := listRuns(*dir)
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "RUN\tTUBE\tSTARTED\tMINUTES\tOUTCOME\tVERDICT")
	for _, r := range list {
		started := r.Started.Local().Format("2006-01-02 15:04")
		if !r.Trusted {
			started = "not known"
		}
		tube := r.Tube
		if tube == "" {
			tube = "-"
		}
		verdict := r.Verdict
		if verdict == "" {
			verdict = "-"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%.1f\t%s\t%s", r.ID, tube, started, r.Took.Minutes(), r.Outcome, verdict)
		if r.Kind != "" {
			fmt.Fprintf(w, " (%s)", r.Kind)
		}
		if r.GoesOn != "" {
			fmt.Fprintf(w, ", goes on in %s", r.GoesOn)
		}
		if r.Trouble != "" {
			fmt.Fprintf(w, "\t%s", r.Trouble)
		}
		fmt.Fprintln(w)
	}
	return w.Flush()
}

// sheetOf writes a run's charts and prints its account.
func sheetOf(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	dir := fs.String("store", "", storeUsage)
	out := fs.String("out", "", "folder for the charts; default: the run's own")
	asJSON := fs.Bool("json", false, "print everything the sheet knows as JSON instead of text")
	operands, err := e.parse(fs, args, 1, 1)
	if err != nil {
		return err
	}
	run, err := findRun(*dir, operands[0])
	if err != nil {
		return err
	}
	s, err := sheet.Make(run)
	if err != nil {
		return fmt.Errorf("making the sheet of %s: %w", filepath.Base(run), err)
	}
	if *out == "" {
		*out = run
	}
	files, err := s.WriteCharts(*out)
	if err != nil {
		return fmt.Errorf("writing the charts: %w", err)
	}
	if *asJSON {
		text, err := s.JSON()
		if err != nil {
			return err
		}
		_, err = e.out.Write(text)
		return err
	}
	if err := s.Text(e.out); err != nil {
		return err
	}
	for _, f := range files {
		fmt.Fprintln(e.out, "chart:", f)
	}
	return nil
}

// giveCard gives a recorded run its tube card and judges it anew.
func giveCard(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	dir := fs.String("store", "", storeUsage)
	operands, err := e.parse(fs, args, 2, 2)
	if err != nil {
		return err
	}
	text, err := os.ReadFile(operands[1])
	if err != nil {
		return input(fmt.Errorf("reading the tube card: %w", err))
	}
	run, err := findRun(*dir, operands[0])
	if err != nil {
		return err
	}
	card, err := tube.Parse(operands[1], text)
	if err != nil {
		return input(err)
	}
	s, err := sheet.GiveCard(run, &card, text)
	if err != nil {
		return fmt.Errorf("judging %s with its card: %w", filepath.Base(run), err)
	}
	fmt.Fprintf(e.out, "run %s is tube %s: %s\n", filepath.Base(run), card.Name, s.Verdict.Text)
	return nil
}

// verify checks runs against their checksums.
func verify(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	dir := fs.String("store", "", storeUsage)
	operands, err := e.parse(fs, args, 0, -1)
	if err != nil {
		return err
	}
	a, err := openArchive(*dir)
	if err != nil {
		return err
	}
	if len(operands) == 0 {
		list, err := a.List()
		if err != nil {
			return err
		}
		for _, r := range list {
			operands = append(operands, r.ID)
		}
	}
	var bad []error
	for _, id := range operands {
		entry, err := a.Find(id)
		if err != nil {
			return input(err)
		}
		if err := a.Verify(entry.ID); err != nil {
			bad = append(bad, fmt.Errorf("%s: %w", entry.ID, err))
			continue
		}
		n, err := recomp.Verify(entry.Dir)
		if err != nil {
			bad = append(bad, fmt.Errorf("%s: %w", entry.ID, err))
			continue
		}
		fmt.Fprintf(e.out, "%s: whole", entry.ID)
		if n > 0 {
			fmt.Fprintf(e.out, ", with %d recomputed", n)
		}
		fmt.Fprintln(e.out)
	}
	return errors.Join(bad...)
}
