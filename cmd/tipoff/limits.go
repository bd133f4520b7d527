package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

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
	format, err := pictureFormat(*picture)
	if err != nil {
		return err
	}
	card, err := readDraft(operands[0])
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
	if err := draw(*picture, chart.Envelope, format, sheet.Limits(env)); err != nil {
		return err
	}
	fmt.Fprintln(e.out, "picture:", *picture)
	return nil
}

// row is a limit or a fact as it is printed.
type row struct {
	title, value            string
	basis                   envelope.Basis
	reason, formula, source string
	unknown                 string // why value is not known; "": it is
}

// rows are the limits and the facts of an envelope.
func rows(env *envelope.Envelope) (limits, facts []row) {
	for i := range env.Limits {
		l := &env.Limits[i]
		limits = append(limits, row{l.Title, l.Bounds(), l.Basis, l.Reason, l.Formula, l.Source, l.Unknown})
	}
	for i := range env.Facts {
		f := &env.Facts[i]
		facts = append(facts, row{f.Title, f.Said(), f.Basis, f.Reason, f.Formula, f.Source, f.Unknown})
	}
	return limits, facts
}

// printLimits prints limits and facts as tables of less than 80 columns, then,
// if why is set, how each came about.
func printLimits(out io.Writer, env *envelope.Envelope, why bool) error {
	c := &env.Card
	fmt.Fprintln(out, "Limits for", strings.TrimSuffix(c.Name+": "+c.Words(), ": "))
	if gaps := c.Gaps(); len(gaps) > 0 {
		fill(out, "", "  ", "The card does not say "+strings.Join(gaps, ", ")+": what needs it is not known, or rests on what holds for any tube.")
	}
	fmt.Fprintln(out)
	limits, facts := rows(env)
	if err := printRows(out, "LIMIT\tALLOWED, ± 95 %\tRESTS ON", limits); err != nil {
		return err
	}
	if err := printRows(out, "\nTUBE AND BENCH\tVALUE, ± 95 %\tRESTS ON", facts); err != nil {
		return err
	}
	fmt.Fprintln(out)
	tellBases(out, limits)
	all := append(limits, facts...)
	for _, r := range all {
		if r.unknown != "" {
			fill(out, "", "  ", r.title+" is not known. "+r.unknown)
		}
	}
	if why {
		fmt.Fprintln(out, "\nWHY")
		for _, r := range all {
			if r.unknown == "" {
				r.explain(out)
			}
		}
	}
	return nil
}

func printRows(out io.Writer, head string, rows []row) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, head)
	for _, r := range rows {
		if r.unknown != "" {
			fmt.Fprintf(w, "%s\tnot known\t\n", r.title)
			continue
		}
		fmt.Fprintf(w, "%s\t%s\t%s\n", r.title, r.value, r.basis)
	}
	return w.Flush()
}

// tellBases names the limits that rest on the bench's own tables and on what has
// not been checked.
func tellBases(out io.Writer, limits []row) {
	var practice, partly, own []string
	for _, r := range limits {
		switch {
		case r.unknown != "":
		case r.basis == envelope.CommonPractice:
			practice = append(practice, r.title)
		case r.basis == envelope.Computed && (strings.Contains(r.source, "common practice") || strings.Contains(r.source, "from memory")):
			partly = append(partly, r.title)
		case r.basis == envelope.BenchTable:
			own = append(own, r.title)
		}
	}
	if len(own) > 0 {
		fill(out, "", "  ", "From the bench's own tables: "+strings.Join(own, "; ")+".")
	}
	if len(practice) > 0 {
		fill(out, "", "  ", "Rest on common practice, not checked against a published source: "+strings.Join(practice, "; ")+".")
	}
	if len(partly) > 0 {
		fill(out, "", "  ", "Computed with figures of that kind: "+strings.Join(partly, "; ")+".")
	}
}

func (r *row) explain(out io.Writer) {
	fmt.Fprintf(out, "%s: %s\n", r.title, r.value)
	fill(out, "  ", "  ", r.reason)
	if r.formula != "" {
		fill(out, "  = ", "    ", r.formula)
	}
	fill(out, "  source: ", "    ", r.source)
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
