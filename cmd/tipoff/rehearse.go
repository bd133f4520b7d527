package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"tipoff/logger/bench"
	"tipoff/logger/chart"
	"tipoff/logger/envelope"
	"tipoff/logger/model"
	"tipoff/logger/plan"
	"tipoff/logger/tube"
)

// rehearse predicts the run of a tube that is yet to be hung.
func rehearse(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	benchFile := fs.String("bench", "", "bench.toml of the plant, for limits and constants that depend on it")
	constants := fs.String("constants", "", constantsUsage+"; or a .json file of constants")
	dir := fs.String("store", "", storeUsage)
	picture := fs.String("picture", "", "write the chart to this .svg or .png file (default: NAME-rehearsal.svg)")
	room := fs.Float64("room", 0, "room temperature, °C (default: 22)")
	operands, err := e.parse(fs, args, 1, 1)
	if err != nil {
		return err
	}
	if *room != 0 && !(*room >= -10 && *room <= 50) {
		return input(fmt.Errorf("flag --room: found %g; allowed: -10 to 50 °C", *room))
	}
	card, err := readDraft(operands[0])
	if err != nil {
		return err
	}
	file := *picture
	if file == "" {
		file = card.Name + "-rehearsal.svg"
	}
	format, err := pictureFormat(file)
	if err != nil {
		return err
	}
	var plant envelope.Bench
	corrected := false
	if *benchFile != "" {
		text, cfg, err := readBench(*benchFile)
		if err != nil {
			return err
		}
		plant = bench.PlantOf(cfg)
		if corrected, err = lagCorrected(cfg, text, store(*dir)); err != nil {
			return err
		}
	}
	of := plan.BenchOf(plant)
	of.LagCorrected = corrected
	params, basis, err := constantsFor(store(*dir), *constants, &plant, of)
	if err != nil {
		return err
	}
	limits := envelope.Compute(*card, true, plant)
	chosen, err := plan.Choose(limits, &params, plan.Options{Room: *room})
	if err != nil {
		return input(fmt.Errorf("%s: no run can be predicted: %w", operands[0], err))
	}
	if err := draw(file, chart.Predicted, format, chosen.Picture(limits)); err != nil {
		return err
	}
	fmt.Fprintln(e.out, basis)
	return tell(e, card, chosen, file)
}

// constantsFor are the constants of a rehearsal, and what they are, in words. What
// was learned goes into plant, too.
func constantsFor(dir, name string, plant *envelope.Bench, of model.Bench) (p model.Params, basis string, err error) {
	if strings.HasSuffix(name, ".json") {
		if err := readConstants(name, &p); err != nil {
			return p, "", input(err)
		}
		return p, "constants: " + name, nil
	}
	c, err := known(dir, name)
	if err != nil {
		return p, "", err
	}
	if c == nil {
		return model.Handbook(of), "constants: the handbook's; this bench has learned nothing yet, or is not asked", nil
	}
	if c.LagCorrected != of.LagCorrected {
		if *plant == (envelope.Bench{}) {
			of.LagCorrected = c.LagCorrected // no bench.toml was given: the runs' own
		} else {
			return model.Handbook(of), fmt.Sprintf("constants: the handbook's; version %d was learned from glass readings with another correction of the lag", c.Version), nil
		}
	}
	*plant = c.For(*plant)
	return c.Prior(of), fmt.Sprintf("constants: version %d of %s, learned from %s", c.Version, dir, countRuns(len(c.Runs))), nil
}

func readConstants(file string, into *model.Params) error {
	text, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("reading the bench's constants: %w", err)
	}
	if err := json.Unmarshal(text, into); err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	return nil
}

// pictureFormat is the format of the file that --picture names, "" if it names none.
func pictureFormat(file string) (chart.Format, error) {
	if file == "" {
		return "", nil
	}
	format := chart.Format(strings.TrimPrefix(filepath.Ext(file), "."))
	if format != chart.SVG && format != chart.PNG {
		return "", input(fmt.Errorf("flag --picture: found %q; allowed: a name that ends in .svg or .png", file))
	}
	return format, nil
}

// draw writes a chart of r to file.
func draw(file string, kind chart.Kind, format chart.Format, r *chart.Run) error {
	f, err := os.Create(file)
	if err != nil {
		return fmt.Errorf("writing the chart: %w", err)
	}
	return errors.Join(chart.Write(f, kind, format, r), f.Close())
}

// tell prints the plan and what the model expects of it.
func tell(e *env, card *tube.Card, c *plan.Chosen, file string) error {
	fmt.Fprintf(e.out, "Rehearsal of %s\n\n%s\n%s\n\n", card.Name, c.Main(), c.Sure())
	w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "AT\tDO")
	for _, s := range c.Steps() {
		fmt.Fprintf(w, "%s\t%s\n", chart.Clock(s.At), s.Text)
	}
	fmt.Fprintln(w, "\nEXPECTED\tBEST\t95 OF 100 RUNS")
	for _, r := range c.Table() {
		fmt.Fprintf(w, "%s\t%s\t%s to %s\n", r.What, r.Best, r.Low, r.High)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(e.out, "\nchart: %s\n\nA model foretells, it does not guard: whoever bombards watches glass and shells, and stops in time.\n", file)
	return err
}
