package trace

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// Limits of a trace, far above any run.
const (
	maxBytes   = 512 << 20
	maxSeconds = 4e9  // |time|: beyond any count of seconds since 1970
	maxValue   = 1e12 // |value| in base units
	maxFound   = 40   // characters of a wrong cell that are shown
)

const absoluteZero = -273.15 // °C

// Parse reads a trace. name is its file name for messages. notices say in words
// what was passed over. The error is of type [*Error] unless r failed.
func Parse(name string, r io.Reader) (t *Trace, notices []string, err error) {
	data, err := io.ReadAll(io.LimitReader(r, maxBytes+1))
	if err != nil {
		return nil, nil, fmt.Errorf("reading %s: %w", name, err)
	}
	if len(data) > maxBytes {
		return nil, nil, &Error{File: name, Line: 1, Found: "more than 512 MB", Allowed: "at most that"}
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")) // byte order mark of spreadsheets
	p := &parser{name: name, t: &Trace{Name: name}}
	p.csv = csv.NewReader(bytes.NewReader(data))
	p.csv.Comma = separator(data)
	p.csv.Comment = '#'
	p.csv.FieldsPerRecord = -1
	p.csv.TrimLeadingSpace = true
	p.csv.ReuseRecord = true
	if err := p.header(); err != nil {
		return nil, nil, err
	}
	if err := p.rows(); err != nil {
		return nil, nil, err
	}
	return p.t, p.notices, nil
}

// separator is a semicolon if the first line that is no remark has one.
func separator(data []byte) rune {
	for line := range bytes.Lines(data) {
		if line = bytes.TrimSpace(line); len(line) == 0 || line[0] == '#' {
			continue
		}
		if bytes.IndexByte(line, ';') >= 0 {
			return ';'
		}
		break
	}
	return ','
}

type parser struct {
	name    string
	csv     *csv.Reader
	t       *Trace
	notices []string
	columns []column
	head    int // line of the header
	time    int // index of the time column
}

// column is what to do with a cell; input is -1 for time and -2 for columns that
// are passed over.
type column struct {
	input int
	conv  conversion
	isU   bool // holds the uncertainty of input
}

const (
	isTime  = -1
	ignored = -2
)

func (p *parser) wrong(line, column int, found, allowed string) error {
	return &Error{File: p.name, Line: line, Column: column, Found: found, Allowed: allowed}
}

func quote(s string) string {
	if r := []rune(s); len(r) > maxFound {
		s = string(r[:maxFound]) + "…"
	}
	return strconv.Quote(s)
}

// next is the next record with the line it starts on, or io.EOF.
func (p *parser) next() ([]string, int, error) {
	rec, err := p.csv.Read()
	var pe *csv.ParseError
	switch {
	case errors.As(err, &pe):
		return nil, 0, p.wrong(pe.Line, 0, "a quotation mark out of place", `cells as 1.5 or "1.5"`)
	case err != nil:
		return nil, 0, err
	}
	line, _ := p.csv.FieldPos(0)
	return rec, line, nil
}

func (p *parser) header() error {
	rec, line, err := p.next()
	if err == io.EOF {
		return p.wrong(1, 0, "an empty file", `a header such as "time [s],pressure [Torr],glass [C],current [mA]"`)
	}
	if err != nil {
		return err
	}
	p.head, p.time = line, -1
	known := quantities()
	seen := map[string]int{}
	uncertain := map[string]int{} // column of a quantity's uncertainty, by its name
	for i, cell := range rec {
		name, unit := split(cell)
		c := column{input: ignored}
		for _, q := range known {
			if q.name != name {
				continue
			}
			if first, ok := seen[name]; ok {
				return p.wrong(line, i+1, quote(cell), fmt.Sprintf("one column of %s (column %d is one already)", name, first))
			}
			seen[name] = i + 1
			conv, ok := q.find(unit)
			if !ok {
				return p.wrong(line, i+1, quote(cell), q.headers())
			}
			c.conv, c.input = conv, isTime
			if name == timeName {
				p.time = i
				continue
			}
			if of, ok := strings.CutSuffix(name, uncertaintySuffix); ok {
				uncertain[of] = i
				continue
			}
			c.input = len(p.t.inputs)
			p.t.inputs = append(p.t.inputs, q)
		}
		if c.input == ignored && strings.TrimSpace(cell) != "" {
			p.notices = append(p.notices, fmt.Sprintf("%s:%d: column %d, %s, is passed over", p.name, line, i+1, quote(cell)))
		}
		p.columns = append(p.columns, c)
	}
	if p.time < 0 {
		return p.wrong(line, 0, "no column of times", known[0].headers())
	}
	if len(p.t.inputs) == 0 {
		return p.wrong(line, 0, "no column of readings",
			"one or more of "+known[1].headers()+", "+known[2].headers()+", "+known[3].headers())
	}
	p.t.values = make([][]float64, len(p.t.inputs))
	p.t.us = make([][]float64, len(p.t.inputs))
	for j, q := range p.t.inputs {
		if i, ok := uncertain[q.name]; ok {
			p.columns[i].input, p.columns[i].isU = j, true
			delete(uncertain, q.name)
		}
	}
	for name, i := range uncertain {
		return p.wrong(line, i+1, quote(rec[i]), "an uncertainty beside a column of "+name)
	}
	return nil
}

// split parts "Glass [°C]" into "glass" and "c". What is no UTF-8 is left out: a
// degree sign in an old encoding.
func split(cell string) (name, unit string) {
	cell = strings.ToLower(strings.ToValidUTF8(cell, ""))
	name, unit, _ = strings.Cut(cell, "[")
	unit, _, _ = strings.Cut(unit, "]")
	unit = strings.TrimLeft(strings.TrimSpace(unit), "°º ")
	return strings.TrimSpace(name), unit
}

func (q quantity) find(unit string) (conversion, bool) {
	for _, u := range q.units {
		if u.name == unit {
			return u, true
		}
	}
	return conversion{}, false
}

func (p *parser) rows() error {
	for {
		rec, line, err := p.next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		if blank(rec) {
			continue // spreadsheets leave such lines at the end
		}
		if len(rec) != len(p.columns) {
			return p.wrong(line, 0, count(len(rec), "cell"), fmt.Sprintf("%s, as in the header on line %d", count(len(p.columns), "cell"), p.head))
		}
		if err := p.row(rec, line); err != nil {
			return err
		}
	}
	if len(p.t.times) == 0 {
		return p.wrong(p.head, 0, "no rows below the header", "at least one")
	}
	return nil
}

func (p *parser) row(rec []string, line int) error {
	at, err := p.timeOf(rec[p.time], line)
	if err != nil {
		return err
	}
	p.t.times = append(p.t.times, at)
	for i, c := range p.columns {
		if c.input < 0 {
			continue
		}
		v, err := p.value(rec[i], c, line, i+1)
		if err != nil {
			return err
		}
		if c.isU {
			if v < 0 {
				return p.wrong(line, i+1, quote(rec[i]), "a standard uncertainty, 0 or more")
			}
			p.t.us[c.input] = append(p.t.us[c.input], v)
			continue
		}
		p.t.values[c.input] = append(p.t.values[c.input], v)
	}
	return nil
}

func (p *parser) timeOf(cell string, line int) (time.Duration, error) {
	const words = "seconds as a number"
	s, ok := p.number(cell)
	if !ok {
		return 0, p.wrong(line, p.time+1, quote(cell), words)
	}
	if math.Abs(s) > maxSeconds {
		return 0, p.wrong(line, p.time+1, quote(cell), words+" from -4e9 to 4e9")
	}
	at := time.Duration(math.Round(s * 1e9))
	if n := len(p.t.times); n > 0 && at <= p.t.times[n-1] {
		last := strconv.FormatFloat(p.t.times[n-1].Seconds(), 'f', -1, 64)
		return 0, p.wrong(line, p.time+1, quote(cell), "times that rise from row to row (the row before has "+last+" s)")
	}
	return at, nil
}

// value reads a cell, NaN if it is blank.
func (p *parser) value(cell string, c column, line, number int) (float64, error) {
	if strings.TrimSpace(cell) == "" {
		return math.NaN(), nil
	}
	x, ok := p.number(cell)
	if !ok {
		return 0, p.wrong(line, number, quote(cell), "a number, or nothing where there is no reading")
	}
	v := c.conv.base(x)
	name := p.t.inputs[c.input].name
	if c.isU {
		name += uncertaintySuffix
	}
	switch {
	case math.Abs(v) > maxValue:
		return 0, p.wrong(line, number, quote(cell), "at most 1e12")
	case name == "glass" && v < absoluteZero*(1+1e-12): // rounding of "-459.67 F"
		return 0, p.wrong(line, number, quote(cell), "a temperature above absolute zero")
	case name == "current" && v < 0:
		return 0, p.wrong(line, number, quote(cell), "an RMS current, 0 or more")
	}
	return v, nil
}

// number reads a decimal number, finite. With semicolons between the cells a
// comma may stand for the point.
func (p *parser) number(cell string) (float64, bool) {
	s := strings.TrimSpace(cell)
	if p.csv.Comma == ';' && strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
		s = strings.Replace(s, ",", ".", 1)
	}
	if strings.Trim(s, "0123456789+-.eE") != "" {
		return 0, false // "inf", "nan", "0x1p4", "1_000"
	}
	x, err := strconv.ParseFloat(s, 64)
	return x, err == nil
}

func blank(rec []string) bool {
	for _, c := range rec {
		if strings.TrimSpace(c) != "" {
			return false
		}
	}
	return true
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return strconv.Itoa(n) + " " + noun + "s"
}
