// Package strict reads TOML files that people write (bench.toml, tube cards,
// certificates) and forgives nothing: each key must be known, each value of the
// right kind, each quantity in a unit that fits and inside its range. The first
// mistake in the file is reported with file, line, key, what was found and what
// is allowed.
//
// A reader asks a [Table] for its keys one after the other and ends with
// [Doc.Finish]. A question that finds a mistake gives the zero value and the
// mistake is kept; Finish returns the one on the smallest line, so that a user
// mends a file from the top. Nothing may be used before Finish has returned nil.
package strict

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// Limits on what is read: far above any file that a person writes.
const (
	maxSize  = 1 << 20 // bytes
	maxDepth = 8       // tables in tables, arrays in arrays
	maxFound = 60      // characters of a wrong value that are shown
)

// Error is a mistake in a file.
type Error struct {
	File    string
	Line    int    // from 1; 0 if the file as a whole is meant
	Key     string // "channel.address", "" if the line as a whole is meant
	Found   string // `"0x49g"`, `nothing`
	Allowed string // what may stand there
}

// Error is one line: `bench.toml:12: channel.address: found "0x49g"; allowed: …`.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		b.WriteString(":" + strconv.Itoa(e.Line))
	}
	if e.Key != "" {
		b.WriteString(": " + e.Key)
	}
	b.WriteString(": found " + e.Found)
	if e.Allowed != "" {
		b.WriteString("; allowed: " + e.Allowed)
	}
	return b.String()
}

// Doc is a file that has been read.
type Doc struct {
	*Table  // the file's top level
	file    string
	first   *Error
	missing []missing
}

// missing is a required key that is not there.
type missing struct {
	table   *Table
	key     string
	allowed string
}

// Table is one table of a file.
type Table struct {
	doc  *Doc
	name string // "channel", "" for the file's top level
	line int    // of its header; 1 for the top level
	keys []*entry
	used []string // keys that have been asked for, there or not
	open bool     // made by a header or an inline table of its own, not just by the way
}

// kind is what stands behind a key.
type kind uint8

const (
	scalar kind = iota + 1
	list
	table
	tables
)

type entry struct {
	key    string
	line   int
	kind   kind
	toml   unstable.Kind // of a scalar
	raw    string        // as written
	text   string        // a string's content, else as written
	list   []*entry      // elements of an array
	tables []*Table      // one for a table, any number for an array of tables
}

// Read reads a TOML file. file is its name for messages. The error is of type
// [*Error]: a mistake of syntax, a key or table that is there twice, a file
// above 1 MB, or one that is not UTF-8.
func Read(file string, data []byte) (*Doc, error) {
	if len(data) > maxSize {
		return nil, &Error{File: file, Found: fmt.Sprintf("%d bytes", len(data)), Allowed: "at most 1 MB"}
	}
	d := &Doc{file: file}
	d.Table = &Table{doc: d, line: 1, open: true}
	// Our own copy, at full capacity: the parser finds positions by capacity.
	data = append(make([]byte, 0, len(data)), data...)
	data = data[:len(data):len(data)]
	b := builder{doc: d, data: data, at: d.Table}
	b.p.Reset(data)
	for b.p.NextExpression() {
		if err := b.expression(b.p.Expression()); err != nil {
			return nil, err
		}
	}
	if err := b.p.Error(); err != nil {
		return nil, b.syntax(err)
	}
	// The parser above knows the grammar of lines; the decoder also checks
	// dates, numbers and UTF-8, and the rules for reopening tables.
	var all map[string]any
	if err := toml.Unmarshal(data, &all); err != nil {
		e := &Error{File: file, Found: "a mistake in the TOML", Allowed: err.Error()}
		var de *toml.DecodeError
		if errors.As(err, &de) {
			e.Line, _ = de.Position()
			e.Allowed = "TOML 1.0 (" + strings.TrimPrefix(de.Error(), "toml: ") + ")"
		}
		return nil, e
	}
	return d, nil
}

// builder turns the parser's expressions into tables.
type builder struct {
	doc  *Doc
	data []byte
	p    unstable.Parser
	at   *Table // where keys go
}

func (b *builder) line(n *unstable.Node) int {
	return 1 + strings.Count(string(b.data[:n.Raw.Offset]), "\n")
}

func (b *builder) syntax(err error) error {
	e := &Error{File: b.doc.file, Found: "a mistake in the TOML", Allowed: err.Error()}
	var pe *unstable.ParserError
	if errors.As(err, &pe) {
		r := b.p.Range(pe.Highlight)
		e.Line = 1 + strings.Count(string(b.data[:r.Offset]), "\n")
		e.Found = quote(lineAround(b.data, int(r.Offset)))
		e.Allowed = "TOML 1.0 (" + pe.Message + ")"
	}
	return e
}

// lineAround is the line of the file that holds offset.
func lineAround(data []byte, offset int) string {
	before, after := string(data[:offset]), string(data[offset:])
	before = before[strings.LastIndex(before, "\n")+1:]
	after, _, _ = strings.Cut(after, "\n")
	return strings.TrimSpace(before + after)
}

