package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"tipoff/calib/unit"
	"tipoff/logger/ageing"
	"tipoff/logger/bench"
	"tipoff/logger/journal"
	"tipoff/logger/tube"
)

// age asks the daemon for an ageing run, ends it, or shows how far it is.
func age(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	dir := fs.String("store", "", storeUsage)
	current := fs.String("current", "", "current that the tube is to run at, such as \"50 mA\"")
	every := fs.Duration("every", ageing.DefaultEvery, "from recorded frame to frame, 1s to 1m")
	hours := fs.Float64("hours", 0, "ends after so many hours of burning; 0: when it is ended")
	channel := fs.String("channel", "", "current channel of the tube's supply; default: the bench's first")
	end := fs.Bool("end", false, "end the ageing run that goes on")
	operands, err := e.parse(fs, args, 0, 1)
	if err != nil {
		return err
	}
	folder := store(*dir)
	if st, err := os.Stat(folder); err != nil || !st.IsDir() {
		return input(fmt.Errorf("no folder of runs at %q: say where with --store", folder))
	}
	switch {
	case *end && len(operands) > 0:
		return input(errors.New("found --end and a tube; allowed: one of them"))
	case *end:
		if err := ageing.End(folder); errors.Is(err, ageing.ErrNone) {
			return input(err)
		} else if err != nil {
			return err
		}
		fmt.Fprintln(e.out, "the daemon ends it within a second and makes its sheet: tipoff sheet last")
		return nil
	case len(operands) == 0:
		return ageingNow(e, folder)
	}
	r := ageing.Request{Every: *every, Hours: *hours, Channel: *channel}
	if *current != "" {
		if r.Current, err = unit.Parse(*current, unit.Current); err != nil {
			return input(fmt.Errorf("flag --current: %w", err))
		}
	}
	if err := whichTube(&r, folder, operands[0]); err != nil {
		return err
	}
	// The request is checked as the daemon will read it.
	text, err := r.Encode()
	if err != nil {
		return err
	}
	if _, err := ageing.ParseRequest("ageing run", text); err != nil {
		return input(err)
	}
	if err := ageing.Ask(folder, r); errors.Is(err, ageing.ErrBusy) {
		return input(fmt.Errorf("%w: tipoff age --end", err))
	} else if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "asked for: tube %s, a frame each %s; the daemon of this store begins within a second\n", r.Tube, r.Every)
	return nil
}

// whichTube finds the tube that the operand names: a tube card, or the run that
// processed it.
func whichTube(r *ageing.Request, folder, name string) error {
	if text, err := os.ReadFile(name); err == nil {
		card, err := tube.Parse(name, text)
		if err != nil {
			return input(err)
		}
		r.Tube = card.Name
		return nil
	}
	run, err := findRun(folder, name)
	if err != nil {
		return input(fmt.Errorf("%w; or the file of a tube card", err))
	}
	m, err := journal.LoadMeta(run)
	if err != nil {
		return err
	}
	if ageing.Is(m) {
		return input(fmt.Errorf("found %s, an ageing run; allowed: the run that processed the tube, or its card", name))
	}
	r.Run, r.Tube = m.ID, m.Tube
	return nil
}

// ageingNow prints what is wanted and how far it is.
func ageingNow(e *env, folder string) error {
	r, err := ageing.Wanted(folder)
	if errors.Is(err, ageing.ErrNone) {
		fmt.Fprintln(e.out, "no ageing run goes on; begin one with 'tipoff age RUN' or 'tipoff age CARD.toml'")
		return nil
	}
	if err != nil {
		return input(err)
	}
	tube := r.Tube
	if tube == "" {
		tube = "of run " + r.Run
	}
	fmt.Fprintf(e.out, "wanted: tube %s, a frame each %s", tube, r.Every)
	if r.Hours > 0 {
		fmt.Fprintf(e.out, ", %g hours", r.Hours)
	}
	fmt.Fprintln(e.out)
	list, err := listRuns(folder)
	if err != nil {
		return err
	}
	for _, entry := range list {
		if entry.Kind != ageing.Kind || entry.Outcome != journal.Recording {
			continue
		}
		account, err := ageing.Make(entry.Dir)
		if err != nil {
			fmt.Fprintf(e.out, "run %s has just begun\n", entry.ID)
			return nil
		}
		burnt := time.Duration((account.Burnt + 3600*account.Request.Done) * float64(time.Second)).Round(time.Minute)
		fmt.Fprintf(e.out, "run %s goes on, burnt %s by now\n", entry.ID, burnt)
		return nil
	}
	fmt.Fprintf(e.out, "no run is being recorded: is the daemon of %s running?\n", filepath.Join(folder, bench.RunsDir))
	return nil
}
