package certificate

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"tipoff/calib/strict"
	"tipoff/calib/unit"
)

// maxSize is the largest file that is taken for a certificate.
const maxSize = 1 << 18

// version of the file's layout.
const version = 1

// encoder writes the keys of a certificate.
type encoder struct{ b strings.Builder }

func (e *encoder) text(key, s string) { fmt.Fprintf(&e.b, "%s = %s\n", key, quote(s)) }

func (e *encoder) opt(key, s string) {
	if s != "" {
		e.text(key, s)
	}
}

func (e *encoder) number(key string, x float64) {
	fmt.Fprintf(&e.b, "%s = %s\n", key, strconv.FormatFloat(x, 'g', -1, 64))
}

func (e *encoder) amount(key string, x float64, d unit.Dimension) { e.text(key, unit.Exact(x, d)) }

// Encode writes the certificate as TOML. Numbers keep all their digits.
func (c *Certificate) Encode() []byte {
	value, diff, _ := dimensions(c.Role)
	var e encoder
	e.b.WriteString("# Calibration certificate, written by tipoff. It is not changed afterwards:\n" +
		"# a new calibration makes a new file, and the newest of a channel is in force.\n")
	fmt.Fprintf(&e.b, "version = %d\n", version)
	e.text("channel", c.Channel)
	e.text("role", c.Role)
	e.text("procedure", c.Procedure)
	e.text("date", c.Date.Format(time.RFC3339))
	e.text("due", c.Due.Format(time.RFC3339))
	e.text("who", c.Who)
	if c.Barometer > 0 {
		e.amount("barometer", c.Barometer, unit.Pressure)
	}
	if finite(c.Room) {
		e.amount("room", c.Room, unit.Temperature)
	}
	if diff == unit.TempDifference {
		e.amount("drift_per_year", c.Drift, unit.TempDifference)
	} else {
		e.number("drift_per_year", c.Drift)
	}
	if finite(c.Change) {
		d := changeUnit(c.Fit.Kind, diff)
		e.amount("change", c.Change, d)
		if c.ChangeU > 0 && finite(c.ChangeU) {
			e.amount("change_u", c.ChangeU, d)
		}
		fmt.Fprintf(&e.b, "drifting = %v\n", c.Drifting)
	}
	e.opt("note", c.Note)

	e.b.WriteString("\n[reference_instrument]\n")
	e.opt("name", c.Instrument.Name)
	e.opt("serial", c.Instrument.Serial)
	e.amount("limit", c.Instrument.Limit, diff)
	e.number("limit_fraction", c.Instrument.Fraction)
	if !c.Instrument.Due.IsZero() {
		e.text("due", c.Instrument.Due.Format(time.RFC3339))
	}

	f := &c.Fit
	if c.IsLag() {
		fmt.Fprintf(&e.b, "\n# the junction follows the glass with this time constant\n[fit]\n")
		e.text("kind", string(f.Kind))
		e.lag(c)
		return []byte(e.b.String())
	}
	fmt.Fprintf(&e.b, "\n# %s (SI units)\n[fit]\n", f)
	e.text("kind", string(f.Kind))
	switch f.Kind {
	case ZeroSpan:
		e.amount("zero", f.Zero(), diff)
		e.number("span", f.Span())
	case Ratio:
		e.number("ratio", f.C[1])
	case Factor, LogLinear:
		e.number("decades", f.C[0])
		e.number("slope", f.C[1])
	default:
		e.amount("offset", f.C[0], diff)
		e.number("gain", f.C[1])
		e.number("quadratic", f.C[2])
	}
	if f.Kind.Log() {
		e.number("residual_decades", f.Residual)
	} else {
		e.amount("residual", f.Residual, diff)
	}
	for _, p := range c.Points {
		e.b.WriteString("\n[[point]]\n")
		e.amount("reference", p.Reference, value)
		e.amount("indicated", p.Indicated, value)
		e.amount("u", p.U, diff)
		e.opt("note", p.Note)
	}
	return []byte(e.b.String())
}

// changeUnit is the dimension of a change since the certificate before.
func changeUnit(k Kind, diff unit.Dimension) unit.Dimension {
	if k == TimeConstant {
		return unit.Duration
	}
	return diff
}

// quote is s as a TOML basic string. Check has seen that s is printable.
func quote(s string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(s) + `"`
}

