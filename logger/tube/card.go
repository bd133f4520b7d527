package tube

import (
	"math"
	"strings"
	"unicode"

	"tipoff/calib/strict"
	"tipoff/calib/unit"
)

// Glasses, Coatings and Gases are what a card may say.
func Glasses() []string  { return []string{"lead", "soda-lime", "borosilicate"} }
func Coatings() []string { return []string{"clear", "phosphor", "phosphor-wet", "coloured"} }
func Gases() []string {
	return []string{"neon", "argon", "neon-argon", "helium", "krypton", "xenon"}
}

// Ranges of a card's values; outside them a card is refused, not clipped. They
// span what tubing and electrodes for luminous tubes are made in (common
// practice), with room to spare: their purpose is to catch a slipped digit.
const (
	minOutside, maxOutside     = 4e-3, 40e-3 // m
	minWall, maxWall           = 0.4e-3, 3e-3
	minBore                    = 1e-3
	minLength, maxLength       = 0.05, 8.0
	minRating, maxRating       = 5e-3, 0.5 // A
	minShellMass, maxShellMass = 0.2e-3, 50e-3
	minShellArea, maxShellArea = 1e-4, 100e-4 // m²
	minCarbonate, maxCarbonate = 0.1e-6, 200e-6
	minTarget                  = 60.0 // °C
	minFill, maxFill           = 0.5 * unit.Torr, 60 * unit.Torr
	minCurrent, maxCurrent     = 10e-3, 2.0
	belowStrain                = 50.0 // K, see strainPoint
	nameLength, jobLength      = 40, 200
	notesLength                = 4000
)

// strainPoint is the temperature, °C, at which each glass begins to yield over
// hours. No operator's limit may come closer than belowStrain to it. Values:
// project notes physics.md §6 — soda-lime 473 and lead 395 are common practice,
// not checked against a published source; borosilicate 510 is Corning 7740's.
func strainPoint(glass string) float64 {
	switch glass {
	case "lead":
		return 395
	case "soda-lime":
		return 473
	case "borosilicate":
		return 510
	}
	return math.NaN()
}

// NotKnown is what a card says in place of a value that nobody knows: the limits
// that need it are then not known either.
const NotKnown = "not known"

// Parse reads a tube card. file is its name for messages. The error is the first
// mistake in the file, of type [*strict.Error]; the card is then zero.
//
// A card is a TOML file. Required: name, outside, wall or bore, length, glass,
// coating, gas, and rating in [electrode]; each but the name may be [NotKnown].
//
//	name = "PP-01"          # 1 to 40 characters
//	job = "Petrel Pier ferry kiosk, wave 1"
//	outside = "15 mm"       # 4 mm to 40 mm
//	wall = "1.1 mm"         # 0.4 mm to 3 mm; or bore = "12.8 mm"
//	length = "1.8 m"        # 50 mm to 8 m
//	glass = "soda-lime"     # lead, soda-lime, borosilicate
//	coating = "clear"       # clear, phosphor, phosphor-wet, coloured
//	gas = "neon"            # neon, argon, neon-argon, helium, krypton, xenon
//	mercury = false
//	notes = ""
//	[electrode]
//	rating = "60 mA"        # 5 mA to 500 mA
//	shell_mass = "6 g"
//	shell_area = "20 cm2"
//	carbonate = "15 mg"
//	[operator]              # limits of your own, each may be missing
//	glass_target = "230 C"
//	glass_ceiling = "250 C" # at least 50 °C below the glass's strain point
//	fill_pressure = "9 Torr"
//	max_current = "600 mA"
func Parse(file string, data []byte) (Card, error) { return parse(file, data, false) }

// ParseDraft is [Parse] for a card that is still being written: where a key but the
// name is missing, its value is not known.
func ParseDraft(file string, data []byte) (Card, error) { return parse(file, data, true) }

func parse(file string, data []byte, draft bool) (Card, error) {
	d, err := strict.Read(file, data)
	if err != nil {
		return Card{}, err
	}
	t := asker{d.Table, draft}
	c := Card{
		Name:    d.String("name"),
		Job:     d.OptString("job", ""),
		Outside: t.quantity("outside", unit.Length, minOutside, maxOutside),
		Length:  t.quantity("length", unit.Length, minLength, maxLength),
		Glass:   t.oneOf("glass", Glasses()),
		Coating: t.oneOf("coating", Coatings()),
		Gas:     t.oneOf("gas", Gases()),
		Mercury: d.OptBool("mercury", false),
		Notes:   d.OptString("notes", ""),
	}
	c.Bore = t.bore(c.Outside)
	texts(d.Table, &c)
	if !t.gap("electrode") {
		e := asker{d.Table.Table("electrode"), draft}
		c.Electrode = Electrode{
			Rating:    e.quantity("rating", unit.Current, minRating, maxRating),
			ShellMass: e.optional("shell_mass", unit.Mass, minShellMass, maxShellMass),
			ShellArea: e.optional("shell_area", unit.Area, minShellArea, maxShellArea),
			Coating:   e.optional("carbonate", unit.Mass, minCarbonate, maxCarbonate),
		}
	}
	if o := d.OptTable("operator"); o != nil {
		c.Operator = overrides(o, c.Glass)
	}
	if err := d.Finish(); err != nil {
		return Card{}, err
	}
	return c, nil
}

