package journal

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"tipoff/calib/gauge"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// The parts of a channel's reading and the suffixes of their fields.
const (
	fieldValue = iota
	fieldU
	fieldRaw
	fieldAux
	fieldSamples
	fieldQuality
	fieldIndicated
	fieldIndicatedU
	fieldIndicatedQ
	fieldIndicatedNone // bit 0: no indicated value, bit 1: no uncertainty of it
	fieldCount
)

var suffixes = [fieldCount]string{"", "_u", "_raw", "_aux", "_n", "_q", "_ind", "_ind_u", "_ind_q", "_ind_none"}

// fieldNames is the names of all channels' fields, which must differ.
func fieldNames(channels []frame.Channel) ([][fieldCount]string, error) {
	names := make([][fieldCount]string, len(channels))
	taken := map[string]string{"phase": "", "seq": "", "time": "", "gas": ""}
	for i, c := range channels {
		if c.Name == "" || strings.HasPrefix(c.Name, "_") || strings.HasSuffix(c.Name, `\`) ||
			!utf8.ValidString(c.Name) || clean(c.Name) != c.Name {
			return nil, fmt.Errorf("channel name %q can not name a field: allowed are letters, digits, - and _, not first", c.Name)
		}
		for j, s := range suffixes {
			name := c.Name + s
			if other, ok := taken[name]; ok {
				return nil, fmt.Errorf("channels %q and %q both need the field %q: rename one", other, c.Name, name)
			}
			taken[name] = c.Name
			names[i][j] = name
		}
	}
	return names, nil
}

// lines encodes frames and events. One goroutine at a time.
type lines struct {
	enc    lineprotocol.Encoder
	layout *frame.Layout
	fields [][fieldCount]string
	phases [phase.Count]lineprotocol.Value
	gases  [gauge.Count]lineprotocol.Value
	base   int64 // added to monotonic time
}

func newLines(l *frame.Layout, base int64) (*lines, error) {
	fields, err := fieldNames(l.Channels)
	if err != nil {
		return nil, err
	}
	w := &lines{layout: l, fields: fields, base: base}
	// Names have been checked above, texts are cleaned below.
	w.enc.SetLax(true)
	for p := range w.phases {
		w.phases[p], _ = lineprotocol.StringValue(phase.ID(p).String())
	}
	for g := range w.gases {
		w.gases[g], _ = lineprotocol.StringValue(gauge.Gas(g).Symbol())
	}
	return w, nil
}

// frame appends f's line to b.
func (w *lines) frame(b []byte, f *frame.Frame, p phase.ID) []byte {
	e := &w.enc
	e.SetBuffer(b)
	e.StartLine("frame")
	if int(p) < len(w.phases) {
		e.AddField("phase", w.phases[p])
	}
	if f.GasKnown && int(f.Gas) < len(w.gases) {
		e.AddField("gas", w.gases[f.Gas])
	}
	e.AddField("seq", lineprotocol.IntValue(int64(f.Seq)))
	for i := range w.fields {
		c, n, r := &w.layout.Channels[i], &w.fields[i], &f.Readings[i]
		k := decimals(r.Value.U)
		w.float(n[fieldValue], rounded(r.Value.X, k))
		w.float(n[fieldU], rounded(r.Value.U, k))
		w.raw(n[fieldRaw], r.Raw, c.Integer)
		w.raw(n[fieldAux], r.Aux, c.Integer)
		if r.Samples != 1 {
			e.AddField(n[fieldSamples], lineprotocol.IntValue(int64(r.Samples)))
		}
		if r.Value.Q != 0 {
			e.AddField(n[fieldQuality], lineprotocol.IntValue(int64(r.Value.Q)))
		}
		none := int64(0)
		if !same(r.Indicated.X, r.Value.X) && !w.float(n[fieldIndicated], rounded(r.Indicated.X, decimals(r.Indicated.U))) {
			none |= 1
		}
		if !same(r.Indicated.U, r.Value.U) && !w.float(n[fieldIndicatedU], rounded(r.Indicated.U, decimals(r.Indicated.U))) {
			none |= 2
		}
		if none != 0 {
			e.AddField(n[fieldIndicatedNone], lineprotocol.IntValue(none))
		}
		if r.Indicated.Q != r.Value.Q {
			e.AddField(n[fieldIndicatedQ], lineprotocol.IntValue(int64(r.Indicated.Q)))
		}
	}
	e.EndLine(time.Unix(0, w.base+int64(w.at(f.At))))
	return e.Bytes()
}

// stampStep is what frames' timestamps are rounded to: a hundredth of the fastest
// sample's distance at 1 kHz, and three bytes less of digits for each frame of a
// sealed run than nanoseconds.
const stampStep = 10 * time.Microsecond

// at is a frame's time as the line has it: its timestamp, wall clock or not, is a
// multiple of stampStep.
func (w *lines) at(t time.Duration) time.Duration {
	stamp := time.Duration(w.base) + t
	rest := stamp % stampStep
	if rest < 0 {
		rest += stampStep
	}
	if 2*rest >= stampStep {
		rest -= stampStep
	}
	return t - rest
}

// float adds x unless it is not a finite number, and tells whether it did.
func (w *lines) float(name string, x float64) bool {
	v, ok := lineprotocol.FloatValue(x)
	if ok {
		w.enc.AddField(name, v)
	}
	return ok
}

func (w *lines) raw(name string, x float64, integer bool) {
	if integer && x == math.Trunc(x) && math.Abs(x) < 1<<53 {
		w.enc.AddField(name, lineprotocol.IntValue(int64(x)))
		return
	}
	w.float(name, x)
}

func same(a, b float64) bool { return a == b || a != a && b != b }

// decimals is how many decimals a value of uncertainty u is kept to: its last
// digit is a hundredth of u or finer, so that rounding adds nothing to u. GUM
// 7.2.6 asks for no more than two digits of u; there are three. all means that
// u says nothing and all digits are kept.
func decimals(u float64) int {
	if !(u > 1e-12 && u < 1e12) {
		return all
	}
	_, e := math.Frexp(u)
	k := (e - 1) * 1233 >> 12 // floor of log10(2^(e-1)), or one less than u's
	if u >= powers[k+1+13] {
		k++
	}
	return 2 - k
}

const all = math.MaxInt

// rounded is x to k decimals, k from -10 to 15.
func rounded(x float64, k int) float64 {
	if k == all {
		return x
	}
	if k < 0 {
		s := powers[13-k]
		return math.RoundToEven(x/s) * s
	}
	s := powers[13+k] // exact, so that the quotient is the float nearest the decimal
	if y := x * s; math.Abs(y) < 1<<53 {
		return math.RoundToEven(y) / s
	}
	return x
}

// powers[13+k] is 10^k.
var powers = [...]float64{
	1e-13, 1e-12, 1e-11, 1e-10, 1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1,
	1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
}

// event appends ev's line to b. stamp is the line's monotonic timestamp.
func (w *lines) event(b []byte, ev Event, stamp time.Duration) []byte {
	e := &w.enc
	e.SetBuffer(b)
	e.StartLine("event")
	kind := strings.TrimRight(clean(string(ev.Kind)), `\`)
	if kind == "" {
		kind = string(Note) // a tag must not be empty
	}
	e.AddTag("kind", kind)
	w.text("id", ev.ID)
	w.text("text", ev.Text)
	if ev.Count != 0 {
		e.AddField("count", lineprotocol.IntValue(ev.Count))
	}
	e.AddField("mono_ns", lineprotocol.IntValue(int64(ev.At)))
	if ev.Kind == ClockAnchor {
		e.AddField("trusted", lineprotocol.BoolValue(ev.Trusted))
		e.AddField("wall_ns", lineprotocol.IntValue(ev.Wall.UnixNano()))
	}
	e.EndLine(time.Unix(0, w.base+int64(stamp)))
	return e.Bytes()
}

func (w *lines) text(name, s string) {
	if s == "" {
		return
	}
	// 64 KiB is the longest string that common stores take.
	s = clean(s)
	if len(s) > 60<<10 {
		s = strings.ToValidUTF8(s[:60<<10], "")
	}
	if v, ok := lineprotocol.StringValue(s); ok {
		w.enc.AddField(name, v)
	}
}

// clean makes control characters spaces: not every reader of line protocol
// knows an escape for them.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
}
