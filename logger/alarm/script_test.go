package alarm

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The scripts in testdata are lines of words; # begins a comment.
//
//	alarm ID PRIORITY [latched] [on=D] [off=D] [realarm=D] [by=ID]...
//	at D                        time is D now (a Step is taken)
//	set ID [X] | clear ID       the condition holds, found by X, or not
//	ack [ID]                    acknowledge one, or all
//	shelve ID D | unshelve ID   for D from now
//	out ID | in ID              out of service, back
//	expect ID STATE...          the state in words
//	sound ID|none               what should be heard
//	first ID|none               first-out
//	count ID N                  times raised
//	changes N                   changes told of since the last such line
//	bench                       take BenchAlarms
type script struct {
	defs    []Definition
	m       *Manager
	now     time.Duration
	changes int
}

func number(value, limit float64) string { return fmt.Sprintf("%g of %g", value, limit) }

// run does one line. A script error is not for the test to pass over either.
func (s *script) run(line string) error {
	line, _, _ = strings.Cut(line, "#")
	w := strings.Fields(line)
	if len(w) == 0 {
		return nil
	}
	if w[0] == "alarm" && s.m == nil {
		return s.define(w[1:])
	}
	if w[0] == "bench" && s.m == nil {
		s.defs = BenchAlarms()
		return nil
	}
	if s.m == nil {
		s.m = New(s.defs)
		s.m.OnChange(func(c Change) {
			if c.From == c.To || c.At != s.now {
				panic("a change of nothing")
			}
			s.changes++
		})
	}
	arg := func(i int) string {
		if i < len(w) {
			return w[i]
		}
		return ""
	}
	i := s.m.Index(arg(1))
	known := func() error {
		if i < 0 {
			return fmt.Errorf("no alarm %q", arg(1))
		}
		return nil
	}
	switch w[0] {
	case "at":
		d, err := time.ParseDuration(arg(1))
		if err != nil {
			return err
		}
		if d < s.now {
			return fmt.Errorf("time goes back to %v", d)
		}
		s.now = d
		s.m.Step(s.now)
	case "set", "clear":
		if err := known(); err != nil {
			return err
		}
		s.m.Set(i, w[0] == "set", s.now, Detail{Format: number, Value: s.now.Seconds(), Limit: 1})
		s.m.Step(s.now)
	case "ack":
		return s.m.Acknowledge(arg(1), s.now)
	case "shelve":
		d, err := time.ParseDuration(arg(2))
		if err != nil {
			return err
		}
		return s.m.Shelve(arg(1), s.now+d, s.now)
	case "unshelve":
		return s.m.Unshelve(arg(1), s.now)
	case "out", "in":
		return s.m.OutOfService(arg(1), w[0] == "out", s.now)
	case "expect":
		if err := known(); err != nil {
			return err
		}
		if got, want := s.m.alarms[i].state.String(), strings.Join(w[2:], " "); got != want {
			return fmt.Errorf("%s is %q, want %q", w[1], got, want)
		}
	case "sound":
		_, i := s.m.Sound()
		got := "none"
		if i >= 0 {
			got = s.defs[i].ID
		}
		if got != arg(1) {
			return fmt.Errorf("sounds %s, want %s", got, arg(1))
		}
		if (s.m.Pattern() == nil) != (i < 0) {
			return fmt.Errorf("pattern %v while %s sounds", s.m.Pattern(), got)
		}
	case "first":
		got := "none"
		for _, a := range s.m.Active(nil) {
			if a.FirstOut {
				got = a.Definition.ID
			}
		}
		if got != arg(1) {
			return fmt.Errorf("first-out is %s, want %s", got, arg(1))
		}
	case "count":
		if err := known(); err != nil {
			return err
		}
		if got := fmt.Sprint(s.m.alarms[i].count); got != arg(2) {
			return fmt.Errorf("raised %s times, want %s", got, arg(2))
		}
	case "changes":
		got := fmt.Sprint(s.changes)
		s.changes = 0
		if got != arg(1) {
			return fmt.Errorf("%s changes, want %s", got, arg(1))
		}
	default:
		return fmt.Errorf("no such word %q", w[0])
	}
	return nil
}

func (s *script) define(w []string) error {
	if len(w) < 2 {
		return fmt.Errorf("alarm wants an ID and a priority")
	}
	d := Definition{ID: w[0], Title: w[0], Response: "Do something."}
	for p := Low; p <= High; p++ {
		if p.String() == w[1] {
			d.Priority = p
		}
	}
	if d.Priority == 0 {
		return fmt.Errorf("no priority %q", w[1])
	}
	for _, o := range w[2:] {
		k, v, _ := strings.Cut(o, "=")
		var err error
		switch k {
		case "latched":
			d.Latched = true
		case "on":
			d.OnDelay, err = time.ParseDuration(v)
		case "off":
			d.OffDelay, err = time.ParseDuration(v)
		case "realarm":
			d.ReAlarm, err = time.ParseDuration(v)
		case "by":
			d.SuppressedBy = append(d.SuppressedBy, v)
		default:
			err = fmt.Errorf("no option %q", o)
		}
		if err != nil {
			return err
		}
	}
	s.defs = append(s.defs, d)
	return nil
}

func TestScripts(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) < 8 {
		t.Fatalf("scripts: %d, %v", len(files), err)
	}
	for _, name := range files {
		t.Run(strings.TrimSuffix(filepath.Base(name), ".txt"), func(t *testing.T) {
			f, err := os.Open(name)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			var s script
			expects := 0
			lines := bufio.NewScanner(f)
			for n := 1; lines.Scan(); n++ {
				if strings.HasPrefix(lines.Text(), "expect") {
					expects++
				}
				if err := s.run(lines.Text()); err != nil {
					t.Errorf("%s:%d: %v", name, n, err)
				}
			}
			if lines.Err() != nil || expects == 0 {
				t.Errorf("%s: %d expectations, %v", name, expects, lines.Err())
			}
		})
	}
}

// FuzzScript lets any order of events run: whatever comes, an alarm whose
// condition holds past its delay is either heard, acknowledged, or silent for
// a stated reason, and acknowledging all leaves silence.
func FuzzScript(f *testing.F) {
	files, _ := filepath.Glob("testdata/*.txt")
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(data))
	}
	f.Fuzz(func(t *testing.T, text string) {
		s := script{defs: []Definition{
			{ID: "a", Priority: High, Response: "r", Latched: true},
			{ID: "b", Priority: Low, Response: "r", SuppressedBy: []string{"a"}, OnDelay: time.Second},
		}}
		for line := range strings.Lines(text) {
			if w := strings.Fields(line); len(w) > 0 && (w[0] == "alarm" || w[0] == "bench") {
				continue
			}
			// Errors of expectations and words do not matter here.
			_ = s.run(line)
		}
		if s.m == nil {
			return
		}
		s.m.Step(s.now)
		for i := range s.m.alarms {
			e := &s.m.alarms[i]
			if e.cond && e.state == Normal && s.now-e.turned > e.def.OnDelay {
				t.Fatalf("%s: the condition holds and nobody is told: %+v", e.def.ID, e)
			}
		}
		if err := s.m.Acknowledge("", s.now); err != nil {
			t.Fatal(err)
		}
		if p, i := s.m.Sound(); i >= 0 {
			t.Fatalf("after acknowledging all, %v still sounds", p)
		}
	})
}
