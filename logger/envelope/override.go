package envelope

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"tipoff/calib/strict"
	"tipoff/calib/unit"
)

// Tables are a bench's own tables over those of the program. They are not
// changed once read.
type Tables struct {
	all  *tables
	rows []string // "fill neon 15"
}

// Rows names the rows that are the bench's own: "glass lead", "fill neon 15". A
// nil t has none.
func (t *Tables) Rows() []string {
	if t == nil {
		return nil
	}
	return t.rows
}

// orBuiltIn are the tables to compute with: those of the program if t is nil.
func (t *Tables) orBuiltIn() *tables {
	if t == nil {
		return loadTables()
	}
	return t.all
}

// StillAir is the heat transfer from glass to still air that the bench's own table
// says, with its standard uncertainty, W/(m² K); 0 if it says none.
func (t *Tables) StillAir() (x, u float64) { return t.own("still-air") }

// FallRises is by how much the cathode fall grows for each square root of the
// current's density over the normal one, as the bench's own table says, with its
// standard uncertainty; 0 if it says none.
func (t *Tables) FallRises() (x, u float64) { return t.own("fall-rises") }

func (t *Tables) own(key string) (x, u float64) {
	if t == nil || t.all.constant[key].mark != benchMark {
		return 0, 0
	}
	return t.all.value(key), t.all.constant[key].u
}

// TablesIn reads a bench's own tables from the text of its bench.toml, as a run
// keeps it. It is nil if there are none or the text is none: the bench checked it
// when it started.
func TablesIn(benchText string) *Tables {
	if strings.TrimSpace(benchText) == "" {
		return nil
	}
	doc, err := strict.Read("bench.toml", []byte(benchText))
	if err != nil {
		return nil
	}
	return ReadTables(doc.Table)
}

// row is one row of a table, from a file or over it from a bench. The first
// mistake is kept.
type row struct {
	of    *schema
	cells []cell
	line  int
	bench *strict.Table // nil: from the program's file
	err   error
}

type cell struct {
	text   string
	number float64 // NaN: none
}

// fail notes what is wrong with a column and what would be right.
func (r *row) fail(column, allowed string) {
	if r.bench != nil {
		r.bench.WrongValue(column, allowed)
	}
	if r.err == nil {
		r.err = fmt.Errorf("table %s.csv, line %d, %s: found %q; allowed: %s", r.of.name, r.line, column, r.text(column), allowed)
	}
}

func (r *row) index(name string) int {
	return slices.IndexFunc(r.of.columns, func(c column) bool { return c.name == name })
}

func (r *row) text(name string) string { return r.cells[r.index(name)].text }
func (r *row) number(name string) float64 {
	return orExact(&r.of.columns[r.index(name)], r.cells[r.index(name)].number)
}

// orExact makes an uncertainty that is not there 0.
func orExact(c *column, x float64) float64 {
	if c.doubt {
		return orZero(x)
	}
	return x
}

func (r *row) origin() origin { return origin{mark: r.text("mark"), source: r.text("source")} }

// same tells whether two rows have the same name.
func (r *row) same(o *row) bool {
	for i := range r.of.keys {
		a, b := r.cells[i], o.cells[i]
		if r.of.columns[i].text && a.text != b.text || !r.of.columns[i].text && !(math.Abs(a.number-b.number) < 1e-9) {
			return false
		}
	}
	return true
}

// name is the table and what names the row in it.
func (r *row) name() string {
	s := r.of.name
	for i := range r.of.keys {
		if c := r.cells[i]; r.of.columns[i].text {
			s += " " + c.text
		} else {
			s += fmt.Sprintf(" %g", c.number)
		}
	}
	return s
}

// readTables reads all tables from their files.
func readTables(read func(name string) ([]byte, error)) (*tables, error) {
	t := newTables()
	for _, s := range schemas() {
		rows, err := readFile(&s, read)
		if err != nil {
			return nil, err
		}
		for _, r := range rows {
			if s.add(t, r); r.err != nil {
				return nil, r.err
			}
		}
	}
	return t, nil
}

