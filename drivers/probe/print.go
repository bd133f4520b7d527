package probe

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
)

// Print writes the report for people.
func (r *Report) Print(w io.Writer) error {
	var text bytes.Buffer
	p := &printer{w: tabwriter.NewWriter(&text, 0, 0, 2, ' ', 0)}
	if r.Board != "" {
		p.line("board: %s", r.Board)
		p.line("")
	}
	p.buses(r)
	p.wiring(r)
	p.kernel("IIO devices (driver \"iio\")", r.IIO)
	p.kernel("hardware monitoring (driver \"hwmon\")", r.HWMon)
	p.others(r)
	p.problems(r.Problems)
	if err := errors.Join(p.err, p.w.Flush()); err != nil {
		return err
	}
	for line := range strings.Lines(text.String()) { // empty cells leave blanks
		if _, err := io.WriteString(w, strings.TrimRight(line, " \n")+"\n"); err != nil {
			return err
		}
	}
	return nil
}

// problems says each once, with all the places that have it.
func (p *printer) problems(all []Problem) {
	if len(all) == 0 {
		return
	}
	type kind struct{ what, hint string }
	var order []kind
	where := map[kind][]string{}
	for _, q := range all {
		k := kind{q.What, q.Hint}
		if where[k] == nil {
			order = append(order, k)
		}
		where[k] = append(where[k], q.Where)
	}
	p.line("PROBLEMS")
	for _, k := range order {
		p.line("  %s: %s", strings.Join(where[k], ", "), k.what)
		if k.hint != "" {
			p.line("    %s", k.hint)
		}
	}
	p.line("")
}

// printer keeps the first error.
type printer struct {
	w   *tabwriter.Writer
	err error
}

// line writes a line; one without a tab ends a table.
func (p *printer) line(format string, args ...any) {
	if _, err := fmt.Fprintf(p.w, format+"\n", args...); p.err == nil {
		p.err = err
	}
}

func (p *printer) buses(r *Report) {
	p.line("BUSES")
	if len(r.I2C)+len(r.SPI) == 0 {
		p.line("  none")
	}
	for _, b := range r.I2C {
		name := ""
		if b.Name != "" {
			name = " (" + b.Name + ")"
		}
		p.line("  I²C %s%s", b.Path, name)
		if b.Why != "" {
			p.line("    %s", b.Why)
		}
		for _, a := range b.Answers {
			p.line("    %s  %s", a.Address, said(a))
		}
		if b.Looked && b.Why == "" && len(b.Answers) == 0 {
			p.line("    nothing answers: check supply, SDA and SCL of what should be there")
		}
	}
	for _, b := range r.SPI {
		p.line("  SPI %s", b.Path)
		if b.Why != "" {
			p.line("    %s", b.Why)
		} else {
			p.line("    %s", said(b.Answer))
		}
	}
	// Most buses leave the same addresses out: say each thing once.
	told := map[Skipped]bool{}
	for _, b := range r.I2C {
		for _, s := range b.Skipped {
			if told[s] {
				continue
			}
			if len(told) == 0 {
				p.line("  I²C addresses that were not asked:")
			}
			told[s] = true
			p.line("    %-9s  %s", s.Addresses, s.Why)
		}
	}
	p.line("")
}

func said(a Answer) string {
	if a.Chip == "" {
		return a.Evidence
	}
	return fmt.Sprintf("%s, %s: %s", a.Chip, a.Confidence, a.Evidence)
}

func (p *printer) wiring(r *Report) {
	if len(r.Chips) == 0 {
		return
	}
	p.line("WIRING AND LIVE READINGS (raw numbers over %.3g s)", r.Seconds)
	for i := range r.Chips {
		c := &r.Chips[i]
		p.line("  %s on %s (driver %q)", c.Name, c.Where(), c.Driver)
		p.line("    PIN\tCONNECT TO")
		for _, pin := range c.Pins {
			p.line("    %s\t%s", pin.Pin, pin.To)
		}
		to := ""
		for _, in := range c.Inputs { // what all inputs take is said once
			if in.To != to {
				p.line("    %s\t%s", in.Pin, in.To)
			} else {
				p.line("    %s\tthe same", in.Pin)
			}
			to = in.To
		}
		p.line("")
		p.readings(c.Inputs, false)
		if c.Trouble != "" {
			p.line("    trouble: %s", c.Trouble)
		}
		for _, n := range c.Notes {
			p.line("    note: %s", n)
		}
		p.line("")
	}
}

