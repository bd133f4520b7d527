package bench

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"

	"tipoff/logger/frame"
	"tipoff/logger/journal"
)

// WriteTrace writes a recorded run, of one that was broken off all its parts, as a
// trace that import reads: CSV with the time from the run's start and pressure, glass,
// current and light (which import passes over) with their standard uncertainties in SI
// units, blank where there was no reading. Columns of roles that the run has no channel for are left out.
func WriteTrace(dir string, w io.Writer) error {
	r, err := journal.OpenJoined(dir, 0)
	if err != nil {
		return fmt.Errorf("opening the run: %w", err)
	}
	defer r.Close()
	out := bufio.NewWriter(w)
	l, err := r.Meta().Layout.Frame() // whose columns are written
	if err != nil {
		return fmt.Errorf("opening the run: %w", err)
	}
	start := r.Parts()[0].Meta.Started.Mono()
	columns := []struct {
		role   frame.Role
		header string
	}{
		{frame.Pressure, "pressure [Pa],pressure u [Pa]"},
		{frame.Glass, "glass [C],glass u [K]"},
		{frame.Current, "current [A],current u [A]"},
		{frame.Light, "light [1],light u [1]"},
	}
	fmt.Fprint(out, "time [s]")
	for _, c := range columns {
		if l.Index(c.role) >= 0 {
			fmt.Fprint(out, ",", c.header)
		}
	}
	fmt.Fprintln(out)
	var rec journal.Record
	var line []byte
	for {
		if err := r.Next(&rec); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return fmt.Errorf("reading the run: %w", err)
		}
		if !rec.IsFrame {
			continue
		}
		line = strconv.AppendFloat(line[:0], (rec.Frame.At - start).Seconds(), 'f', -1, 64)
		for _, c := range columns {
			if l.Index(c.role) < 0 {
				continue
			}
			v := rec.Frame.Of(r.Layout(), c.role)
			line = append(line, ',')
			if v.Good() {
				line = strconv.AppendFloat(line, v.X, 'g', -1, 64)
			}
			line = append(line, ',')
			if v.Good() && !math.IsNaN(v.U) {
				line = strconv.AppendFloat(line, v.U, 'g', -1, 64)
			}
		}
		if _, err := out.Write(append(line, '\n')); err != nil {
			return err
		}
	}
	return out.Flush()
}