// Parse reads a certificate. file is its name for messages. An error of the
// file's form is a [*strict.Error] with line and key; one of its sense names the
// file and what is wrong.
func Parse(file string, data []byte) (Certificate, error) {
	if len(data) > maxSize {
		return Certificate{}, &strict.Error{File: file, Found: fmt.Sprintf("%d bytes", len(data)), Allowed: "a certificate of at most 256 kB"}
	}
	doc, err := strict.Read(file, data)
	if err != nil {
		return Certificate{}, err
	}
	c := Certificate{Change: math.NaN(), Room: math.NaN()}
	doc.Int("version", version, version)
	c.Channel = doc.String("channel")
	c.Role = doc.String("role", Roles()...)
	value, diff, ok := dimensions(c.Role)
	if !ok {
		// Nothing else can be judged without the role.
		if err := doc.Finish(); err != nil {
			return Certificate{}, firstOf(err, doc)
		}
	}
	c.Procedure, c.Who, c.Note = doc.String("procedure"), doc.String("who"), doc.OptString("note", "")
	c.Date, c.Due = date(doc.Table, "date", true), date(doc.Table, "due", true)
	c.Barometer = doc.OptQuantity("barometer", unit.Pressure, 0, 2e5, 0)
	if doc.Has("room") {
		c.Room = doc.Quantity("room", unit.Temperature, -40, 80)
	}
	if diff == unit.TempDifference {
		c.Drift = doc.Quantity("drift_per_year", diff, 0, 100)
	} else {
		c.Drift = doc.Float("drift_per_year", 0, 1)
	}
	c.Drifting = doc.OptBool("drifting", false)

	i := doc.Table.Table("reference_instrument")
	c.Instrument = Instrument{
		Name: i.OptString("name", ""), Serial: i.OptString("serial", ""),
		Limit: i.OptQuantity("limit", diff, 0, 1e6, 0), Fraction: i.OptFloat("limit_fraction", 0, 1, 0),
		Due: date(i, "due", false),
	}

	f := doc.Table.Table("fit")
	var kinds []string
	for _, k := range KindsOf(c.Role) {
		kinds = append(kinds, string(k))
	}
	c.Fit = Fit{Kind: Kind(f.String("kind", kinds...)), C: [3]float64{0, 1, 0}}
	if doc.Has("change") {
		d := changeUnit(c.Fit.Kind, diff)
		c.Change = doc.Quantity("change", d, -1e9, 1e9)
		c.ChangeU = doc.OptQuantity("change_u", d, 0, 1e9, 0)
	}
	switch c.Fit.Kind {
	case "": // told already; the keys depend on it
		f.Known("offset", "gain", "quadratic", "zero", "span", "ratio", "decades", "slope", "tau", "u", "residual", "residual_decades")
		doc.Known("trial")
	case TimeConstant:
		c.parseLag(doc, f)
	case ZeroSpan:
		zero, span := f.Quantity("zero", diff, -1e6, 1e6), f.Float("span", 0.1, 10)
		c.Fit.C = [3]float64{-zero * span, span, 0}
	case Ratio:
		c.Fit.C[1] = f.Float("ratio", 0.1, 10)
	case Factor, LogLinear:
		c.Fit.C[0], c.Fit.C[1] = f.Float("decades", -10, 10), f.Float("slope", 0.1, 10)
	default:
		c.Fit.C = [3]float64{f.Quantity("offset", diff, -1e6, 1e6), f.Float("gain", 0.1, 10), f.Float("quadratic", -1, 1)}
	}
	switch {
	case c.IsLag(), c.Fit.Kind == "": // has trials, or is not known
	case c.Fit.Kind.Log():
		c.Fit.Residual = f.Float("residual_decades", 0, 100)
	default:
		c.Fit.Residual = f.Quantity("residual", diff, 0, 1e6)
	}
	points := doc.Tables("point")
	for _, p := range points {
		c.Points = append(c.Points, Point{
			Reference: p.Quantity("reference", value, -1e9, 1e9),
			Indicated: p.Quantity("indicated", value, -1e9, 1e9),
			U:         p.Quantity("u", diff, 1e-12, 1e9),
			Note:      p.OptString("note", ""),
		})
	}
	if err := doc.Finish(); err != nil {
		return Certificate{}, err
	}
	if err := c.Check(); err != nil {
		return Certificate{}, fmt.Errorf("%s: %w", file, err)
	}
	if c.IsLag() {
		return c, nil
	}
	c.Fit, err = Solve(c.Points, c.Fit.Kind) // the same numbers, with their covariance
	return c, err
}

