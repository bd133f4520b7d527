package tube

import (
	"cmp"
	"fmt"
	"strings"

	"tipoff/calib/unit"
)

// Write is the card as a TOML file that [Parse] reads back as the same card. A
// card that was given with its wall is written with its bore.
func Write(c Card) []byte {
	w := &writer{}
	w.text("name", c.Name)
	w.text("job", c.Job)
	w.needed("outside", c.Outside, unit.Length)
	w.needed("bore", c.Bore, unit.Length)
	w.needed("length", c.Length, unit.Length)
	w.text("glass", cmp.Or(c.Glass, NotKnown))
	w.text("coating", cmp.Or(c.Coating, NotKnown))
	w.text("gas", cmp.Or(c.Gas, NotKnown))
	fmt.Fprintf(w, "mercury = %t\n", c.Mercury)
	w.text("notes", c.Notes)
	w.WriteString("\n[electrode]\n")
	w.needed("rating", c.Electrode.Rating, unit.Current)
	w.quantity("shell_mass", c.Electrode.ShellMass, unit.Mass)
	w.quantity("shell_area", c.Electrode.ShellArea, unit.Area)
	w.quantity("carbonate", c.Electrode.Coating, unit.Mass)
	if o := c.Operator; o != (Overrides{}) {
		w.WriteString("\n[operator]\n")
		w.quantity("glass_target", o.GlassTarget, unit.Temperature)
		w.quantity("glass_ceiling", o.GlassCeiling, unit.Temperature)
		w.quantity("fill_pressure", o.FillPressure, unit.Pressure)
		w.quantity("max_current", o.MaxCurrent, unit.Current)
	}
	return []byte(w.String())
}

type writer struct{ strings.Builder }

// quantity writes a quantity, nothing if it is 0: not known.
func (w *writer) quantity(key string, v float64, d unit.Dimension) {
	if v != 0 {
		fmt.Fprintf(w, "%s = \"%s\"\n", key, unit.Exact(v, d))
	}
}

// needed writes a quantity that a card must have.
func (w *writer) needed(key string, v float64, d unit.Dimension) {
	if v == 0 {
		w.text(key, NotKnown)
		return
	}
	w.quantity(key, v, d)
}

// text writes a text, nothing if it is "".
func (w *writer) text(key, s string) {
	if s == "" {
		return
	}
	w.WriteString(key + " = \"")
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			w.WriteByte('\\')
			w.WriteRune(r)
		case r == '\n':
			w.WriteString(`\n`)
		case r == '\t':
			w.WriteString(`\t`)
		case r < 0x20 || r == 0x7f:
			fmt.Fprintf(w, `\u%04X`, r)
		default:
			w.WriteRune(r)
		}
	}
	w.WriteString("\"\n")
}
