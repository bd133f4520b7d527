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

// row writes values that belong together in one unit, with the digits that the
// standard uncertainty u leaves: two of u's own.
func row(u float64, d unit.Dimension, largest float64, xs ...float64) []string {
	f, name := scale(d, largest)
	decimals := 6
	if u *= 2 * f; u > 0 {
		decimals = min(max(0, 1-int(math.Floor(math.Log10(u)))), 6)
	}
	out := make([]string, len(xs))
	for i, x := range xs {
		out[i] = "—"
		if x-x == 0 {
			scale := math.Pow(10, float64(decimals))
			x = math.Round(f*x*scale)/scale + 0 // not -0
			out[i] = strconv.FormatFloat(x, 'f', decimals, 64) + " " + name
		}
	}
	return out
}

// brief writes an amount with three digits.
func brief(x float64, d unit.Dimension) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "—"
	}
	f, name := scale(d, x)
	decimals := 2
	if x *= f; d != unit.TempDifference && x != 0 {
		decimals = min(max(0, 2-int(math.Floor(math.Log10(math.Abs(x))))), 4)
	}
	return strconv.FormatFloat(x, 'f', decimals, 64) + " " + name
}

// Row is one point of a table.
type Row struct{ Reference, Indicated, U, Residual, Note string }

// Rows are the points of a certificate in the trade's units, or the trials of a
// time constant, each with its difference from what they say together.
func Rows(c *certificate.Certificate) []Row {
	if c.IsLag() {
		out := make([]Row, len(c.Trials))
		for i, t := range c.Trials {
			out[i] = Row{Indicated: seconds(t.Tau), U: seconds(2 * t.U), Residual: seconds(t.Tau - c.Lag.Tau), Note: t.Note}
		}
		return out
	}
	role, _ := frame.RoleNamed(c.Role)
	value, diff := dimensions(role)
	left := c.Fit.Residuals(c.Points)
	out := make([]Row, len(c.Points))
	for i, p := range c.Points {
		out[i] = pointRow(p, left[i], value, diff)
	}
	return out
}

// pointRow is one point; residual NaN: not known yet.
func pointRow(p certificate.Point, residual float64, value, diff unit.Dimension) Row {
	largest := math.Max(math.Abs(p.Reference), math.Abs(p.Indicated))
	v := row(p.U, value, largest, p.Reference, p.Indicated)
	d := row(p.U, diff, largest, 2*p.U, residual)
	return Row{v[0], v[1], d[0], d[1], p.Note}
}

func seconds(x float64) string { return strconv.FormatFloat(x, 'f', 2, 64) + " s" }

// Summary says in lines what a certificate found.
func Summary(c *certificate.Certificate) []string {
	role, _ := frame.RoleNamed(c.Role)
	_, diff := dimensions(role)
	amount := func(x float64) string { return brief(x, diff) }
	var out []string
	switch {
	case c.IsLag():
		amount = seconds
		out = append(out, fmt.Sprintf("time constant: %s ± %s (k=2)", seconds(c.Lag.Tau), seconds(2*c.Lag.U)))
		if len(c.Trials) == 1 {
			out = append(out, "one trial does not tell how much a tie differs from the next; two more would")
		}
	case c.Fit.Residual > 0 && c.Fit.Kind.Log():
		out = append(out, "fit: "+Formula(c), fmt.Sprintf("residual: %.2g %% (standard deviation)", 100*(math.Pow(10, c.Fit.Residual)-1)))
	case c.Fit.Residual > 0:
		out = append(out, "fit: "+Formula(c), "residual: "+brief(c.Fit.Residual, diff)+" (standard deviation)")
	default:
		out = append(out, "fit: "+Formula(c), "residual: the points leave no freedom to tell; one more point would")
	}
	within := ""
	if c.ChangeU > 0 {
		within = " (" + amount(2*c.ChangeU) + ", k=2)"
	}
	switch {
	case math.IsNaN(c.Change):
		out = append(out, "change since last time: this is the first certificate of its kind for the channel")
	case c.Drifting:
		out = append(out, "change since last time: "+amount(c.Change)+", more than both uncertainties explain"+within+": it drifts")
	default:
		out = append(out, "change since last time: "+amount(c.Change)+", within the uncertainties"+within)
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
		return fmt.Sprintf("%s added to the reading", brief(f.C[0], diff))
	case certificate.ZeroSpan:
		return fmt.Sprintf("zero %s, span %.5g", brief(f.Zero(), diff), f.Span())
	case certificate.Linear:
		return fmt.Sprintf("offset %s, gain %.5f", brief(f.C[0], diff), f.C[1])
	}
	return f.String() // without dimension, or nearly so
}

// Table is points, fit and change as text, with a sketch of the residuals.
func Table(c *certificate.Certificate) string {
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', tabwriter.AlignRight)
	sketch := sketches(c)
	if c.IsLag() {
		fmt.Fprintln(w, "time constant\t± (k=2)\tresidual\t  -2u .. +2u\t  by")
		for i, r := range Rows(c) {
			fmt.Fprintf(w, "%s\t%s\t%s\t  %s\t  %s\n", r.Indicated, r.U, r.Residual, sketch[i], r.Note)
		}
	} else {
		fmt.Fprintln(w, "reference\tindicated\t± (k=2)\tresidual\t  -2u .. +2u\t  reference by")
		for i, r := range Rows(c) {
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t  %s\t  %s\n", r.Reference, r.Indicated, r.U, r.Residual, sketch[i], r.Note)
		}
	}
	w.Flush()
	for _, l := range Summary(c) {
		b.WriteString(l + "\n")
	}
	return b.String()
}

// sketches draw where each residual lies between plus and minus two standard
// uncertainties of its point.
func sketches(c *certificate.Certificate) []string {
	var left, u []float64
	if c.IsLag() {
		for _, t := range c.Trials {
			left, u = append(left, t.Tau-c.Lag.Tau), append(u, t.U)
		}
	} else {
		left = c.Fit.Residuals(c.Points)
		for _, p := range c.Points {
			u = append(u, p.U)
		}
	}
	const half = 6
	out := make([]string, len(left))
	for i := range left {
		line := []byte("[" + strings.Repeat("-", half) + "|" + strings.Repeat("-", half) + "]")
		at := 1 + half + int(math.Round(half*left[i]/(2*u[i])))
		line[min(max(at, 0), len(line)-1)] = 'o'
		out[i] = string(line)
	}
	return out
}
