package sheet

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"

	"tipoff/calib/unit"
	"tipoff/logger/chart"
	"tipoff/logger/envelope"
)

// order is the order in which limits are listed: what needs a look first.
var order = []string{string(envelope.Outside), string(envelope.Marginal), string(envelope.Within), string(envelope.NotKnown)}

// Text writes the sheet for a terminal, at most about 78 columns wide.
func (s *Sheet) Text(w io.Writer) error {
	if s.ageing != nil {
		text, err := s.ageing.Render("sheet.txt")
		if err == nil {
			_, err = w.Write(text)
		}
		return err
	}
	b := bufio.NewWriter(w)
	p := func(format string, a ...any) { fmt.Fprintf(b, format+"\n", a...) }
	name := s.Run.Tube
	if name == "" {
		name = "no tube card"
	}
	p("Run %s, %s", clean(s.Run.ID), clean(name))
	about := []string{}
	for _, t := range []string{s.Run.Bench, when(s.Run.Started), s.Run.Outcome, clock(s.Run.DurationS) + " long"} {
		if t != "" {
			about = append(about, clean(t))
		}
	}
	p("%s", strings.Join(about, ", "))
	p("")
	wrap(b, strings.ToUpper(s.Verdict.Overall)+": ", "  ", s.Verdict.Text)
	for _, r := range s.Remarks {
		wrap(b, "! ", "  ", r)
	}
	p("")
	s.numbers(p)
	p("")
	p("Phases")
	for _, f := range s.Phases {
		note := ""
		if f.ByHabit {
			note = " (by habit)"
		}
		p("  %8s to %8s  %8s  %s%s", clock(f.FromS), clock(f.ToS), clock(f.ToS-f.FromS), f.Phase, note)
	}
	if len(s.Limits) > 0 {
		p("")
		p("Limits")
	}
	for _, v := range order {
		for _, l := range s.Limits {
			if l.Verdict == v {
				s.limitText(b, &l)
			}
		}
	}
	if len(s.Vacuum) > 0 {
		p("")
		p("Vacuum")
		for _, v := range s.Vacuum {
			wrap(b, fmt.Sprintf("  %8s  ", clock(v.FromS)), strings.Repeat(" ", 12), v.Text)
		}
	}
	if len(s.Alarms) > 0 {
		p("")
		p("Alarms")
		for _, a := range s.Alarms {
			text := a.Title
			if a.Detail != "" {
				text += ": " + a.Detail
			}
			text += " (" + a.Priority + " priority, cleared " + clock(a.ClearedS) + ", acknowledged " + clock(a.AcknowledgedS) + ")"
			wrap(b, fmt.Sprintf("  %8s  ", clock(a.RaisedS)), strings.Repeat(" ", 12), text)
		}
	}
	if s.Learned != "" {
		p("")
		p("Own constants")
		wrap(b, "  ", "  ", s.Learned)
	}
	if s.Corridor != "" {
		p("")
		p("Good runs")
		wrap(b, "  ", "  ", s.Corridor)
	}
	if len(s.Advice) > 0 {
		p("")
		p("For the next such tube")
		for _, a := range s.Advice {
			wrap(b, "  - ", "    ", a)
		}
	}
	p("")
	p("Readings")
	for _, q := range s.Quality {
		var marks []string
		for _, m := range q.Marks {
			marks = append(marks, fmt.Sprintf("%s in %s %%", m.Quality, percent(m.Frames, q.Frames)))
		}
		text := fmt.Sprintf("%s (%s): usable in %s %% of %d frames", q.Name, q.Role, percent(q.Usable, q.Frames), q.Frames)
		if len(marks) > 0 {
			text += "; " + strings.Join(marks, ", ")
		}
		if q.Spacing > 0 {
			text += fmt.Sprintf("; a sample each %.2f µs ± %.2f µs, at most %.2f µs", q.Spacing, q.Jitter, q.Longest)
		}
		wrap(b, "  ", "    ", text)
	}
	for _, g := range s.Gaps {
		wrap(b, "  ", "    ", fmt.Sprintf("Gap from %s to %s: %s", clock(g.FromS), clock(g.ToS), g.Reason))
	}
	if err := b.Flush(); err != nil {
		return fmt.Errorf("writing the sheet of run %s: %w", s.Run.ID, err)
	}
	return nil
}