func (b *builder) expression(n *unstable.Node) error {
	switch n.Kind {
	case unstable.Table:
		return b.header(n, false)
	case unstable.ArrayTable:
		return b.header(n, true)
	case unstable.KeyValue:
		return b.keyValue(b.at, n, 0)
	}
	return nil
}

// header enters [a.b] or [[a.b]].
func (b *builder) header(n *unstable.Node, array bool) error {
	t := b.doc.Table
	depth := 0
	for it := n.Key(); it.Next(); {
		k := it.Node()
		line := b.line(k)
		last := it.IsLast()
		if depth++; depth > maxDepth {
			return b.deep(line, t.path(string(k.Data)))
		}
		e := t.entry(string(k.Data))
		switch {
		case e == nil:
			e = &entry{key: string(k.Data), line: line, kind: table}
			if last && array {
				e.kind = tables
			}
			t.keys = append(t.keys, e)
			e.tables = []*Table{{doc: b.doc, name: t.path(e.key), line: line}}
		case e.kind == tables && last && array:
			e.tables = append(e.tables, &Table{doc: b.doc, name: t.path(e.key), line: line})
		case e.kind == table && last && !array && !e.tables[0].open:
			e.tables[0].line = line
		case (e.kind == table || e.kind == tables) && !last:
		default:
			return b.twice(line, t.path(e.key), e.line)
		}
		t = e.tables[len(e.tables)-1]
		if last {
			t.open = true
		}
	}
	b.at = t
	return nil
}

func (b *builder) twice(line int, key string, first int) error {
	return &Error{File: b.doc.file, Line: line, Key: key, Found: "the key a second time",
		Allowed: fmt.Sprintf("once (it is already on line %d)", first)}
}

func (b *builder) deep(line int, key string) error {
	return &Error{File: b.doc.file, Line: line, Key: key, Found: "too many levels",
		Allowed: fmt.Sprintf("at most %d", maxDepth)}
}

// keyValue enters a.b = value into t.
func (b *builder) keyValue(t *Table, n *unstable.Node, depth int) error {
	for it := n.Key(); it.Next(); {
		k := it.Node()
		key, line := string(k.Data), b.line(k)
		if depth++; depth > maxDepth {
			return b.deep(line, t.path(key))
		}
		e := t.entry(key)
		if !it.IsLast() {
			if e == nil {
				e = &entry{key: key, line: line, kind: table,
					tables: []*Table{{doc: b.doc, name: t.path(key), line: line}}}
				t.keys = append(t.keys, e)
			} else if e.kind != table {
				return b.twice(line, t.path(key), e.line)
			}
			t = e.tables[0]
			continue
		}
		if e != nil {
			return b.twice(line, t.path(key), e.line)
		}
		e = &entry{key: key, line: line}
		if err := b.value(e, t.path(key), n.Value(), depth); err != nil {
			return err
		}
		t.keys = append(t.keys, e)
	}
	return nil
}

func (b *builder) value(e *entry, path string, v *unstable.Node, depth int) error {
	if depth > maxDepth {
		return b.deep(e.line, path)
	}
	switch v.Kind {
	case unstable.InlineTable:
		e.kind = table
		t := &Table{doc: b.doc, name: path, line: e.line, open: true}
		e.tables = []*Table{t}
		for it := v.Children(); it.Next(); {
			if it.Node().Kind != unstable.KeyValue {
				continue
			}
			if err := b.keyValue(t, it.Node(), depth); err != nil {
				return err
			}
		}
	case unstable.Array:
		e.kind = list
		for it := v.Children(); it.Next(); {
			c := it.Node()
			if c.Kind == unstable.Comment {
				continue
			}
			line := e.line
			if c.Raw.Length > 0 {
				line = b.line(c)
			}
			x := &entry{key: e.key, line: line}
			if err := b.value(x, path, c, depth+1); err != nil {
				return err
			}
			e.list = append(e.list, x)
		}
	default:
		e.kind, e.toml, e.text = scalar, v.Kind, string(v.Data)
		e.raw = string(b.p.Raw(v.Raw))
		if e.raw == "" {
			e.raw = e.text
		}
	}
	return nil
}

// found shows what stands behind a key.
func (e *entry) found() string {
	switch e.kind {
	case list:
		return "an array"
	case table:
		return "a table"
	case tables:
		return "an array of tables"
	}
	if e.toml == unstable.String {
		return quote(e.text)
	}
	return clip(e.raw)
}

func quote(s string) string { return strconv.Quote(clip(s)) }

func clip(s string) string {
	if r := []rune(s); len(r) > maxFound {
		return string(r[:maxFound]) + "…"
	}
	return s
}

func (t *Table) entry(key string) *entry {
	for _, e := range t.keys {
		if e.key == key {
			return e
		}
	}
	return nil
}

// path is the key's full name for messages; a key that is no plain word is quoted.
func (t *Table) path(key string) string {
	for _, c := range key {
		if !(c == '-' || c == '_' || c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z') {
			key = quote(key)
			break
		}
	}
	if t.name == "" {
		return key
	}
	return t.name + "." + key
}