// readings writes the table of what inputs read.
func (p *printer) readings(in []Input, label bool) {
	some := false
	for _, i := range in {
		some = some || i.Reading != nil
	}
	if !some {
		p.line("    no reading")
		return
	}
	p.line("    INPUT\tREADINGS\tRAW MEAN\tRAW SD\tRAW SPAN\tTHAT IS\tSD\tREMARK")
	for _, i := range in {
		name := cmp.Or(i.Name, i.Pin)
		if label && i.To != "" {
			name += " (" + i.To + ")"
		}
		r := i.Reading
		if r == nil {
			p.line("    %s\t0\t\t\t\t\t\tno reading", name)
			continue
		}
		var remarks []string
		if r.Cold != nil {
			remarks = append(remarks, fmt.Sprintf("chip at %.1f °C", *r.Cold))
		}
		if r.Faults != "" {
			remarks = append(remarks, r.Faults)
		}
		remark := strings.Join(remarks, "; ")
		if r.Count == 0 {
			p.line("    %s\t0\t\t\t\t\t\t%s", name, remark)
			continue
		}
		p.line("    %s\t%d\t%.1f\t%.2f\t%.0f\t%s\t%s\t%s", name, r.Count, r.Mean, r.SD, r.Span,
			quantity(r.Value, r.Unit, 4), quantity(r.ValueSD, r.Unit, 2), remark)
	}
}

// quantity is a value with its unit; volts and amperes in thousandths where
// that reads better.
func quantity(v float64, unit string, digits int) string {
	if a := max(v, -v); (unit == "V" || unit == "A") && a < 0.1 {
		v, unit = 1e3*v, "m"+unit
	}
	// Whole digits are kept: 1013, not 1.01e+03.
	s := fmt.Sprintf("%.*g", digits, v)
	if strings.Contains(s, "e") {
		s = fmt.Sprintf("%.*f", digits, v)
	}
	return strings.TrimSpace(s + " " + unit)
}

func (p *printer) kernel(title string, devices []KernelDevice) {
	if len(devices) == 0 {
		return
	}
	p.line("%s", strings.ToUpper(title[:1])+title[1:])
	for _, d := range devices {
		p.line("  %s  %s  (address = \"name:%s\")", d.Name, d.Path, d.Name)
		p.readings(d.Inputs, true)
	}
	p.line("")
}

func (p *printer) others(r *Report) {
	for _, c := range r.GPIO {
		var free, used []string
		nameless := 0
		for _, l := range c.Lines {
			switch {
			case l.Name == "":
				nameless++
			case l.Used && l.By != "":
				used = append(used, l.Name+" ("+l.By+")")
			case l.Used:
				used = append(used, l.Name)
			default:
				free = append(free, l.Name)
			}
		}
		p.line("GPIO %s (%s): %d lines", c.Path, c.Label, len(c.Lines))
		p.list("  free: ", free)
		p.list("  in use: ", used)
		if nameless > 0 {
			p.line("  without a name: %d; bench.toml calls line 5 of it %s/5", nameless, strings.TrimPrefix(c.Path, "/dev/"))
		}
		p.line("")
	}
	for _, c := range r.PWM {
		p.line("PWM outputs, for a bare piezo")
		p.list("  ", c.Outputs)
		p.line("")
	}
	if len(r.Sound) > 0 {
		p.line("SOUND (try one: --sound speaker:DEVICE)")
		for _, s := range r.Sound {
			p.line("  %s\t%s", s.Path, s.Name)
		}
		p.line("")
	}
	if len(r.Serial) > 0 {
		p.line("SERIAL PORTS (not opened: what is on them can not be told)")
		for _, s := range r.Serial {
			note := s.Use
			if s.Path != s.Also {
				note = strings.TrimSpace("now " + s.Also + "  " + note)
			}
			p.line("  %s  %s", s.Path, note)
		}
		p.line("")
	}
}

// list writes words in lines of readable length.
func (p *printer) list(head string, words []string) {
	if len(words) == 0 {
		return
	}
	const width = 96
	line := head
	for i, w := range words {
		if i < len(words)-1 {
			w += ","
		}
		if len(line)+len(w) > width {
			p.line("%s", strings.TrimRight(line, " "))
			line = strings.Repeat(" ", len(head))
		}
		line += w + " "
	}
	p.line("%s", strings.TrimRight(line, " "))
}
