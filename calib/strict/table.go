package strict

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"

	"tipoff/calib/unit"
)

// Finish is the last question. It counts keys that nobody has asked for, in any
// table that somebody has asked for, as mistakes, and reports the mistake on the
// smallest line, or nil. The error's type is [*Error].
func (d *Doc) Finish() error {
	d.unknown(d.Table)
	for _, m := range d.missing {
		// Whoever wrote "lenght" wants to hear about that line, not that
		// "length" is missing somewhere.
		if n := Nearest(m.key, m.table.unasked()); n != "" {
			e := m.table.strange(n)
			e.Allowed = fmt.Sprintf("did you mean %s? %s", m.key, e.Allowed)
			d.note(e)
			continue
		}
		d.note(&Error{File: d.file, Line: m.table.line, Key: m.table.path(m.key), Found: "no such key", Allowed: m.allowed})
	}
	if d.first == nil {
		return nil
	}
	return d.first
}

func (d *Doc) unknown(t *Table) {
	if e := t.unknown(); e != nil {
		d.note(e)
	}
	for _, e := range t.keys {
		if slices.Contains(t.used, e.key) {
			for _, s := range e.tables {
				d.unknown(s)
			}
		}
	}
}

// note keeps the mistake with the smallest line, and of a line the first.
func (d *Doc) note(e *Error) {
	if d.first == nil || e.Line < d.first.Line {
		d.first = e
	}
}

// Line is the line of the table's header, 1 for the file's top level.
func (t *Table) Line() int { return t.line }

// LineOf is the line of a key, or of the table's header if the key is missing.
func (t *Table) LineOf(key string) int {
	if e := t.entry(key); e != nil {
		return e.line
	}
	return t.line
}

// Has tells whether the key is there. It does not count as asking for it.
func (t *Table) Has(key string) bool { return t.entry(key) != nil }

// Says tells whether a key holds that very text. It does not count as a question.
func (t *Table) Says(key, text string) bool {
	e := t.entry(key)
	return e != nil && e.kind == scalar && e.toml == unstable.String && e.text == text
}

// Keys lists the table's keys in the order of the file.
func (t *Table) Keys() []string {
	keys := make([]string, len(t.keys))
	for i, e := range t.keys {
		keys[i] = e.key
	}
	return keys
}

// Known tells the table of keys that may be there, apart from those asked for.
func (t *Table) Known(keys ...string) { t.used = append(t.used, keys...) }

// unasked lists the keys that nobody has asked for.
func (t *Table) unasked() []string {
	var keys []string
	for _, e := range t.keys {
		if !slices.Contains(t.used, e.key) {
			keys = append(keys, e.key)
		}
	}
	return keys
}

func (t *Table) unknown() *Error {
	keys := t.unasked()
	if len(keys) == 0 {
		return nil
	}
	e := t.strange(keys[0])
	if n := Nearest(keys[0], t.used); n != "" {
		e.Allowed = fmt.Sprintf("did you mean %s? %s", n, e.Allowed)
	}
	return e
}

// strange is the mistake of a key that nobody has asked for.
func (t *Table) strange(key string) *Error {
	known := slices.Clone(t.used)
	slices.Sort(known)
	known = slices.Compact(known)
	allowed := "one of " + strings.Join(known, ", ")
	if len(known) == 0 {
		allowed = "no key here"
	}
	return &Error{File: t.doc.file, Line: t.LineOf(key), Key: t.path(key), Found: "an unknown key", Allowed: allowed}
}

// Wrong notes a mistake that the reader of the file has found behind a key.
// found is shown as it is.
func (t *Table) Wrong(key, found, allowed string) {
	path := t.path(key)
	if key == "" {
		path = t.name
	}
	t.doc.note(&Error{File: t.doc.file, Line: t.LineOf(key), Key: path, Found: found, Allowed: allowed})
}

// WrongValue is [Table.Wrong] with the value as it stands in the file.
func (t *Table) WrongValue(key, allowed string) {
	found := "no such key"
	if e := t.entry(key); e != nil {
		found = e.found()
	}
	t.Wrong(key, found, allowed)
}

// ask marks the key as known and gives what stands behind it, or nil. A required
// key that is missing counts as a mistake on the table's line.
func (t *Table) ask(key, allowed string, required bool) *entry {
	t.used = append(t.used, key)
	e := t.entry(key)
	if e == nil && required {
		t.doc.missing = append(t.doc.missing, missing{t, key, allowed})
	}
	return e
}