func (s *Sheet) numbers(p func(string, ...any)) {
	n := &s.Summary
	row := func(title string, x Number, format string, a ...any) {
		if math.IsNaN(float64(x)) {
			p("  %-26s not known", title)
			return
		}
		p("  %-26s "+format, append([]any{title}, a...)...)
	}
	p("In numbers")
	row("highest glass", n.PeakGlass, "%.0f °C at %s", float64(n.PeakGlass), clock(n.PeakGlassS))
	row("fastest heating", n.PeakRate, "%.1f °C/s", float64(n.PeakRate))
	row("highest current", n.PeakCurrent, "%.0f mA", float64(n.PeakCurrent))
	row("arc on", n.ArcS, "%s", clock(n.ArcS))
	row("shells", n.ShellsS, "%s", clock(n.ShellsS))
	row("base after the arc", n.BasePressure, "%s", envelope.Say(float64(n.BasePressure)*unit.Torr, "Pa"))
	fill := envelope.Say(float64(n.FillAt20)*unit.Torr, "Pa")
	if !math.IsNaN(float64(n.FillTarget)) {
		fill += ", wanted " + envelope.Say(float64(n.FillTarget)*unit.Torr, "Pa")
	}
	row("fill at 20 °C", n.FillAt20, "%s", fill)
}

func (s *Sheet) limitText(b io.Writer, l *Limit) {
	text := l.Text
	if text == "" {
		text = l.Title
	}
	wrap(b, fmt.Sprintf("  %-9s  ", l.Verdict), strings.Repeat(" ", 13), text)
	why := l.Reason
	if l.Unknown == "" && l.Basis != "" {
		why += " [" + l.Basis + "]"
	}
	// What is kept needs no reason on paper; it stands in the limits of the card.
	if kept := l.Verdict == string(envelope.Within); strings.TrimSpace(why) != "" && l.Verdict != string(envelope.NotKnown) && !kept {
		wrap(b, strings.Repeat(" ", 13), strings.Repeat(" ", 13), strings.TrimSpace(why))
	}
}

// wrap writes text in lines of at most width columns.
func wrap(w io.Writer, first, rest, text string) {
	const width = 78
	line, n := first, len([]rune(first))
	empty := true
	for _, word := range strings.Fields(clean(text)) {
		k := len([]rune(word))
		if !empty && n+1+k > width {
			fmt.Fprintln(w, strings.TrimRight(line, " "))
			line, n, empty = rest, len([]rune(rest)), true
		}
		if !empty {
			line += " "
			n++
		}
		line += word
		n += k
		empty = false
	}
	fmt.Fprintln(w, strings.TrimRight(line, " "))
}

// clean takes control characters out of texts that users wrote, so that a sheet
// cannot move the terminal's cursor.
func clean(s string) string {
	if !slices.ContainsFunc([]rune(s), unicode.IsControl) {
		return s
	}
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, s)
}

func clock(s Number) string { return chart.Clock(float64(s)) }

func when(rfc3339 string) string {
	t, err := time.Parse(time.RFC3339, rfc3339)
	if err != nil {
		return ""
	}
	return t.Format("2 January 2006, 15:04 MST")
}

// percent never rounds to 0 or 100 what is not.
func percent(n, of int) string {
	x := 100 * float64(n) / float64(max(of, 1))
	switch {
	case n > 0 && x < 0.1:
		return "under 0.1"
	case n < of && x > 99.9:
		return "over 99.9"
	}
	return fmt.Sprintf("%.1f", x)
}
