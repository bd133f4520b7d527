package sheet

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"tipoff/logger/chart"
	"tipoff/logger/envelope"
	"tipoff/logger/journal"
	"tipoff/logger/learn"
)

// WriteSVG writes one chart of the run as SVG.
func (s *Sheet) WriteSVG(w io.Writer, kind chart.Kind) error {
	return chart.Write(w, kind, chart.SVG, &s.drawing)
}

// WritePNG writes one chart of the run as PNG, 1600 by 1100 pixels.
func (s *Sheet) WritePNG(w io.Writer, kind chart.Kind) error {
	return chart.Write(w, kind, chart.PNG, &s.drawing)
}

// artifacts are the names of all files that a sheet gives.
var artifacts = []string{"time.svg", "time.png", "pressure-temperature.svg", "pressure-temperature.png", "sheet.json", "sheet.txt"}

// render makes one file of the sheet.
func (s *Sheet) render(name string) ([]byte, error) {
	if s.ageing != nil {
		return s.ageing.Render(name)
	}
	var b bytes.Buffer
	var err error
	switch name {
	case "time.svg":
		err = s.WriteSVG(&b, chart.Time)
	case "time.png":
		err = s.WritePNG(&b, chart.Time)
	case "pressure-temperature.svg":
		err = s.WriteSVG(&b, chart.PressureTemperature)
	case "pressure-temperature.png":
		err = s.WritePNG(&b, chart.PressureTemperature)
	case "sheet.json":
		return s.JSON()
	case "sheet.txt":
		err = s.Text(&b)
	default:
		return nil, fmt.Errorf("a sheet has no file %q: %w", name, fs.ErrNotExist)
	}
	return b.Bytes(), err
}

// WriteCharts writes the four charts into folder dir, the two of an ageing run,
// which it makes if there is none, and returns their paths.
func (s *Sheet) WriteCharts(dir string) ([]string, error) {
	all := s.names()
	return s.write(dir, all[:len(all)-2]) // without the sheet's JSON and text
}

func (s *Sheet) write(dir string, names []string) ([]string, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("making the folder for a sheet: %w", err)
	}
	var paths []string
	for _, name := range names {
		path := filepath.Join(dir, name)
		data, err := s.render(name)
		if err != nil {
			return paths, fmt.Errorf("making %s: %w", path, err)
		}
		if err := journal.Replace(path, data); err != nil {
			return paths, err
		}
		paths = append(paths, path)
	}
	return paths, nil
}

// Save puts verdict and findings into the run.toml of the sealed run in folder
// dir and writes all files of the sheet beside it. A verdict that was there
// before is kept in run.toml as an earlier one. If there is one and the constants
// that it went by cannot be read, nothing is written: s goes by the handbook then,
// and would wipe out by which constants the run was judged.
func (s *Sheet) Save(dir string) error {
	if s.ageing != nil {
		if err := s.ageing.Save(dir); err != nil {
			return err
		}
		_, err := s.write(dir, s.names())
		return err
	}
	err := journal.UpdateMeta(dir, func(m *journal.Meta) error {
		if s.unread != nil && m.Verdict != "" {
			return fmt.Errorf("the constants that it was judged by before cannot be read, so the verdict there is stays: %w; "+
				"put the file back into the folder %q beside the folder of the runs and try again", s.unread, learn.Dir)
		}
		if s.given != nil {
			s.given(m)
		}
		m.Verdict, m.Summary, m.Constants = s.Verdict.Overall, s.Verdict.Text, s.Constants
		m.Findings = nil
		m.Vacuum = s.Plant()
		for i := range s.record.findings {
			f := &s.record.findings[i]
			m.Findings = append(m.Findings, Entry(f, float64(s.record.since(f.At))))
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("recording the verdict of run %s: %w", s.Run.ID, err)
	}
	if s.taught != nil {
		// After run.toml, than which it must not be older.
		if err := s.taught.Save(dir); err != nil {
			return err
		}
	}
	for i := range len(s.record.parts) - 1 {
		if s.Run.GoesOn != "" {
			break // the last part refers to itself
		}
		if err := refer(s.record.parts[i].Dir, s.Run.ID); err != nil {
			return err
		}
	}
	_, err = s.write(dir, s.names())
	return err
}

// refer puts into the run.toml and the sheet of the part in folder dir that run goes
// on with it and judges both. A verdict that it had is kept as an earlier one.
func refer(dir, run string) error {
	m, err := journal.LoadMeta(dir)
	if err != nil || m.GoesOn == run {
		return err
	}
	if err := journal.UpdateMeta(dir, func(m *journal.Meta) error {
		m.GoesOn = run
		return nil
	}); err != nil {
		return fmt.Errorf("recording with run %s that it goes on as %s: %w", m.ID, run, err)
	}
	s, err := Make(dir)
	if err != nil {
		return err
	}
	return s.Save(dir)
}

// Entry is a finding as run.toml keeps it, in SI units. at is its time in seconds
// from the run's start.
func Entry(f *envelope.Finding, at float64) journal.Finding {
	l := &f.Limit
	e := journal.Finding{
		Limit: l.ID, Title: l.Title, Verdict: string(f.Verdict), Phase: f.Phase.String(), Quantity: l.Quantity, Unit: l.Unit,
		Low: l.Low, High: l.High, LimitU: l.U, Measured: f.Measured, U: f.U, AtS: at,
		OutsideS: f.Duration.Seconds(), Degree: f.Degree, Basis: string(l.Basis), Reason: l.Reason, Formula: l.Formula,
		Source: l.Source, Unknown: l.Unknown, Text: f.Text,
	}
	if f.Measured != f.Measured {
		e.AtS, e.Phase = 0, ""
	}
	return e
}

// Artifact is one file of the sheet of the run in folder dir: time.svg,
// time.png, pressure-temperature.svg, pressure-temperature.png, sheet.json or
// sheet.txt. A file that was written before and is not older than run.toml is
// taken as it is; else the sheet is made, and kept if the run is sealed.
func Artifact(dir, name string) ([]byte, error) {
	path := filepath.Join(dir, name)
	if made, ok := modified(path); ok {
		if told, ok := modified(filepath.Join(dir, "run.toml")); ok && !made.Before(told) {
			return os.ReadFile(path)
		}
	}
	s, err := Make(dir)
	if err != nil {
		return nil, err
	}
	data, err := s.render(name)
	if err != nil {
		return nil, err
	}
	if whole, err := journal.Whole(dir); err == nil && whole {
		// A folder that cannot be written to only costs time.
		_, _ = s.write(dir, s.names())
	}
	return data, nil
}

// Due tells whether the run in folder dir, with the verdict in its run.toml ("" if
// none), is sealed and waits for its sheet.
func Due(dir, verdict string) bool {
	whole, err := journal.Whole(dir)
	if err != nil || !whole {
		return false
	}
	// The last of the files tells that all are there.
	_, made := modified(filepath.Join(dir, artifacts[len(artifacts)-1]))
	return verdict == "" || !made
}

func modified(path string) (time.Time, bool) {
	st, err := os.Stat(path)
	if err != nil {
		return time.Time{}, false
	}
	return st.ModTime(), true
}