// readFile reads a table strictly: exactly the columns of its schema, in that
// order, at least one row, and none twice.
func readFile(s *schema, read func(name string) ([]byte, error)) ([]*row, error) {
	name := s.name + ".csv"
	data, err := read(name)
	if err != nil {
		return nil, fmt.Errorf("reading table %s: %w", name, err)
	}
	cr := csv.NewReader(bytes.NewReader(data))
	cr.Comment = '#'
	head, err := cr.Read()
	if err != nil {
		return nil, fmt.Errorf("table %s: reading the column names: %w", name, err)
	}
	if want := names(s.columns); !slices.Equal(head, want) {
		return nil, fmt.Errorf("table %s: columns are %q, must be %q", name, head, want)
	}
	var rows []*row
	for {
		fields, err := cr.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("table %s: %w", name, err)
		}
		line, _ := cr.FieldPos(0)
		r := &row{of: s, line: line}
		for i := range s.columns {
			r.take(&s.columns[i], fields[i])
		}
		if r.err != nil {
			return nil, r.err
		}
		if slices.ContainsFunc(rows, r.same) {
			return nil, fmt.Errorf("table %s, line %d: the row %q is there twice", name, line, fields[:s.keys])
		}
		rows = append(rows, r)
	}
	if len(rows) == 0 {
		return nil, fmt.Errorf("table %s has no rows", name)
	}
	return rows, nil
}

func names(columns []column) []string {
	list := make([]string, len(columns))
	for i, c := range columns {
		list[i] = c.name
	}
	return list
}

// take reads a field of a file.
func (r *row) take(c *column, field string) {
	x := cell{field, math.NaN()}
	var wrong string
	switch {
	case field == "" && c.optional:
	case c.text && (field == "" || c.allowed != nil && !slices.Contains(c.allowed, field)):
		wrong = "a text"
		if c.allowed != nil {
			wrong = strict.OneOf(c.allowed)
		}
	case !c.text:
		v, err := strconv.ParseFloat(field, 64)
		if err != nil || !(v >= c.min && v <= c.max) || math.IsInf(v, 0) {
			wrong = fmt.Sprintf("a number from %g to %g", c.min, c.max)
		}
		x.number = v
	}
	r.cells = append(r.cells, x)
	if wrong != "" && r.err == nil {
		r.err = fmt.Errorf("table %s.csv, line %d, %s: found %q; allowed: %s", r.of.name, r.line, c.name, field, wrong)
	}
}

// ReadTables reads a bench's own tables from the top level of its bench.toml,
// nil if it has none:
//
//	[[tables.glass]]
//	glass = "soda-lime"
//	strain = "500 C"
//	source = "the maker's sheet of 2026"
//
// A row names itself by its first keys, such as glass. What it says of a row of
// the program replaces that; what it does not say stays. A row with a new name
// must be complete. Each needs its source. An uncertainty that is not given with
// a new value is 0: the value is exact as it is set. Mistakes are noted in the
// document, which reports them with file, line, key, what was found and what is
// allowed.
func ReadTables(top *strict.Table) *Tables {
	d := top.OptTable("tables")
	if d == nil {
		return nil
	}
	out := &Tables{all: newTables()}
	for _, s := range schemas() {
		rows, err := readFile(&s, builtIn)
		if err != nil {
			panic("envelope: " + err.Error()) // part of the program, as in loadTables
		}
		var own []*row
		for _, t := range d.OneOrMore(s.name) {
			r := readOverride(&s, t, rows)
			if r == nil {
				continue
			}
			if slices.ContainsFunc(own, r.same) {
				t.WrongValue(s.columns[s.keys-1].name, "each row once")
				continue
			}
			own = append(own, r)
			out.rows = append(out.rows, r.name())
			if i := slices.IndexFunc(rows, r.same); i >= 0 {
				rows[i] = r
			} else {
				rows = append(rows, r)
			}
		}
		for _, r := range rows {
			s.add(out.all, r)
		}
	}
	return out
}

