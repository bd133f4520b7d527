package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"tipoff/calib/unit"
	"tipoff/drivers/registry"
	"tipoff/logger/bench"
	"tipoff/logger/chart"
	"tipoff/logger/config"
	"tipoff/logger/envelope"
	"tipoff/logger/sheet"
	"tipoff/logger/tube"
)

// check reads files as the daemon would and says what they mean.
func check(_ context.Context, e *env, args []string) error {
	files, err := e.parse(e.flags(), args, 1, -1)
	if err != nil {
		return err
	}
	var wrong []error
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err == nil {
			err = checkFile(e, file, text)
		}
		if err != nil {
			wrong = append(wrong, err)
		}
	}
	return input(errors.Join(wrong...))
}

func checkFile(e *env, file string, text []byte) error {
	if !isBench(text) {
		c, err := tube.Parse(file, text)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(e.out, "%s: tube %s, %.4g mm outside, %.4g mm bore, %.4g m, %s, %s, %s\n",
			file, c.Name, 1e3*c.Outside, 1e3*c.Bore, c.Length, c.Glass, c.Coating, c.Gas)
		return err
	}
	cfg, err := config.Parse(file, text, registry.All())
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "%s: bench %s, page at %s, runs in %s\n", file, cfg.Name, cfg.Page.Listen, cfg.Store.Directory)
	for _, c := range cfg.Channels {
		fmt.Fprintf(e.out, "  %-10s %-9s %s %s %s %s\n", c.Name, c.Role, c.Driver, c.Bus, c.Address, c.Input)
	}
	return nil
}

// isBench tells a bench.toml from a tube card by its tables, without parsing:
// a file that does not parse must still be reported as what it is.
func isBench(text []byte) bool {
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		if strings.HasPrefix(line, "[bench") || strings.HasPrefix(line, "[[channel") {
			return true
		}
	}
	return false
}

// limits prints the envelope of a tube card.
func limits(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	benchFile := fs.String("bench", "", "bench.toml of the plant, for limits that depend on it")
	picture := fs.String("picture", "", "draw the limits into this file too, .svg or .png")
	operands, err := e.parse(fs, args, 1, 1)
	if err != nil {
		return err
	}
	format := chart.Format(strings.TrimPrefix(filepath.Ext(*picture), "."))
	if *picture != "" && format != chart.SVG && format != chart.PNG {
		return input(fmt.Errorf("--picture: found %q; allowed: a file that ends in .svg or .png", *picture))
	}
	card, err := readCard(operands[0])
	if err != nil {
		return err
	}
	var plant envelope.Bench
	if *benchFile != "" {
		_, cfg, err := readBench(*benchFile)
		if err != nil {
			return err
		}
		plant = bench.PlantOf(cfg)
	}
	env := envelope.Compute(*card, true, plant)
	w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "LIMIT\tAT LEAST\tAT MOST\tBASIS\tREASON")
	for _, l := range env.Limits {
		if l.Unknown != "" {
			fmt.Fprintf(w, "%s\t\t\tnot known\t%s\n", l.Title, l.Unknown)
			continue
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", l.Title, bound(l.Low, l.Unit), bound(l.High, l.Unit), l.Basis, l.Reason)
	}
	if err := w.Flush(); err != nil || *picture == "" {
		return err
	}
	f, err := os.Create(*picture)
	if err != nil {
		return fmt.Errorf("drawing the limits: %w", err)
	}
	err = errors.Join(chart.Write(f, chart.Envelope, format, sheet.Limits(env)), f.Close())
	if err == nil {
		fmt.Fprintln(e.out, "picture:", *picture)
	}
	return err
}

// dimensions tells how a limit's SI unit is spoken in the trade.
var dimensions = map[string]unit.Dimension{
	"Pa": unit.Pressure, "Pa/s": unit.PressureRate, "°C": unit.Temperature, "°C/s": unit.TempRate,
	"A": unit.Current, "s": unit.Duration, "m³": unit.Volume,
}

// bound is one bound of a limit in the trade's units, "" if there is none.
func bound(x float64, u string) string {
	if math.IsNaN(x) {
		return ""
	}
	if d, ok := dimensions[u]; ok {
		return unit.Format(x, d)
	}
	return fmt.Sprintf("%.4g %s", x, u)
}
