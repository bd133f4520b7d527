package envelope

import (
	"cmp"
	"embed"
	"math"
	"slices"

	"tipoff/calib/unit"
	"tipoff/logger/tube"
)

// The tables hold every number that a limit rests on, in the trade's units,
// each row with its source and how far that is to be trusted: mark a was read
// in the source named, b is from memory, c was computed from the rule given. A
// bench may replace rows and add some, see [ReadTables].
//
//go:embed tables/*.csv
var tableFiles embed.FS

type tables struct {
	glass     map[string]glassRow
	coating   map[string]coatingRow
	binder    map[string]binderRow
	fill      map[string][]fillRow // by gas, diameter rising
	electrode []electrodeRow       // running current rising
	discharge map[string]paschenRow
	practice  map[string]practiceRow
	constant  map[string]constantRow
}

type origin struct{ mark, source string }

type glassRow struct {
	origin
	strain, strainU, density, heat, conductivity, young, expansion, poisson float64
}

type coatingRow struct {
	origin
	targetLow, targetU, targetHigh, cap, capU, rateFactor float64
	reason                                                string
}

type binderRow struct {
	origin
	cap, capU float64
	reason    string
}

type fillRow struct {
	origin
	outside, low, high, u float64 // mm, Torr
}

type electrodeRow struct {
	origin
	running, glassLow, glassHigh, shellLow, shellHigh, u float64 // mA
}

type paschenRow struct {
	origin
	a, b, gamma float64 // 1/(cm Torr), V/(cm Torr), 1
}

type practiceRow struct {
	origin
	low, high    float64 // in unit; NaN none
	lowU, highU  float64 // standard; 0 exact
	unit, reason string
}

type constantRow struct {
	origin
	value, u float64 // in the unit that constant.csv names
}

// benchMark is the mark of a row that a bench's own table replaced or added.
const benchMark = "bench"

// schema is one table: its file and override's name, the columns, of which the
// first keys name the row, and how a row gets into the tables.
type schema struct {
	name    string
	keys    int
	columns []column
	add     func(*tables, *row)
}

// column is one column of a table. A text has no numbers; a number is written
// plain in the file, and in a bench's table as a quantity if it has a dimension.
type column struct {
	name     string
	text     bool
	optional bool
	doubt    bool           // a standard uncertainty: empty, or 0, is exact
	allowed  []string       // of a text; nil any
	dim      unit.Dimension // 0: a plain number, in the file's unit
	scale    float64        // of the file's unit in SI
	min, max float64        // in the file's unit
}

func text(name string, allowed ...string) column {
	return column{name: name, text: true, allowed: allowed}
}

func number(name string, d unit.Dimension, scale, min, max float64) column {
	return column{name: name, dim: d, scale: scale, min: min, max: max}
}

func doubt(name string, d unit.Dimension, scale, max float64) column {
	return column{name: name, dim: d, scale: scale, max: max, optional: true, doubt: true}
}

// with sets the columns and appends those that all tables have alike.
func (s schema) with(columns ...column) schema {
	s.columns = append(columns, text("mark", "a", "b", "c"), text("source"))
	return s
}

func (s schema) reasoned() schema {
	s.columns = append(s.columns, text("reason"))
	return s
}

// schemas are the tables in the order in which they are read.
func schemas() []schema {
	const t, d, ma, mm = unit.Temperature, unit.TempDifference, unit.Current, unit.Length
	inf := math.Inf(1)
	return []schema{
		schema{name: "glass", keys: 1, add: addGlass}.with(text("glass", tube.Glasses()...),
			number("strain", t, 1, 300, 1200), doubt("strain_u", d, 1, 50), number("density", 0, 1, 1000, 8000),
			number("heat", 0, 1, 300, 2000), number("conductivity", 0, 1, 0.1, 10), number("young", 0, 1, 10, 200),
			number("expansion", 0, 1, 0.1, 30), number("poisson", 0, 1, 0.05, 0.45)),
		schema{name: "coating", keys: 1, add: addCoating}.with(text("coating", append(tube.Coatings(), "unknown")...),
			number("target_low", t, 1, 60, 500), doubt("target_u", d, 1, 50), number("target_high", t, 1, 60, 500),
			number("cap", t, 1, 60, 500), doubt("cap_u", d, 1, 50), number("rate_factor", 0, 1, 0.05, 2)).reasoned(),
		schema{name: "binder", keys: 1, add: addBinder}.with(text("coating", tube.Coatings()...),
			number("cap", t, 1, 60, 500), doubt("cap_u", d, 1, 50)).reasoned(),
		schema{name: "fill", keys: 2, add: addFill}.with(text("gas", tube.Gases()...), number("outside", mm, 1e-3, 4, 40),
			number("low", unit.Pressure, torr, 0.5, 60), number("high", unit.Pressure, torr, 0.5, 60), doubt("u", unit.Pressure, torr, 5)),
		schema{name: "electrode", keys: 1, add: addElectrode}.with(number("running", ma, milli, 5, 500),
			number("glass_low", ma, milli, 10, 3000), number("glass_high", ma, milli, 10, 3000),
			number("shell_low", ma, milli, 10, 3000), number("shell_high", ma, milli, 10, 3000), doubt("u", ma, milli, 500)),
		schema{name: "paschen", keys: 1, add: addPaschen}.with(text("gas", append(tube.Gases(), "air", "nitrogen", "hydrogen")...),
			number("a", 0, 1, 1, 50), number("b", 0, 1, 10, 1000), number("gamma", 0, 1, 1e-6, 1)),
		// The unit of a row of practice sets the dimension of its numbers.
		schema{name: "practice", keys: 1, add: addPractice}.with(text("key"), optional(number("low", 0, 1, 0, inf)),
			optional(number("high", 0, 1, 0, inf)), doubt("low_u", 0, 1, inf), doubt("high_u", 0, 1, inf), text("unit")).reasoned(),
		schema{name: "constant", keys: 1, add: addConstant}.with(text("key"), number("value", 0, 1, 0, inf),
			doubt("u", 0, 1, inf), text("unit")),
	}
}

