// Package trace plays a recorded trace, a CSV file from whatever logger or
// spreadsheet, as a source of samples.
//
// The header names the columns, in any order and case: `time [s]`, and one or
// more of `pressure [Torr]` (or mbar, Pa, micron), `glass [C]` (or F, K) and
// `current [mA]` (or A). Other columns are passed over with a notice. Cells are
// separated by commas or, if the header has one, by semicolons; with semicolons
// a number may have a decimal comma. `pressure u [Pa]`, `glass u [K]` and
// `current u [A]` hold standard uncertainties, as tipoff's own export writes them. A blank cell is a missing reading. Lines
// beginning with # are remarks. Times rise from row to row.
//
// Values are converted to Pa, °C and A when the file is read; package unit of
// calib is out of bounds here, so the few factors are repeated.
package trace

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Trace is a recorded trace, checked. It does not change.
type Trace struct {
	Name   string
	inputs []quantity      // columns that are there, in the order of the file
	times  []time.Duration // as in the time column
	values [][]float64     // by input, then row; NaN where the cell is blank
	us     [][]float64     // standard uncertainties likewise; nil for an input without
}

// Start is the first row's time as the file has it.
func (t *Trace) Start() time.Duration { return t.times[0] }

// End is the last row's time as the file has it.
func (t *Trace) End() time.Duration { return t.times[len(t.times)-1] }

// Inputs names the quantities: "pressure", "glass", "current".
func (t *Trace) Inputs() []string {
	names := make([]string, len(t.inputs))
	for i, q := range t.inputs {
		names[i] = q.name
	}
	return names
}

// Interval is the median time from row to row, 0 if there is only one row.
func (t *Trace) Interval() time.Duration {
	if len(t.times) < 2 {
		return 0
	}
	d := make([]time.Duration, len(t.times)-1)
	for i := range d {
		d[i] = t.times[i+1] - t.times[i]
	}
	slices.Sort(d)
	return d[len(d)/2]
}

// Error is a mistake in a trace.
type Error struct {
	File    string
	Line    int // from 1
	Column  int // from 1; 0 if the line as a whole is meant
	Found   string
	Allowed string
}

// Error is one line: `run.csv:12: column 3: found "x"; allowed: …`.
func (e *Error) Error() string {
	where := fmt.Sprintf("%s:%d", e.File, e.Line)
	if e.Column > 0 {
		where += ": column " + strconv.Itoa(e.Column)
	}
	return where + ": found " + e.Found + "; allowed: " + e.Allowed
}

// quantity is a column that has a meaning.
type quantity struct {
	name  string
	unit  string // of the values inside
	units []conversion
}

// conversion makes a number in one unit into the base unit:
// (x + shift) * num / den + offset.
type conversion struct {
	name                    string // lower case, without the degree sign
	num, den, shift, offset float64
}

// The Torr is 101325/760 Pa by definition, the micron 0.001 Torr.
const torrNum, torrDen = 101325.0, 760.0

const (
	timeName          = "time"
	uncertaintySuffix = " u" // "glass u [K]" is the standard uncertainty of "glass [C]"
)

// quantities are the columns that have a meaning: time, the readings, and the
// readings' standard uncertainties, in which a temperature is a difference.
func quantities() []quantity {
	all := readings()
	for _, q := range readings()[1:] {
		q.name += uncertaintySuffix
		if q.unit == "°C" {
			q.unit = "K"
			q.units = []conversion{{name: "k", num: 1, den: 1}, {name: "c", num: 1, den: 1}, {name: "f", num: 5, den: 9}}
		}
		all = append(all, q)
	}
	return all
}

func readings() []quantity {
	return []quantity{
		{timeName, "s", []conversion{{name: "s", num: 1, den: 1}}},
		{"pressure", "Pa", []conversion{
			{name: "torr", num: torrNum, den: torrDen}, {name: "mbar", num: 100, den: 1},
			{name: "pa", num: 1, den: 1}, {name: "micron", num: torrNum, den: torrDen * 1000}}},
		{"glass", "°C", []conversion{
			{name: "c", num: 1, den: 1}, {name: "f", num: 5, den: 9, shift: -32}, {name: "k", num: 1, den: 1, offset: -273.15}}},
		{"current", "A", []conversion{{name: "ma", num: 1, den: 1000}, {name: "a", num: 1, den: 1}}},
	}
}

// headers lists how a quantity's column may be headed.
func (q quantity) headers() string {
	spelling := map[string]string{"torr": "Torr", "pa": "Pa", "c": "C", "f": "F", "k": "K", "ma": "mA", "a": "A"}
	var all []string
	for _, u := range q.units {
		n := u.name
		if s, ok := spelling[n]; ok {
			n = s
		}
		all = append(all, strconv.Quote(q.name+" ["+n+"]"))
	}
	return strings.Join(all, ", ")
}

func (c conversion) base(x float64) float64 { return (x+c.shift)*c.num/c.den + c.offset }
