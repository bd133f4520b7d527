package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"tipoff/calib/chain"
	"tipoff/drivers/registry"
	"tipoff/drivers/trace"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/learn"
	"tipoff/logger/sheet"
)

// replay plays a trace or a recorded run on the bench page.
func replay(ctx context.Context, e *env, args []string) error {
	fs := e.flags()
	speed := fs.Float64("speed", 1, "times real time, 0.1 to 100000")
	listen := fs.String("listen", "127.0.0.1:8077", "address of the page")
	card := fs.String("card", "", "tube card to follow the run by; default: a recorded run's own")
	benchFile := fs.String("bench", "", "bench.toml of the plant that the trace is from; default: a recorded run's own, with what the bench had learned then")
	dir := fs.String("store", "", storeUsage)
	operands, err := e.parse(fs, args, 1, 1)
	if err != nil {
		return err
	}
	if !(*speed >= 0.1 && *speed <= 100000) {
		return input(fmt.Errorf("flag --speed: found %v; allowed: 0.1 to 100000", *speed))
	}
	t, run, err := readTraceOrRun(e, operands[0], *dir)
	if err != nil {
		return err
	}
	d, err := e.traceStation(t, time.Now(), *speed, *benchFile, *card)
	if err != nil {
		return err
	}
	// What is replayed has been recorded already: its copy goes with the replay.
	tmp, err := os.MkdirTemp("", "tipoff-replay-")
	if err != nil {
		return fmt.Errorf("making a folder for the replay: %w", err)
	}
	defer os.RemoveAll(tmp)
	recorded := ""
	if run != "" {
		m, err := journal.LoadMeta(run)
		if err != nil {
			return fmt.Errorf("reading the run: %w", err)
		}
		recorded = m.Card
		if *benchFile == "" {
			if err := e.asRecorded(d, run, m, tmp); err != nil {
				return err
			}
		}
	}
	d.cfg.Store.Directory, d.cfg.Page.Listen = tmp, *listen
	d.onFrame = e.progress(d)
	d.closed = func(_ string, s *sheet.Sheet) { fmt.Fprintf(e.out, "judged: %s\n", s.Verdict.Text) }
	if err := d.open(); err != nil {
		return err
	}
	if *card == "" && recorded != "" {
		err = d.bench.SetCard(operands[0], []byte(recorded))
	} else {
		err = giveTraceCard(d, *card)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "replaying %s at %v times real time\nbench page: http://%s/\n", operands[0], *speed, d.address())
	return d.run(ctx, over(t))
}

// asRecorded lets a replay of the run in a folder go by what its sheet goes by: the
// bench.toml that is in the run, and the version of the bench's own constants that the
// run is judged by. store is the replay's own.
func (e *env) asRecorded(d *station, run string, m *journal.Meta, store string) error {
	if strings.TrimSpace(m.Bench) != "" {
		cfg, err := config.Parse("bench.toml", []byte(m.Bench), registry.All())
		if err != nil {
			fmt.Fprintln(e.err, "notice: the run's bench.toml cannot be read, so limits that depend on the bench are not known:", err)
		} else {
			cfg.Sounders, cfg.Forward = nil, nil
			d.cfg, d.text = cfg, []byte(m.Bench)
		}
	}
	for i := range d.parts.Layout.Channels {
		for _, c := range m.Layout.Channels {
			if role := d.parts.Layout.Channels[i].Role; role == frame.Glass && c.Role == role.String() && c.TimeConstantTold {
				d.parts.Chains[i] = corrected{d.parts.Chains[i], time.Duration(c.TimeConstantS * float64(time.Second))}
			}
		}
	}
	c, err := learn.Judged(run)
	if errors.Is(err, fs.ErrNotExist) {
		fmt.Fprintf(e.err, "notice: version %d of the bench's own constants, by which the run was judged, is not there any more: the replay goes without\n", m.Constants)
		return nil
	}
	if err != nil || c == nil {
		return err
	}
	return learn.Carry(c, store)
}

// corrected is a chain of recorded values that were corrected for a lag.
type corrected struct {
	chain.Chain
	tau time.Duration
}

// TimeConstant is the lag that the values are corrected for, 0 if they are not.
func (c corrected) TimeConstant() time.Duration { return c.tau }

// readTraceOrRun takes a CSV file, or a recorded run by folder or ID, whose folder it
// gives as well.
func readTraceOrRun(e *env, name, dir string) (t *trace.Trace, run string, err error) {
	if strings.EqualFold(filepath.Ext(name), ".csv") {
		t, err = readTrace(e, name)
		return t, "", err
	}
	if base := filepath.Base(name); strings.HasPrefix(base, "frames") {
		name = filepath.Dir(name)
	}
	if run, err = findRun(dir, name); err != nil {
		return nil, "", err
	}
	var buf bytes.Buffer
	if err := bench.WriteTrace(run, &buf); err != nil {
		return nil, "", err
	}
	t, _, err = trace.Parse(run, &buf)
	return t, run, err
}
