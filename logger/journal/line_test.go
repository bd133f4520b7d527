package journal

import (
	"bytes"
	"math"
	"strconv"
	"strings"
	"testing"

	"tipoff/calib"
	"tipoff/calib/gauge"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

func TestIndicatedAndNaN(t *testing.T) {
	l := testLayout()
	enc, err := newLines(l, 5)
	if err != nil {
		t.Fatal(err)
	}
	dec, err := newDecoder(l, 5)
	if err != nil {
		t.Fatal(err)
	}
	nan := math.NaN()
	f := func(v, ind calib.Value) {
		t.Helper()
		want := frame.Frame{Seq: 1 << 40, At: 123456789}
		for i := range 4 {
			want.Readings[i] = frame.Reading{Value: v, Indicated: ind, Raw: -32768, Aux: nan, Samples: int32(i)}
		}
		dec.block(enc.frame(nil, &want, phase.Age))
		var rec Record
		if !dec.next(&rec) || !rec.IsFrame || rec.Phase != phase.Age {
			t.Fatalf("not read back: %s", enc.frame(nil, &want, phase.Age))
		}
		if d := near(&rec.Frame, &want); d != "" {
			t.Error(d)
		}
	}
	f(calib.Value{X: 1, U: 0.1}, calib.Value{X: 2, U: 0.2, Q: calib.Clipped})
	f(calib.Value{X: 1, U: nan, Q: 4095}, calib.Value{X: 1, U: 0.2})
	f(calib.Value{X: 1, U: 0.1}, calib.Value{X: nan, U: nan, Q: calib.NoReading})
	f(calib.Value{X: 1, U: 0.1}, calib.Value{X: nan, U: 0.3})
	f(calib.Value{X: nan, U: nan, Q: calib.SensorFault}, calib.Value{X: 7, U: 0.1})
	f(calib.Value{X: nan, U: nan}, calib.Value{X: nan, U: nan})
	f(calib.Value{X: 101325, U: 2000}, calib.Value{X: 101324.9, U: 1999})
	f(calib.Value{X: 1e-4, U: 1e-5}, calib.Value{X: -1e300, U: 1e290})
	f(calib.Value{X: 0, U: 0}, calib.Value{X: 5e-324, U: 0})
}

// Every gas goes through; a line of a run from before it was stored says so, and
// one with a gas that this version does not know is not believed.
func TestGas(t *testing.T) {
	l := testLayout()
	enc, err := newLines(l, 0)
	if err != nil {
		t.Fatal(err)
	}
	dec, err := newDecoder(l, 0)
	if err != nil {
		t.Fatal(err)
	}
	read := func(line []byte) (frame.Frame, bool) {
		var rec Record
		dec.block(line)
		ok := dec.next(&rec)
		return rec.Frame, ok
	}
	for g := range gauge.Gas(gauge.Count) {
		f := testFrame(1)
		f.Gas = g
		if got, ok := read(enc.frame(nil, f, phase.Fill)); !ok || got.Gas != g || !got.GasKnown {
			t.Errorf("%v: %v, %v, %v", g, got.Gas, got.GasKnown, ok)
		}
	}
	f := testFrame(1)
	f.GasKnown = false
	line := enc.frame(nil, f, phase.Fill)
	if got, ok := read(line); !ok || got.GasKnown || bytes.Contains(line, []byte("gas")) {
		t.Errorf("without a gas: %+v, %v", got.GasKnown, ok)
	}
	if _, ok := read([]byte("frame phase=\"fill\",gas=\"phlogiston\",seq=1i 5\n")); ok {
		t.Error("an unknown gas is believed")
	}
}

// The gauges' ranges come back with the layout, so that an archived run combines
// its gauges as it did; a layout without them is that of an earlier version.
func TestLayoutRange(t *testing.T) {
	l := testLayout()
	m := Meta{Format: format, Layout: LayoutOf(l)}
	text, err := m.encode()
	if err != nil {
		t.Fatal(err)
	}
	back, err := parseMeta(text)
	if err != nil {
		t.Fatal(err)
	}
	got, err := back.Layout.Frame()
	if err != nil || got.Channels[0].Range != l.Channels[0].Range || got.Channels[1].Range != (gauge.Range{}) {
		t.Errorf("%+v, %v", got, err)
	}
	if n := bytes.Count(text, []byte("range_")); n != 2 {
		t.Errorf("%d keys of ranges for one gauge:\n%s", n, text)
	}
}

func TestFieldNames(t *testing.T) {
	f := func(want string, names ...string) {
		t.Helper()
		var channels []frame.Channel
		for _, n := range names {
			channels = append(channels, frame.Channel{Name: n, Role: frame.Glass})
		}
		_, err := fieldNames(channels)
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%q: error %v, want %q", names, err, want)
		}
	}
	f("", "glass", "glass-2", "weird name,=é")
	f(`both need the field "glass_u"`, "glass", "glass_u")
	f(`both need the field "phase"`, "phase")
	f("can not name a field", "_x")
	f("can not name a field", "a\nb")
	f("can not name a field", "")
	f("can not name a field", `a\`)
}

func TestRounded(t *testing.T) {
	f := func(x, u float64, want string) {
		t.Helper()
		if got := strconv.FormatFloat(rounded(x, decimals(u)), 'g', -1, 64); got != want {
			t.Errorf("%v ± %v is kept as %s, want %s", x, u, got, want)
		}
	}
	f(1.23456789, 0.1, "1.235") // last digit u/100
	f(1.23456789, 0.0999, "1.2346")
	f(1.23456789, 0.5, "1.235")
	f(1.23456789, 1, "1.23")
	f(-1.23456789, 9.99, "-1.23")
	f(101325.4, 10, "101325.4")
	f(101325.4, 2000, "101330")
	f(101325.4, 1e11, "0")
	f(0.3, 1e-3, "0.3")
	f(1.0/3, 0, "0.3333333333333333") // u says nothing
	f(1.0/3, math.NaN(), "0.3333333333333333")
	for e := -11.9; e < 11.9; e += 0.01 {
		u := math.Pow(10, e)
		if k := 2 - int(math.Floor(math.Log10(u))); decimals(u) != k {
			t.Errorf("u %v: %d decimals, want %d", u, decimals(u), k)
		}
	}
}
