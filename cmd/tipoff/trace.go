package main

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"tipoff/drivers/clock"
	"tipoff/drivers/trace"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/journal"
	"tipoff/logger/sheet"
	"tipoff/logger/tube"
)

// importTrace records a trace into the archive as if it had been measured.
func importTrace(ctx context.Context, e *env, args []string) error {
	fs := e.flags()
	dir := fs.String("store", "", storeUsage)
	card := fs.String("card", "", "tube card to judge the run by")
	benchFile := fs.String("bench", "", "bench.toml of the plant that the trace is from (volumes, bombarder)")
	started := fs.String("started", "", "date and time of the first row, RFC 3339; default: now")
	operands, err := e.parse(fs, args, 1, 1)
	if err != nil {
		return err
	}
	wall := time.Now()
	if *started != "" {
		if wall, err = time.Parse(time.RFC3339, *started); err != nil {
			return input(fmt.Errorf("flag --started: found %q; allowed: a time like 2026-11-25T14:05:00Z", *started))
		}
	}
	t, err := readTrace(e, operands[0])
	if err != nil {
		return err
	}
	d, err := e.traceStation(t, wall, 0, *benchFile, *card)
	if err != nil {
		return err
	}
	d.cfg.Store.Directory = store(*dir)
	d.closed = func(run string, s *sheet.Sheet) {
		fmt.Fprintf(e.out, "run %s: %s\n", filepath.Base(run), s.Verdict.Text)
	}
	if err := d.open(); err != nil {
		return err
	}
	if err := giveTraceCard(d, *card); err != nil {
		return err
	}
	return d.run(ctx, over(t))
}

// replay plays a trace or a recorded run on the bench page.
func replay(ctx context.Context, e *env, args []string) error {
	fs := e.flags()
	speed := fs.Float64("speed", 1, "times real time, 0.1 to 100000")
	listen := fs.String("listen", "127.0.0.1:8077", "address of the page")
	card := fs.String("card", "", "tube card to follow the run by")
	benchFile := fs.String("bench", "", "bench.toml of the plant that the trace is from")
	dir := fs.String("store", "", storeUsage)
	operands, err := e.parse(fs, args, 1, 1)
	if err != nil {
		return err
	}
	if !(*speed >= 0.1 && *speed <= 100000) {
		return input(fmt.Errorf("flag --speed: found %v; allowed: 0.1 to 100000", *speed))
	}
	t, recorded, err := readTraceOrRun(e, operands[0], *dir)
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
	d.cfg.Store.Directory, d.cfg.Page.Listen = tmp, *listen
	d.onFrame = e.progress(d)
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

func readTrace(e *env, file string) (*trace.Trace, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, input(fmt.Errorf("reading the trace: %w", err))
	}
	defer f.Close()
	t, notices, err := trace.Parse(file, f)
	for _, n := range notices {
		fmt.Fprintln(e.err, "notice:", n)
	}
	return t, input(err)
}

// readTraceOrRun takes a CSV file, or a recorded run by folder or ID with the
// tube card that it has.
func readTraceOrRun(e *env, name, dir string) (t *trace.Trace, card string, err error) {
	if strings.EqualFold(filepath.Ext(name), ".csv") {
		t, err = readTrace(e, name)
		return t, "", err
	}
	if base := filepath.Base(name); strings.HasPrefix(base, "frames") {
		name = filepath.Dir(name)
	}
	run := name
	if _, err := os.Stat(filepath.Join(name, "run.toml")); err != nil {
		a, err := openArchive(dir)
		if err != nil {
			return nil, "", err
		}
		if run, err = find(a, name); err != nil {
			return nil, "", err
		}
	}
	meta, err := journal.LoadMeta(run)
	if err != nil {
		return nil, "", fmt.Errorf("reading the run: %w", err)
	}
	var buf bytes.Buffer
	if err := bench.WriteTrace(run, &buf); err != nil {
		return nil, "", err
	}
	t, _, err = trace.Parse(run, &buf)
	return t, meta.Card, err
}

// traceStation is a bench whose only source is the trace. Its clock starts at
// the trace's first row.
func (e *env) traceStation(t *trace.Trace, wall time.Time, speed float64, benchFile, card string) (*station, error) {
	cfg := &config.Bench{Name: "trace"}
	var text []byte
	if benchFile != "" {
		var err error
		if text, cfg, err = readBench(benchFile); err != nil {
			return nil, err
		}
	}
	cfg.Sounders, cfg.Forward, cfg.Page.Listen = nil, nil, ""
	if card != "" { // before anything is written
		if _, err := readCard(card); err != nil {
			return nil, err
		}
	}
	v := clock.NewVirtual(wall, speed)
	src, err := trace.Open(t, v)
	if err != nil {
		return nil, err
	}
	parts, err := bench.FromSource(src, "trace", max(t.Interval(), 50*time.Millisecond))
	if err != nil {
		return nil, err
	}
	return &station{
		cfg: cfg, text: text, clock: v, parts: parts, speed: max(speed, 1), patient: true, whole: true, traced: true,
		log: slog.New(slog.NewTextHandler(e.err, &slog.HandlerOptions{Level: slog.LevelError})),
	}, nil
}

// over tells when a trace has been played to its end.
func over(t *trace.Trace) func(time.Duration) bool {
	length := t.End() - t.Start()
	return func(now time.Duration) bool { return now >= length }
}

func readCard(file string) (*tube.Card, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, input(fmt.Errorf("reading the tube card: %w", err))
	}
	c, err := tube.Parse(file, text)
	return &c, input(err)
}

// giveTraceCard puts the card before all others in the queue of a trace's bench.
func giveTraceCard(d *station, card string) error {
	if card == "" {
		return nil
	}
	text, err := os.ReadFile(card)
	if err != nil {
		return input(fmt.Errorf("reading the tube card: %w", err))
	}
	return input(d.bench.SetCard(card, text))
}

// exportRun prints a recorded run as a trace.
func exportRun(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	dir := fs.String("store", "", storeUsage)
	operands, err := e.parse(fs, args, 1, 1)
	if err != nil {
		return err
	}
	a, err := openArchive(*dir)
	if err != nil {
		return err
	}
	run, err := find(a, operands[0])
	if err != nil {
		return err
	}
	return bench.WriteTrace(run, e.out)
}
