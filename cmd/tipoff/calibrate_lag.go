package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"tipoff/drivers/clock"
	procedures "tipoff/logger/calibrate"
)

// takeRun finds the time constant in the record of a run and says what each
// switching of the arc gave.
func (c *calibration) takeRun(name string) error {
	dir, err := c.findRun(strings.TrimSpace(name))
	if err != nil {
		return err
	}
	t, each, err := procedures.TrialFromRun(dir, c.session.Options().Channel)
	for _, x := range each {
		word := "struck"
		if x.Change < 0 {
			word = "put out"
		}
		fmt.Fprintf(c.out, "%8.1f s  arc %s, the glass's rate changes by %+.1f °C/s: time constant %.2f s ± %.2f s (k=2)\n",
			x.At.Seconds(), word, x.Change, x.Tau, 2*x.U)
	}
	if err != nil {
		return err
	}
	if err := c.session.AddTrial(t); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "trial %d taken: %s: %.2f s ± %.2f s (k=2)\n", c.session.Taken(), t.Note, t.Tau, 2*t.U)
	return nil
}

// findRun is the folder of a run of this bench.
func (c *calibration) findRun(name string) (string, error) {
	if name == "" {
		return "", errors.New(`found no run; allowed: its ID, its unique beginning, "last", or its folder`)
	}
	return findRun(c.runs, name)
}

// askRun asks for a run until one gives a time constant.
func (c *calibration) askRun(ctx context.Context, p procedures.Procedure) error {
	for {
		name, err := c.ask(ctx, fmt.Sprintf("%s (such as %s)", p.Asks[0].Prompt, p.Asks[0].Example))
		if err != nil {
			return err
		}
		if err := c.takeRun(name); err != nil {
			fmt.Fprintf(c.out, "not taken: %v\n", err)
			continue
		}
		return nil
	}
}

// fromRuns makes the certificate of a time constant from recorded runs.
func (c *calibration) fromRuns(ctx context.Context, names []string, in io.Reader) error {
	for _, name := range names {
		if err := c.takeRun(name); err != nil {
			return input(fmt.Errorf("time constant from run %s: %w", strings.TrimSpace(name), err))
		}
	}
	now, _ := clock.System{}.Wall()
	cert, err := c.session.Result(now)
	if err != nil {
		return input(err)
	}
	s := bufio.NewScanner(in)
	return c.keepIf(&cert, func(question string) (string, error) {
		fmt.Fprintf(c.out, "%s: ", question)
		if !s.Scan() {
			return "", errors.Join(errNoAnswer, s.Err())
		}
		return strings.TrimSpace(s.Text()), ctx.Err()
	})
}
