package sheet

import (
	"tipoff/logger/ageing"
	"tipoff/logger/journal"
)

// aged makes the sheet of an ageing run: its account, in the files of the same names.
func aged(dir string) (*Sheet, error) {
	a, err := ageing.Make(dir)
	if err != nil {
		return nil, err
	}
	m := a.Meta
	return &Sheet{
		Version: Version, ageing: a, Verdict: Verdict{a.Overall, a.Text},
		Run: Run{ID: m.ID, Tube: m.Tube, Job: m.Job, Bench: m.BenchName, Outcome: string(m.Outcome), Software: m.Software,
			Started: wall(m.Started.Wall, m.Started.Trusted), DurationS: Number(a.Took)},
	}, nil
}

// isAgeing tells whether the run in folder dir is an ageing run.
func isAgeing(dir string) bool {
	m, err := journal.LoadMeta(dir)
	return err == nil && ageing.Is(m)
}

// names are the files that this sheet gives.
func (s *Sheet) names() []string {
	if s.ageing != nil {
		return ageing.Files
	}
	return artifacts
}
