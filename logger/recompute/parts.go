package recompute

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"

	"tipoff/logger/journal"
)

// partsBefore takes up the parts before the one that is recomputed, if it is the rest
// of a run that was broken off: they are recomputed with the same calibration, unless
// they have been, and go into both judgements. m is the result's run.toml, which goes
// on with what they became.
func (j *job) partsBefore(ctx context.Context, m *journal.Meta) error {
	parts, lacking, err := journal.Parts(j.dir)
	if err != nil {
		return err
	}
	last := len(parts) - 1
	j.start, j.shift = parts[0].Meta.Started.Mono(), parts[last].Shift
	if lacking != "" && last == 0 {
		m.Continues = nil
		return nil
	}
	if last == 0 {
		return nil
	}
	before := parts[last-1].Dir
	r, err := Done(before, j.opt)
	if err == nil && r == nil {
		r, err = Run(ctx, before, j.opt)
	}
	if err != nil {
		return fmt.Errorf("the part of the run before it: %w", err)
	}
	became := filepath.Join(filepath.Base(before), folderName(r.Number))
	c := *m.Continues
	c.Run = filepath.ToSlash(became)
	m.Continues = &c
	if err := j.before.read(before); err != nil {
		return err
	}
	if err := j.after.read(filepath.Join(before, folderName(r.Number))); err != nil {
		return err
	}
	j.with = append(slices.Clone(r.JudgedWith), c.Run)
	return nil
}

// read takes all frames of the run whose last part is in dir.
func (t *track) read(dir string) error {
	j, err := journal.OpenJoined(dir, 0)
	if err != nil {
		return err
	}
	defer j.Close()
	var rec journal.Record
	for {
		switch err := j.Next(&rec); {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		case rec.IsFrame:
			t.add(j.Layout(), &rec.Frame, 0)
		}
	}
}
