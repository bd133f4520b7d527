package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"tipoff/drivers/clock"
	"tipoff/drivers/trace"
	"tipoff/logger/bench"
	"tipoff/logger/config"
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

func readCard(file string) (*tube.Card, error) { return cardBy(tube.Parse, file) }

// readDraft reads a card in which keys may still be missing.
func readDraft(file string) (*tube.Card, error) { return cardBy(tube.ParseDraft, file) }

func cardBy(parse func(string, []byte) (tube.Card, error), file string) (*tube.Card, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, input(fmt.Errorf("reading the tube card: %w", err))
	}
	c, err := parse(file, text)
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
	run, err := findRun(*dir, operands[0])
	if err != nil {
		return err
	}
	return bench.WriteTrace(run, e.out)
}