// readOverride reads one row; nil if it does not name itself. rows are those of
// the program.
func readOverride(s *schema, t *strict.Table, rows []*row) *row {
	r := &row{of: s, bench: t, cells: make([]cell, len(s.columns))}
	t.Known(names(s.columns)...)
	for i := range s.columns {
		r.cells[i].number = math.NaN()
		if i >= s.keys {
			continue
		}
		c := s.columns[i]
		if c.name == "key" { // a rule or constant that nothing asks for would be a slip
			for _, old := range rows {
				c.allowed = append(c.allowed, old.cells[i].text)
			}
		}
		if r.cells[i] = read(t, c, true); r.cells[i] == (cell{}) || r.cells[i].text == "" && r.cells[i].number != r.cells[i].number {
			return nil
		}
	}
	var old *row
	if i := slices.IndexFunc(rows, r.same); i >= 0 {
		old = rows[i]
	}
	changed := map[string]bool{} // the numbers that the bench gives
	for i := s.keys; i < len(s.columns); i++ {
		c := s.columns[i]
		switch c.name {
		case "mark":
			if t.Has("mark") {
				t.WrongValue("mark", "no mark: a bench's own row is marked as such")
			}
			r.cells[i].text = benchMark
			continue
		case "source":
			r.cells[i] = read(t, c, true)
			r.cells[i].text = "bench table: " + r.cells[i].text
			continue
		case "unit":
			if t.Has("unit") {
				t.WrongValue("unit", "no unit: it stands with each number")
			}
			r.cells[i] = old.cells[i]
			continue
		}
		if s.name == "practice" && !c.text {
			if c.dim, c.scale = practiceUnit(old.text("unit")); c.doubt && c.dim == unit.Temperature {
				c.dim = unit.TempDifference
			}
		}
		if !c.text && !c.doubt {
			c.min = max(c.min, least(s.name, r.cells[0].text))
		}
		if t.Has(c.name) || old == nil {
			r.cells[i] = read(t, c, old == nil && !c.optional)
			changed[c.name] = !c.text
			continue
		}
		r.cells[i] = old.cells[i]
		if c.doubt && s.newlySaid(c.name, changed) {
			r.cells[i].number = 0
		}
	}
	return r
}

// least is the least that a constant or a figure of practice can be, in the unit of its
// row, where something is divided by it or its logarithm is taken; 0 for others.
func least(table, key string) float64 {
	switch table + " " + key {
	case "constant hold-fall", "constant shell-area", "constant shell-area-rating":
		return 0
	case "constant air-field-power":
		return 0.1
	case "practice impurity", "practice isolated", "practice base-pressure", "practice flush-pressure", "practice neon-p-od",
		"practice stress-factor", "practice bombard-time":
		return 1e-3
	}
	if table == "constant" {
		return 1e-3
	}
	return 0
}

// newlySaid tells whether what an uncertainty belongs to is among the changed columns:
// cap_u belongs to cap and target_u to target_low, u to all numbers of its row.
func (s *schema) newlySaid(doubt string, changed map[string]bool) bool {
	of, ok := strings.CutSuffix(doubt, "_u")
	for _, c := range s.columns {
		if changed[c.name] && !c.doubt && (!ok || c.name == of || c.name == of+"_low") {
			return true
		}
	}
	return false
}

// read reads a cell of a bench's table.
func read(t *strict.Table, c column, required bool) cell {
	x := cell{number: math.NaN()}
	if !required && !t.Has(c.name) {
		return x
	}
	max := c.max
	if math.IsInf(max, 1) {
		max = 1e12
	}
	switch {
	case c.text:
		x.text = t.String(c.name, c.allowed...)
		if strings.ContainsFunc(x.text, func(r rune) bool { return r < 0x20 }) || len(x.text) > 200 {
			t.WrongValue(c.name, "one line of at most 200 characters")
		}
	case c.dim == 0:
		x.number = t.Float(c.name, c.min, max)
	default:
		// Rounded, so that 15 mm is the 15 of the table and not a digit beside it.
		x.number = tidy(t.Quantity(c.name, c.dim, tidy(c.min*c.scale), tidy(max*c.scale)) / c.scale)
	}
	return x
}

// tidy rounds to 12 digits.
func tidy(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 12, 64), 64)
	if err != nil {
		return x
	}
	return y
}

// practiceUnit is how a bench writes numbers of a unit of practice.csv: as a
// quantity, or plain where there is no dimension for it.
func practiceUnit(u string) (unit.Dimension, float64) {
	switch u {
	case "°C":
		return unit.Temperature, 1
	case "K":
		return unit.TempDifference, 1
	case "°C/s":
		return unit.TempRate, 1
	case "Torr":
		return unit.Pressure, torr
	case "micron":
		return unit.Pressure, micron
	case "micron/min":
		return unit.PressureRate, micron * perMinute
	case "s":
		return unit.Duration, 1
	case "%":
		return unit.Ratio, 0.01
	case "mm":
		return unit.Length, 1e-3
	}
	return 0, 1
}
