package envelope

import (
	"bytes"
	"embed"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
)

// The tables hold every number that a limit rests on, in the trade's units,
// each row with its source and how far that is to be trusted: mark a was read
// in the source named, b is from memory, c was computed from the rule given.
//
//go:embed tables/*.csv
var tableFiles embed.FS

type tables struct {
	glass     map[string]glassRow
	coating   map[string]coatingRow
	fill      map[string][]fillRow // by gas, diameter rising
	electrode []electrodeRow       // running current rising
	practice  map[string]practiceRow
}

type origin struct{ mark, source string }

type glassRow struct {
	origin
	strain, density, heat, conductivity, young, expansion, poisson float64
}

type coatingRow struct {
	origin
	targetLow, targetHigh, cap, u, rateFactor float64
	reason                                    string
}

type fillRow struct {
	origin
	outside, low, high float64 // mm, Torr
}

type electrodeRow struct {
	origin
	running, glassLow, glassHigh, shellLow, shellHigh float64 // mA
}

type practiceRow struct {
	origin
	low, high    float64 // in unit; NaN none
	unit, reason string
}

// loadTables reads the embedded tables. They are part of the program, so that
// a mistake in them is a panic; a test reads them all.
func loadTables() *tables {
	t, err := readTables(func(name string) ([]byte, error) { return tableFiles.ReadFile("tables/" + name) })
	if err != nil {
		panic("envelope: " + err.Error())
	}
	return t
}

func readTables(read func(name string) ([]byte, error)) (*tables, error) {
	t := &tables{
		glass: map[string]glassRow{}, coating: map[string]coatingRow{},
		fill: map[string][]fillRow{}, practice: map[string]practiceRow{},
	}
	for _, f := range []struct {
		name  string
		parse func(*tables, string, []byte) error
	}{
		{"glass.csv", parseGlass}, {"coating.csv", parseCoating}, {"fill.csv", parseFill},
		{"electrode.csv", parseElectrode}, {"practice.csv", parsePractice},
	} {
		data, err := read(f.name)
		if err != nil {
			return nil, fmt.Errorf("reading table %s: %w", f.name, err)
		}
		if err := f.parse(t, f.name, data); err != nil {
			return nil, err
		}
	}
	return t, nil
}

func parseGlass(t *tables, name string, data []byte) error {
	return rows(name, data, []string{"glass", "strain", "density", "heat", "conductivity", "young", "expansion",
		"poisson", "mark", "source"}, func(r *row) {
		k := r.text("glass")
		if _, twice := t.glass[k]; twice {
			r.fail("glass", "is there twice")
		}
		t.glass[k] = glassRow{r.origin(), r.number("strain"), r.number("density"), r.number("heat"),
			r.number("conductivity"), r.number("young"), r.number("expansion"), r.number("poisson")}
	})
}

func parseCoating(t *tables, name string, data []byte) error {
	return rows(name, data, []string{"coating", "target_low", "target_high", "cap", "u", "rate_factor", "mark",
		"source", "reason"}, func(r *row) {
		k := r.text("coating")
		if _, twice := t.coating[k]; twice {
			r.fail("coating", "is there twice")
		}
		c := coatingRow{r.origin(), r.number("target_low"), r.number("target_high"), r.number("cap"),
			r.number("u"), r.number("rate_factor"), r.text("reason")}
		if c.targetLow >= c.targetHigh || c.targetHigh > c.cap {
			r.fail("cap", "must not be below target_high, and that not below target_low")
		}
		t.coating[k] = c
	})
}

func parseFill(t *tables, name string, data []byte) error {
	return rows(name, data, []string{"gas", "outside_mm", "low", "high", "mark", "source"}, func(r *row) {
		f := fillRow{r.origin(), r.number("outside_mm"), r.number("low"), r.number("high")}
		if f.low > f.high {
			r.fail("low", "is above high")
		}
		gas := r.text("gas")
		list := t.fill[gas]
		if n := len(list); n > 0 && list[n-1].outside >= f.outside {
			r.fail("outside_mm", "must rise from row to row of a gas")
		}
		t.fill[gas] = append(list, f)
	})
}

func parseElectrode(t *tables, name string, data []byte) error {
	return rows(name, data, []string{"running", "glass_low", "glass_high", "shell_low", "shell_high", "mark",
		"source"}, func(r *row) {
		e := electrodeRow{r.origin(), r.number("running"), r.number("glass_low"), r.number("glass_high"),
			r.number("shell_low"), r.number("shell_high")}
		if n := len(t.electrode); n > 0 && t.electrode[n-1].running >= e.running {
			r.fail("running", "must rise from row to row")
		}
		if e.glassLow > e.glassHigh || e.shellLow > e.shellHigh {
			r.fail("shell_low", "a low is above its high")
		}
		t.electrode = append(t.electrode, e)
	})
}

func parsePractice(t *tables, name string, data []byte) error {
	return rows(name, data, []string{"key", "low", "high", "unit", "mark", "source", "reason"}, func(r *row) {
		k := r.text("key")
		if _, twice := t.practice[k]; twice {
			r.fail("key", "is there twice")
		}
		p := practiceRow{r.origin(), r.optional("low"), r.optional("high"), r.text("unit"), r.text("reason")}
		if p.low != p.low && p.high != p.high {
			r.fail("low", "has neither low nor high")
		}
		if p.low > p.high {
			r.fail("low", "is above high")
		}
		t.practice[k] = p
	})
}

// row is one line of a table. The first mistake is kept.
type row struct {
	name    string
	columns []string
	fields  []string
	line    int
	err     error
}

func (r *row) fail(column, what string) {
	if r.err == nil {
		r.err = fmt.Errorf("table %s, line %d, %s: %s", r.name, r.line, column, what)
	}
}

func (r *row) text(column string) string {
	s := r.fields[slices.Index(r.columns, column)]
	if s == "" {
		r.fail(column, "is empty")
	}
	return s
}

func (r *row) number(column string) float64 {
	s := r.text(column)
	x, err := strconv.ParseFloat(s, 64)
	if s != "" && (err != nil || math.IsInf(x, 0) || !(x > 0)) {
		r.fail(column, fmt.Sprintf("%q is not a number above 0", s))
	}
	return x
}

func (r *row) optional(column string) float64 {
	if r.fields[slices.Index(r.columns, column)] == "" {
		return math.NaN()
	}
	return r.number(column)
}

func (r *row) origin() origin {
	m := r.text("mark")
	if m != "a" && m != "b" && m != "c" {
		r.fail("mark", fmt.Sprintf("%q, allowed are a, b and c", m))
	}
	return origin{mark: m, source: r.text("source")}
}

// rows reads a table strictly: exactly the columns given, in that order, at
// least one row, and f is called for each.
func rows(name string, data []byte, columns []string, f func(*row)) error {
	cr := csv.NewReader(bytes.NewReader(data))
	cr.Comment = '#'
	head, err := cr.Read()
	if err != nil {
		return fmt.Errorf("table %s: reading the column names: %w", name, err)
	}
	if !slices.Equal(head, columns) {
		return fmt.Errorf("table %s: columns are %q, must be %q", name, head, columns)
	}
	n := 0
	for ; ; n++ {
		fields, err := cr.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return fmt.Errorf("table %s: %w", name, err)
		}
		line, _ := cr.FieldPos(0)
		r := &row{name: name, columns: columns, fields: fields, line: line}
		f(r)
		if r.err != nil {
			return r.err
		}
	}
	if n == 0 {
		return fmt.Errorf("table %s has no rows", name)
	}
	return nil
}