func (t *Table) wrong(key string, e *entry, allowed string) {
	t.doc.note(&Error{File: t.doc.file, Line: e.line, Key: t.path(key), Found: e.found(), Allowed: allowed})
}

// String is a required text. With allowed it must be one of them, else any text
// that is not empty.
func (t *Table) String(key string, allowed ...string) string {
	s, _ := t.text(key, true, allowed)
	return s
}

// OptString is a text that may be missing, then it is def. With allowed it must
// be one of them.
func (t *Table) OptString(key, def string, allowed ...string) string {
	if s, ok := t.text(key, false, allowed); ok {
		return s
	}
	return def
}

func (t *Table) text(key string, required bool, allowed []string) (string, bool) {
	words := "a text in quotes"
	if len(allowed) > 0 {
		words = OneOf(allowed)
	}
	e := t.ask(key, words, required)
	switch {
	case e == nil:
		return "", false
	case e.kind != scalar || e.toml != unstable.String:
		t.wrong(key, e, words)
	case len(allowed) > 0 && !slices.Contains(allowed, e.text):
		if n := Nearest(e.text, allowed); n != "" {
			words = fmt.Sprintf("did you mean %q? %s", n, words)
		}
		t.wrong(key, e, words)
	case required && strings.TrimSpace(e.text) == "":
		t.wrong(key, e, "a text that is not empty")
	default:
		return e.text, true
	}
	return "", false
}

// Quantity is a required quantity such as "15 mm", from min to max inclusive,
// all in the base unit of d (package unit). Infinite bounds are no bounds.
func (t *Table) Quantity(key string, d unit.Dimension, min, max float64) float64 {
	v, _ := t.quantity(key, d, min, max, true)
	return v
}

// OptQuantity is a quantity that may be missing, then it is def.
func (t *Table) OptQuantity(key string, d unit.Dimension, min, max, def float64) float64 {
	if v, ok := t.quantity(key, d, min, max, false); ok {
		return v
	}
	return def
}

func (t *Table) quantity(key string, d unit.Dimension, min, max float64, required bool) (float64, bool) {
	span := between(min, max, func(x float64) string { return strconv.Quote(unit.Format(x, d)) })
	if span == "" {
		span = "a " + d.String() + " in " + d.Units()
	}
	e := t.ask(key, span, required)
	if e == nil {
		return 0, false
	}
	v, ok := t.parse(key, e, d)
	if !ok {
		return 0, false
	}
	if v < min || v > max {
		t.wrong(key, e, span)
		return 0, false
	}
	return v, true
}

func (t *Table) parse(key string, e *entry, d unit.Dimension) (float64, bool) {
	if e.kind != scalar || e.toml != unstable.String && d != unit.Ratio {
		t.wrong(key, e, "a "+d.String()+" in quotes, in "+d.Units())
		return 0, false
	}
	v, err := unit.Parse(e.text, d)
	if err != nil {
		allowed := err.Error()
		var ue *unit.Error
		if errors.As(err, &ue) {
			allowed = ue.Allowed + " (" + ue.Why + ")"
		}
		t.wrong(key, e, allowed)
		return 0, false
	}
	return v, true
}

// Quantities is a required array of quantities, ["1 Torr", "2 Torr"], of least to
// most elements; nil after a mistake.
func (t *Table) Quantities(key string, d unit.Dimension, least, most int) []float64 {
	words := fmt.Sprintf("%d to %d quantities in [ ], each in %s", least, most, d.Units())
	e := t.ask(key, words, true)
	if e == nil {
		return nil
	}
	if e.kind != list {
		t.wrong(key, e, words)
		return nil
	}
	var out []float64
	good := true
	for _, x := range e.list {
		v, ok := t.parse(key, x, d)
		good = good && ok
		out = append(out, v)
	}
	if !good {
		return nil
	}
	if len(out) < least || len(out) > most {
		t.Wrong(key, fmt.Sprintf("an array of %d", len(out)), words)
		return nil
	}
	return out
}

// Strings is an array of texts; nil if missing.
func (t *Table) Strings(key string) []string {
	e := t.ask(key, "", false)
	if e == nil {
		return nil
	}
	if e.kind != list {
		t.wrong(key, e, "an array of texts")
		return nil
	}
	var out []string
	for _, x := range e.list {
		if x.kind != scalar || x.toml != unstable.String {
			t.wrong(key, x, "a text in quotes")
			continue
		}
		out = append(out, x.text)
	}
	return out
}

