package calibrate

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"tipoff/calib/certificate"
	"tipoff/calib/unit"
	"tipoff/logger/frame"
)

// scale is the unit in which a session shows its numbers: the trade's.
func scale(d unit.Dimension, x float64) (factor float64, name string) {
	switch d {
	case unit.Pressure:
		if math.Abs(x) < unit.Torr/10 {
			return 1 / unit.Micron, "micron"
		}
		return 1 / unit.Torr, "Torr"
	case unit.Current:
		return 1000, "mA"
	case unit.TempDifference:
		return 1, "K"
	}
	return 1, "°C"
}

// show writes a value with the digits that a calibration needs.
func show(x float64, d unit.Dimension) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "—"
	}
	f, name := scale(d, x)
	x *= f
	switch {
	case d == unit.Temperature || d == unit.TempDifference:
		return strconv.FormatFloat(x, 'f', 2, 64) + " " + name
	case math.Abs(x) >= 100:
		return strconv.FormatFloat(x, 'f', 1, 64) + " " + name
	}
	return strconv.FormatFloat(x, 'f', 3, 64) + " " + name
}

// Row is one point of a table.
type Row struct{ Reference, Indicated, U, Residual, Note string }

// Rows are the points of a certificate in the trade's units.
func Rows(c *certificate.Certificate) []Row {
	role, _ := frame.RoleNamed(c.Role)
	value, diff := dimensions(role)
	left := c.Fit.Residuals(c.Points)
	out := make([]Row, len(c.Points))
	for i, p := range c.Points {
		out[i] = Row{show(p.Reference, value), show(p.Indicated, value), show(2*p.U, diff), show(left[i], diff), p.Note}
	}
	return out
}

// Summary says in lines what a certificate found.
func Summary(c *certificate.Certificate) []string {
	role, _ := frame.RoleNamed(c.Role)
	_, diff := dimensions(role)
	out := []string{fmt.Sprintf("fit: %s", Formula(c))}
	if c.Fit.Residual > 0 {
		if c.Fit.Kind.Log() {
			out = append(out, fmt.Sprintf("residual: %.2g %% (standard deviation)", 100*(math.Pow(10, c.Fit.Residual)-1)))
		} else {
			out = append(out, "residual: "+show(c.Fit.Residual, diff)+" (standard deviation)")
		}
	} else {
		out = append(out, "residual: the points leave no freedom to tell; one more point would")
	}
	switch {
	case math.IsNaN(c.Change):
		out = append(out, "change since last time: this is the first certificate of the channel")
	case c.Drifting:
		out = append(out, "change since last time: "+show(c.Change, diff)+", more than both uncertainties explain: it drifts")
	default:
		out = append(out, "change since last time: "+show(c.Change, diff)+", within the uncertainties")
	}
	return append(out, "due again: "+c.Due.Format("2006-01-02"))
}

// Formula is the correction in the trade's units.
func Formula(c *certificate.Certificate) string {
	role, _ := frame.RoleNamed(c.Role)
	_, diff := dimensions(role)
	f := &c.Fit
	switch f.Kind {
	case certificate.Offset:
		return fmt.Sprintf("%s added to the reading", show(f.C[0], diff))
	case certificate.ZeroSpan:
		return fmt.Sprintf("zero %s, span %.5g", show(f.Zero(), diff), f.Span())
	case certificate.Linear:
		return fmt.Sprintf("offset %s, gain %.5f", show(f.C[0], diff), f.C[1])
	}
	return f.String() // without dimension, or nearly so
}

// Table is points, fit and change as text.
func Table(c *certificate.Certificate) string {
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "reference\tindicated\t± (k=2)\tresidual\t  reference by")
	for _, r := range Rows(c) {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t  %s\n", r.Reference, r.Indicated, r.U, r.Residual, r.Note)
	}
	w.Flush()
	for _, l := range Summary(c) {
		b.WriteString(l + "\n")
	}
	return b.String()
}