func optional(c column) column {
	c.optional = true
	return c
}

// loadTables reads the embedded tables. They are part of the program, so that
// a mistake in them is a panic; a test reads them all.
func loadTables() *tables {
	t, err := readTables(builtIn)
	if err != nil {
		panic("envelope: " + err.Error())
	}
	return t
}

func builtIn(name string) ([]byte, error) { return tableFiles.ReadFile("tables/" + name) }

func newTables() *tables {
	return &tables{
		glass: map[string]glassRow{}, coating: map[string]coatingRow{}, binder: map[string]binderRow{},
		fill: map[string][]fillRow{}, discharge: map[string]paschenRow{},
		practice: map[string]practiceRow{}, constant: map[string]constantRow{},
	}
}

// value is a constant by its key, in the unit of constant.csv.
func (t *tables) value(key string) float64 { return t.constant[key].value }

func addGlass(t *tables, r *row) {
	t.glass[r.text("glass")] = glassRow{r.origin(), r.number("strain"), r.number("strain_u"), r.number("density"),
		r.number("heat"), r.number("conductivity"), r.number("young"), r.number("expansion"), r.number("poisson")}
}

func addCoating(t *tables, r *row) {
	c := coatingRow{r.origin(), r.number("target_low"), r.number("target_u"), r.number("target_high"), r.number("cap"),
		r.number("cap_u"), r.number("rate_factor"), r.text("reason")}
	switch {
	case !(c.targetLow < c.targetHigh):
		r.fail("target_high", "above target_low")
	case c.targetHigh > c.cap:
		r.fail("cap", "not below target_high")
	}
	t.coating[r.text("coating")] = c
}

func addBinder(t *tables, r *row) {
	t.binder[r.text("coating")] = binderRow{r.origin(), r.number("cap"), r.number("cap_u"), r.text("reason")}
}

func addFill(t *tables, r *row) {
	f := fillRow{r.origin(), r.number("outside"), r.number("low"), r.number("high"), r.number("u")}
	if f.low > f.high {
		r.fail("high", "not below low")
	}
	gas := r.text("gas")
	t.fill[gas] = append(t.fill[gas], f)
	slices.SortFunc(t.fill[gas], func(a, b fillRow) int { return cmp.Compare(a.outside, b.outside) })
}

func addElectrode(t *tables, r *row) {
	e := electrodeRow{r.origin(), r.number("running"), r.number("glass_low"), r.number("glass_high"),
		r.number("shell_low"), r.number("shell_high"), r.number("u")}
	if e.glassLow > e.glassHigh {
		r.fail("glass_high", "not below glass_low")
	}
	if e.shellLow > e.shellHigh {
		r.fail("shell_high", "not below shell_low")
	}
	t.electrode = append(t.electrode, e)
	slices.SortFunc(t.electrode, func(a, b electrodeRow) int { return cmp.Compare(a.running, b.running) })
}

func addPaschen(t *tables, r *row) {
	t.discharge[r.text("gas")] = paschenRow{r.origin(), r.number("a"), r.number("b"), r.number("gamma")}
}

func addPractice(t *tables, r *row) {
	p := practiceRow{r.origin(), r.number("low"), r.number("high"), orZero(r.number("low_u")), orZero(r.number("high_u")),
		r.text("unit"), r.text("reason")}
	if p.low != p.low && p.high != p.high {
		r.fail("low", "low, high or both")
	}
	if p.low > p.high {
		r.fail("high", "not below low")
	}
	t.practice[r.text("key")] = p
}

func addConstant(t *tables, r *row) {
	t.constant[r.text("key")] = constantRow{r.origin(), r.number("value"), orZero(r.number("u"))}
}