// asker asks for what a card must say, of which each may be said not to be known.
type asker struct {
	*strict.Table
	draft bool // a key that is missing is not known either
}

// gap tells that the value behind a key is not known.
func (t asker) gap(key string) bool {
	if t.Says(key, NotKnown) || t.draft && !t.Has(key) {
		t.Known(key)
		return true
	}
	return false
}

func (t asker) quantity(key string, d unit.Dimension, least, most float64) float64 {
	if t.gap(key) {
		return 0
	}
	return t.Quantity(key, d, least, most)
}

func (t asker) optional(key string, d unit.Dimension, least, most float64) float64 {
	if t.gap(key) {
		return 0
	}
	return t.OptQuantity(key, d, least, most, 0)
}

func (t asker) oneOf(key string, all []string) string {
	if t.gap(key) {
		return ""
	}
	return t.String(key, all...)
}

// bore reads bore or wall and gives the bore, or 0 after a mistake or where it is
// not known.
func (t asker) bore(outside float64) float64 {
	const either = `one of wall = "1.1 mm" and bore = "12.8 mm"`
	t.Known("wall", "bore")
	hasWall := t.Has("wall") && !t.Says("wall", NotKnown)
	hasBore := t.Has("bore") && !t.Says("bore", NotKnown)
	switch {
	case hasWall && hasBore:
		later := "wall"
		if t.LineOf("bore") > t.LineOf("wall") {
			later = "bore"
		}
		t.Wrong(later, "both wall and bore", "only "+either)
		return 0
	case hasBore:
		least, most := minBore, maxOutside-2*minWall
		if outside > 0 {
			least, most = max(minBore, tidy(outside-2*maxWall)), tidy(outside-2*minWall)
		}
		return t.Quantity("bore", unit.Length, least, most)
	case hasWall:
		most := maxWall
		if outside > 0 {
			most = min(maxWall, tidy((outside-minBore)/2))
		}
		if w := t.Quantity("wall", unit.Length, minWall, most); w > 0 && outside > 0 {
			return tidy(outside - 2*w)
		}
		return 0
	}
	if !t.gap("wall") && !t.gap("bore") {
		t.Quantity("wall", unit.Length, minWall, maxWall) // notes that it is missing
	}
	return 0
}

// tidy rounds a length to 1 pm, so that 15 mm less twice 1.1 mm is 12.8 mm as
// written, and not a digit beside it in the seventeenth place.
func tidy(m float64) float64 { return math.Round(m*1e12) / 1e12 }

func overrides(o *strict.Table, glass string) Overrides {
	most := strainPoint(glass) - belowStrain
	if math.IsNaN(most) { // the glass is not known: what the hardest stands
		most = strainPoint("borosilicate") - belowStrain
	}
	v := Overrides{
		GlassTarget:  o.OptQuantity("glass_target", unit.Temperature, minTarget, most, 0),
		GlassCeiling: o.OptQuantity("glass_ceiling", unit.Temperature, minTarget, most, 0),
		FillPressure: o.OptQuantity("fill_pressure", unit.Pressure, minFill, maxFill, 0),
		MaxCurrent:   o.OptQuantity("max_current", unit.Current, minCurrent, maxCurrent, 0),
	}
	if v.GlassCeiling > 0 && v.GlassTarget > v.GlassCeiling {
		o.WrongValue("glass_target", "at most the glass_ceiling, "+unit.Format(v.GlassCeiling, unit.Temperature))
	}
	return v
}

// texts checks name, job and notes, which end up in file names, labels and lines.
func texts(t *strict.Table, c *Card) {
	r := []rune(c.Name)
	if len(r) > 0 && (len(r) > nameLength || !unicode.IsLetter(r[0]) && !unicode.IsDigit(r[0]) ||
		r[len(r)-1] == ' ' || strings.ContainsFunc(c.Name, notInName)) {
		t.WrongValue("name", "1 to 40 letters, digits, spaces, and any of - _ . + # ( ), beginning with a letter or digit")
	}
	if len([]rune(c.Job)) > jobLength || strings.ContainsFunc(c.Job, unicode.IsControl) {
		t.WrongValue("job", "one line of at most 200 characters")
	}
	if len([]rune(c.Notes)) > notesLength {
		t.WrongValue("notes", "at most 4000 characters")
	}
}

func notInName(r rune) bool {
	return !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune(" -_.+#()", r)
}
