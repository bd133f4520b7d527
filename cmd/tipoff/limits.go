package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"tipoff/calib/unit"
	"tipoff/logger/bench"
	"tipoff/logger/chart"
	"tipoff/logger/envelope"
	"tipoff/logger/sheet"
)

// limits prints the envelope of a tube card.
func limits(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	benchFile := fs.String("bench", "", "bench.toml of the plant, for limits that depend on it")
	picture := fs.String("picture", "", "draw the limits into this file too, .svg or .png")
	brief := fs.Bool("brief", false, "print the tables only, without reasons, formulas and sources")
	constants := fs.String("constants", "", constantsUsage)
	dir := fs.String("store", "", storeUsage)
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
	learned, err := known(store(*dir), *constants)
	if err != nil {
		return err
	}
	if learned != nil {
		plant = learned.For(plant)
		fmt.Fprintf(e.out, "with what %s of this bench have taught (version %d)\n\n", countRuns(len(learned.Runs)), learned.Version)
	}
	env := envelope.Compute(*card, true, plant)
	if err := printLimits(e.out, env, !*brief); err != nil || *picture == "" {
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

// printLimits prints limits and facts as tables of less than 80 columns, then,
// if why is set, how each came about.
func printLimits(out io.Writer, env *envelope.Envelope, why bool) error {
	c := &env.Card
	fmt.Fprintf(out, "Limits for %s: %s %s, %s, %s, %s\n\n", c.Name, unit.Format(c.Outside, unit.Length), c.Glass, c.Coating, c.Gas,
		unit.Format(c.Length, unit.Length))
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "LIMIT\tALLOWED, ± 95 %\tRESTS ON")
	var practice, partly, own []string
	for i := range env.Limits {
		l := &env.Limits[i]
		if l.Unknown != "" {
			fmt.Fprintf(w, "%s\tnot known\t\n", l.Title)
			continue
		}
		fmt.Fprintf(w, "%s\t%s\t%s\n", l.Title, l.Bounds(), l.Basis)
		switch l.Basis {
		case envelope.CommonPractice:
			practice = append(practice, l.Title)
		case envelope.Computed:
			if strings.Contains(l.Source, "common practice") || strings.Contains(l.Source, "from memory") {
				partly = append(partly, l.Title)
			}
		case envelope.BenchTable:
			own = append(own, l.Title)
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	w = tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\nTUBE AND BENCH\tVALUE, ± 95 %\tRESTS ON")
	for i := range env.Facts {
		f := &env.Facts[i]
		if f.Unknown != "" {
			fmt.Fprintf(w, "%s\tnot known\t\n", f.Title)
			continue
		}
		fmt.Fprintf(w, "%s\t%s\t%s\n", f.Title, f.Said(), f.Basis)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(out)
	if len(own) > 0 {
		fill(out, "", "  ", "From the bench's own tables: "+strings.Join(own, "; ")+".")
	}
	if len(practice) > 0 {
		fill(out, "", "  ", "Rest on common practice, not checked against a published source: "+strings.Join(practice, "; ")+".")
	}
	if len(partly) > 0 {
		fill(out, "", "  ", "Computed with figures of that kind: "+strings.Join(partly, "; ")+".")
	}
	for i := range env.Limits {
		if l := &env.Limits[i]; l.Unknown != "" {
			fill(out, "", "  ", l.Title+" is not known. "+l.Unknown)
		}
	}
	for i := range env.Facts {
		if f := &env.Facts[i]; f.Unknown != "" {
			fill(out, "", "  ", f.Title+" is not known. "+f.Unknown)
		}
	}
	if why {
		fmt.Fprintln(out, "\nWHY")
		for i := range env.Limits {
			l := &env.Limits[i]
			if l.Unknown == "" {
				explain(out, l.Title, l.Bounds(), l.Reason, l.Formula, l.Source)
			}
		}
		for i := range env.Facts {
			f := &env.Facts[i]
			if f.Unknown == "" {
				explain(out, f.Title, f.Said(), f.Reason, f.Formula, f.Source)
			}
		}
	}
	return nil
}

func explain(out io.Writer, title, value, reason, formula, source string) {
	fmt.Fprintf(out, "%s: %s\n", title, value)
	fill(out, "  ", "  ", reason)
	if formula != "" {
		fill(out, "  = ", "    ", formula)
	}
	fill(out, "  source: ", "    ", source)
}

// fill writes a text in lines of at most 79 characters.
func fill(out io.Writer, first, rest, text string) {
	const width = 79
	line, n := first, 0
	for _, word := range strings.Fields(text) {
		if n > 0 && len([]rune(line))+1+len([]rune(word)) > width {
			fmt.Fprintln(out, line)
			line, n = rest, 0
		}
		if n > 0 {
			line += " "
		}
		line += word
		n++
	}
	fmt.Fprintln(out, line)
}