// firstOf keeps the role's mistake in front of keys that were not asked for.
func firstOf(err error, doc *strict.Doc) error {
	var e *strict.Error
	if errors.As(err, &e) && e.Key != "role" && !doc.Has("role") {
		return &strict.Error{File: e.File, Line: 1, Key: "role", Found: "no such key", Allowed: strict.OneOf(Roles())}
	}
	return err
}

// date reads a date and time as a text, RFC 3339.
func date(t *strict.Table, key string, required bool) time.Time {
	const allowed = `a date and time like "2026-11-25T14:05:00Z"`
	var s string
	if required {
		s = t.String(key)
	} else {
		s = t.OptString(key, "")
	}
	if s == "" {
		return time.Time{}
	}
	at, err := time.Parse(time.RFC3339, s)
	if err != nil || at.Year() < 1970 || at.Year() > 9000 {
		t.WrongValue(key, allowed)
		return time.Time{}
	}
	return at
}

// Write puts the certificate into a new file of dir, which is made if it is not
// there, and returns its path. A file that exists is never touched. The file is
// on the disk when Write returns.
func Write(dir string, c Certificate) (path string, err error) {
	c.Date, c.Due = c.Date.Truncate(time.Second), c.Due.Truncate(time.Second)
	if err := c.Check(); err != nil {
		return "", err
	}
	text := c.Encode()
	// What could not be read back would be no certificate.
	if _, err := Parse(c.Channel, text); err != nil {
		return "", fmt.Errorf("certificate that could not be read again: %w", err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", fmt.Errorf("making the folder of certificates: %w", err)
	}
	stem := filepath.Join(dir, c.Channel+"-"+c.Date.UTC().Format("20060102T150405Z"))
	for n := 1; n < 1000; n++ {
		path = fmt.Sprintf("%s-%03d.toml", stem, n)
		err = writeNew(path, text)
		if !errors.Is(err, os.ErrExist) {
			break
		}
	}
	if err != nil {
		return "", fmt.Errorf("writing the certificate: %w", err)
	}
	return path, nil
}

// writeNew makes a file that was not there; what cannot be finished is removed.
func writeNew(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o444)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = syncDir(filepath.Dir(path))
	}
	if err != nil {
		return errors.Join(err, os.Remove(path))
	}
	return nil
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// All reads the certificates of dir, of one channel or with "" of all, oldest
// first. Files that cannot be read are left out and told of in the error, which
// does not make the others worthless. A folder that is not there is empty.
func All(dir, channel string) ([]Certificate, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("reading the folder of certificates: %w", err)
	}
	var out []Certificate
	var bad []error
	for _, e := range entries { // in order of name, so of date and number
		if !e.Type().IsRegular() || filepath.Ext(e.Name()) != ".toml" {
			continue
		}
		c, err := read(filepath.Join(dir, e.Name()))
		if err != nil {
			if channel == "" || strings.HasPrefix(e.Name(), channel+"-") {
				bad = append(bad, err)
			}
			continue
		}
		if channel != "" && c.Channel != channel {
			continue
		}
		i := len(out)
		for i > 0 && out[i-1].Date.After(c.Date) {
			i--
		}
		out = append(out[:i], append([]Certificate{c}, out[i:]...)...)
	}
	return out, errors.Join(bad...)
}

func read(path string) (Certificate, error) {
	f, err := os.Open(path)
	if err != nil {
		return Certificate{}, fmt.Errorf("reading a certificate: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxSize+1))
	if err != nil {
		return Certificate{}, fmt.Errorf("reading a certificate: %w", err)
	}
	return Parse(path, data)
}

// Latest is the newest certificate of a channel in dir that corrects its value,
// nil if there is none. The error tells of files of the channel that cannot be
// read: an older certificate than the user believes may then be in force.
func Latest(dir, channel string) (*Certificate, error) { return latest(dir, channel, false) }

// LatestLag is the same of the channel's time constant.
func LatestLag(dir, channel string) (*Certificate, error) { return latest(dir, channel, true) }

func latest(dir, channel string, isLag bool) (*Certificate, error) {
	all, err := All(dir, channel)
	for i := len(all) - 1; i >= 0; i-- {
		if all[i].IsLag() == isLag {
			return &all[i], err
		}
	}
	return nil, err
}