// Float is a required plain number from min to max.
func (t *Table) Float(key string, min, max float64) float64 {
	v, _ := t.float(key, min, max, true)
	return v
}

// OptFloat is a plain number that may be missing, then it is def.
func (t *Table) OptFloat(key string, min, max, def float64) float64 {
	if v, ok := t.float(key, min, max, false); ok {
		return v
	}
	return def
}

func (t *Table) float(key string, min, max float64, required bool) (float64, bool) {
	words := numberWords("a number", between(min, max, func(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }))
	e := t.ask(key, words, required)
	if e == nil {
		return 0, false
	}
	if e.kind == scalar && (e.toml == unstable.Float || e.toml == unstable.Integer) {
		v, err := strconv.ParseFloat(strings.ReplaceAll(e.text, "_", ""), 64)
		if err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) && v >= min && v <= max {
			return v, true
		}
	}
	t.wrong(key, e, words)
	return 0, false
}

// Int is a required whole number from min to max.
func (t *Table) Int(key string, min, max int) int {
	v, _ := t.int(key, min, max, true)
	return v
}

// OptInt is a whole number that may be missing, then it is def.
func (t *Table) OptInt(key string, min, max, def int) int {
	if v, ok := t.int(key, min, max, false); ok {
		return v
	}
	return def
}

func (t *Table) int(key string, min, max int, required bool) (int, bool) {
	words := fmt.Sprintf("a whole number from %d to %d", min, max)
	e := t.ask(key, words, required)
	if e == nil {
		return 0, false
	}
	if e.kind == scalar && e.toml == unstable.Integer {
		v, err := strconv.ParseInt(e.text, 0, 64)
		if err == nil && v >= int64(min) && v <= int64(max) {
			return int(v), true
		}
	}
	t.wrong(key, e, words)
	return 0, false
}

// Bool is a required true or false.
func (t *Table) Bool(key string) bool {
	v, _ := t.bool(key, true)
	return v
}

// OptBool is a true or false that may be missing, then it is def.
func (t *Table) OptBool(key string, def bool) bool {
	if v, ok := t.bool(key, false); ok {
		return v
	}
	return def
}

func (t *Table) bool(key string, required bool) (value, ok bool) {
	const words = "true or false, without quotes"
	e := t.ask(key, words, required)
	if e == nil {
		return false, false
	}
	if e.kind != scalar || e.toml != unstable.Bool {
		t.wrong(key, e, words)
		return false, false
	}
	return e.text == "true", true
}

// Scalar is a text, number or truth as the file has it, without quotes; for keys
// whose meaning a driver knows. ok is false if the key is missing or holds more.
func (t *Table) Scalar(key string) (text string, ok bool) {
	e := t.ask(key, "", false)
	if e == nil {
		return "", false
	}
	if e.kind != scalar {
		t.wrong(key, e, "a text or a number")
		return "", false
	}
	return e.text, true
}

// Table is a required table. If it is missing, that is noted and an empty one
// is given, so that questions can go on.
func (t *Table) Table(key string) *Table {
	if s := t.table(key, true); s != nil {
		return s
	}
	return &Table{doc: &Doc{}, name: t.path(key), line: t.line} // what it lacks is not news
}

// OptTable is a table that may be missing, then it is nil.
func (t *Table) OptTable(key string) *Table { return t.table(key, false) }

func (t *Table) table(key string, required bool) *Table {
	words := "a table [" + t.path(key) + "]"
	e := t.ask(key, words, required)
	if e == nil {
		return nil
	}
	if e.kind != table {
		t.wrong(key, e, words)
		return nil
	}
	return e.tables[0]
}

// OneOrMore is a table [key] or an array of tables [[key]], as if the one were an
// array of one; nil if there is none.
func (t *Table) OneOrMore(key string) []*Table {
	if e := t.entry(key); e != nil && e.kind == table {
		return []*Table{t.OptTable(key)}
	}
	return t.Tables(key)
}

// Tables is an array of tables, [[key]], in the order of the file; nil if there
// is none.
func (t *Table) Tables(key string) []*Table {
	e := t.ask(key, "", false)
	if e == nil {
		return nil
	}
	if e.kind == tables {
		return e.tables
	}
	if e.kind == list { // key = [{…}, {…}]
		var out []*Table
		for _, x := range e.list {
			if x.kind != table {
				break
			}
			out = append(out, x.tables...)
		}
		if len(out) == len(e.list) {
			return out
		}
	}
	t.wrong(key, e, "tables that start with [["+t.path(key)+"]]")
	return nil
}
