package trace

import (
	"context"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/go-cmp/cmp"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

var nan = math.NaN()

// By hand: 760 Torr = 101325 Pa by definition, 1 micron = 0.001 Torr,
// 1 mbar = 100 Pa, °C = (°F-32)/1.8 = K-273.15.
func TestParse(t *testing.T) {
	for _, c := range []struct {
		name, text string
		inputs     []string
		times      []time.Duration
		values     [][]float64
		notices    int
	}{
		{"plain", "time [s],pressure [Torr],glass [C],current [mA]\n0,760,21.5,0\n0.1,76,22,350\n",
			[]string{"pressure", "glass", "current"}, []time.Duration{0, 100 * time.Millisecond},
			[][]float64{{101325, 10132.5}, {21.5, 22}, {0, 0.35}}, 0},
		{"any order, spreadsheet", "\ufeff\"Glass [°F]\"; Remark;TIME [s]; \"Pressure [MBAR]\"\r\n446;hot;1,5;2,5\r\n-40;;2;\r\n;;;\r\n",
			[]string{"glass", "pressure"}, []time.Duration{1500 * time.Millisecond, 2 * time.Second},
			[][]float64{{230, -40}, {250, nan}}, 1},
		{"others", "# made by hand\ntime [s],glass [K],pressure [micron],current [A]\n-1,503.15,1000,1.2\n",
			[]string{"glass", "pressure", "current"}, []time.Duration{-time.Second},
			[][]float64{{230}, {101325.0 / 760}, {1.2}}, 0},
		{"degree sign of another code page", "time [s],glass [\xb0C]\n1e1,20\n",
			[]string{"glass"}, []time.Duration{10 * time.Second}, [][]float64{{20}}, 0},
		{"blank column", "time [s],pressure [Pa],\n1,2,\n", []string{"pressure"}, []time.Duration{time.Second}, [][]float64{{2}}, 0},
	} {
		tr, notices, err := Parse("t.csv", strings.NewReader(c.text))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if d := cmp.Diff(c.inputs, tr.Inputs()); d != "" {
			t.Errorf("%s: inputs %s", c.name, d)
		}
		if d := cmp.Diff(c.times, tr.times); d != "" {
			t.Errorf("%s: times %s", c.name, d)
		}
		if d := cmp.Diff(c.values, tr.values, cmp.Comparer(near)); d != "" {
			t.Errorf("%s: values %s", c.name, d)
		}
		if len(notices) != c.notices {
			t.Errorf("%s: notices %q, want %d", c.name, notices, c.notices)
		}
	}
}

func near(a, b float64) bool {
	return a == b || a != a && b != b || math.Abs(a-b) <= 1e-13*math.Abs(b)
}

func TestParseErrors(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "t.csv:1: found an empty file; allowed: a header"},
		{"no time", "pressure [Torr],glass [C]\n1,2\n", `t.csv:1: found no column of times; allowed: "time [s]"`},
		{"no readings", "time [s],x\n1,2\n", "t.csv:1: found no column of readings; allowed: one or more of \"pressure [Torr]\""},
		{"no rows", "# r\ntime [s],pressure [Torr]\n", "t.csv:2: found no rows below the header; allowed: at least one"},
		{"unit", "time [s],pressure [psi]\n1,2\n", `t.csv:1: column 2: found "pressure [psi]"; allowed: "pressure [Torr]", "pressure [mbar]", "pressure [Pa]", "pressure [micron]"`},
		{"no unit", "time [s],glass\n1,2\n", `t.csv:1: column 2: found "glass"; allowed: "glass [C]", "glass [F]", "glass [K]"`},
		{"time unit", "time [min],glass [C]\n1,2\n", `t.csv:1: column 1: found "time [min]"; allowed: "time [s]"`},
		{"twice", "time [s],glass [C],Glass [F]\n1,2,3\n", `t.csv:1: column 3: found "Glass [F]"; allowed: one column of glass (column 2 is one already)`},
		{"not rising", "time [s],glass [C]\n1,2\n1.5,2\n1.5,2\n", `t.csv:4: column 1: found "1.5"; allowed: times that rise from row to row (the row before has 1.5 s)`},
		{"no time in row", "time [s],glass [C]\n1,2\n,2\n", `t.csv:3: column 1: found ""; allowed: seconds as a number`},
		{"word", "time [s],glass [C]\n1,hot\n", `t.csv:2: column 2: found "hot"; allowed: a number, or nothing`},
		{"nan", "time [s],glass [C]\n1,NaN\n", `t.csv:2: column 2: found "NaN"`},
		{"inf", "time [s],glass [C]\n1,Inf\n", `t.csv:2: column 2: found "Inf"`},
		{"overflow", "time [s],glass [C]\n1,1e999\n", `t.csv:2: column 2: found "1e999"`},
		{"large", "time [s],pressure [Pa]\n1,1e13\n", `t.csv:2: column 2: found "1e13"; allowed: at most 1e12`},
		{"cold", "time [s],glass [F]\n1,-460\n", `t.csv:2: column 2: found "-460"; allowed: a temperature above absolute zero`},
		{"negative current", "time [s],current [mA]\n1,-3\n", `t.csv:2: column 2: found "-3"; allowed: an RMS current, 0 or more`},
		{"far time", "time [s],glass [C]\n5e9,1\n", `t.csv:2: column 1: found "5e9"; allowed: seconds as a number from -4e9 to 4e9`},
		{"short row", "time [s],glass [C],current [A]\n1,2\n", "t.csv:2: found 2 cells; allowed: 3 cells, as in the header on line 1"},
		{"decimal comma between commas", "time [s],glass [C]\n1,2,5\n", "t.csv:2: found 3 cells; allowed: 2 cells"},
		{"quote", "time [s],glass [C]\n1,2\n2,\"3\"4\n", "t.csv:3: found a quotation mark out of place"},
	} {
		tr, _, err := Parse("t.csv", strings.NewReader(c.text))
		var e *Error
		if !errors.As(err, &e) || !strings.HasPrefix(e.Error(), c.want) || tr != nil {
			t.Errorf("%s:\n got %v\nwant %s", c.name, err, c.want)
		}
	}
	if _, _, err := Parse("t.csv", iotest.ErrReader(io.ErrUnexpectedEOF)); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("a reader's error is lost: %v", err)
	}
}

func parse(t testing.TB, text string) *Trace {
	t.Helper()
	tr, _, err := Parse("t.csv", strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

// Spacings 1, 1, 4, 1 s: the median is 1 s.
const gapped = "time [s],pressure [Pa],glass [C]\n100,1,10\n101,2,\n102,3,30\n106,4,40\n107,5,50\n"

func TestTimes(t *testing.T) {
	tr := parse(t, gapped)
	if tr.Start() != 100*time.Second || tr.End() != 107*time.Second || tr.Interval() != time.Second || len(tr.times) != 5 {
		t.Errorf("start %v end %v interval %v rows %d", tr.Start(), tr.End(), tr.Interval(), len(tr.times))
	}
	if one := parse(t, "time [s],glass [C]\n5,1\n"); one.Interval() != 0 || one.Start() != one.End() {
		t.Errorf("single row: interval %v", one.Interval())
	}
}

func TestSource(t *testing.T) {
	c := clock.NewVirtual(time.Unix(0, 0), 0)
	ctx := t.Context()
	var got []drivers.Sample
	var nexts []time.Duration
	done := make(chan error)
	c.Go(func() {
		done <- func() error {
			if err := c.SleepUntil(ctx, 7*time.Second); err != nil {
				return err
			}
			s, err := Open(parse(t, gapped), c)
			if err != nil {
				return err
			}
			if err := s.Start(ctx); err != nil {
				return err
			}
			buf := make([]drivers.Sample, 512)
			for !s.Done() {
				n, next, err := s.Read(ctx, buf)
				if err != nil {
					return err
				}
				got = append(got, buf[:n]...)
				nexts = append(nexts, next)
				if err := c.SleepUntil(ctx, next); err != nil {
					return err
				}
			}
			return s.Close()
		}()
	})
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	// The first row comes at the time of opening, 7 s.
	sec := func(n int) time.Duration { return time.Duration(n) * time.Second }
	want := []drivers.Sample{
		{At: sec(7), Raw: 1, Aux: nan, Input: 0}, {At: sec(7), Raw: 10, Aux: nan, Input: 1},
		{At: sec(8), Raw: 2, Aux: nan, Input: 0}, {At: sec(8), Raw: nan, Aux: nan, Input: 1, Fault: drivers.Missing},
		{At: sec(9), Raw: 3, Aux: nan, Input: 0}, {At: sec(9), Raw: 30, Aux: nan, Input: 1},
		{At: sec(13), Raw: 4, Aux: nan, Input: 0}, {At: sec(13), Raw: 40, Aux: nan, Input: 1},
		{At: sec(14), Raw: 5, Aux: nan, Input: 0}, {At: sec(14), Raw: 50, Aux: nan, Input: 1},
	}
	if d := cmp.Diff(want, got, cmp.Comparer(near)); d != "" {
		t.Errorf("samples (-want +got):\n%s", d)
	}
	if d := cmp.Diff([]time.Duration{sec(8), sec(9), sec(13), sec(14), sec(15)}, nexts); d != "" {
		t.Errorf("next times:\n%s", d)
	}
}

// late returns a clock on which all of a trace's rows are due at once.
func late(t testing.TB, text string, rows int) *Source {
	t.Helper()
	c := clock.NewVirtual(time.Unix(0, 0), 0)
	s, err := Open(parse(t, text), c, "glass", "pressure")
	if err != nil {
		t.Fatal(err)
	}
	s.zero -= time.Duration(rows) * time.Hour
	return s
}

// A buffer that is too small gets whole rows, and the rest later.
func TestSourceSmallBuffer(t *testing.T) {
	s := late(t, gapped, 1)
	buf := make([]drivers.Sample, 5)
	var raws []float64
	for range 3 {
		n, _, err := s.Read(t.Context(), buf)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range buf[:n] {
			raws = append(raws, x.Raw)
		}
	}
	if d := cmp.Diff([]float64{10, 1, nan, 2, 30, 3, 40, 4, 50, 5}, raws, cmp.Comparer(near)); d != "" {
		t.Error(d)
	}
	if !s.Done() {
		t.Error("rows are left")
	}
	if in := s.Inputs(); in[0].Unit != "°C" || in[1].Unit != "Pa" || in[0].Kind != drivers.Number || in[0].Interval != time.Second {
		t.Errorf("inputs = %+v", in)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.Read(t.Context(), buf); !errors.Is(err, os.ErrClosed) || !errors.Is(err, drivers.NotPresent) {
		t.Errorf("reading a closed trace: %v", err)
	}
}

func TestOpenUnknownInput(t *testing.T) {
	_, err := Open(parse(t, gapped), clock.NewVirtual(time.Unix(0, 0), 0), "current")
	if !errors.Is(err, drivers.BadConfig) || !strings.Contains(err.Error(), "allowed are: pressure, glass") {
		t.Errorf("error %v", err)
	}
}

func TestRecordedTraces(t *testing.T) {
	files, err := filepath.Glob("../../testdata/traces/*.csv")
	if err != nil || len(files) == 0 {
		t.Fatalf("no recorded traces: %v", err)
	}
	for _, name := range files {
		f, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		tr, _, err := Parse(filepath.Base(name), f)
		f.Close()
		if err != nil {
			t.Error(err)
		} else if len(tr.Inputs()) == 0 || tr.End() < tr.Start() {
			t.Errorf("%s: %d inputs, %v to %v", name, len(tr.Inputs()), tr.Start(), tr.End())
		}
	}
}

func TestReadAllocatesNothing(t *testing.T) {
	s := late(t, gapped, 1)
	buf := make([]drivers.Sample, 512)
	ctx := context.Background()
	if n := testing.AllocsPerRun(100, func() {
		s.row = 0
		if n, _, err := s.Read(ctx, buf); n != 10 || err != nil {
			t.Fatal(n, err)
		}
	}); n != 0 {
		t.Errorf("%v allocations in Read", n)
	}
}

func BenchmarkRead(b *testing.B) {
	s := late(b, gapped, 1)
	buf := make([]drivers.Sample, 512)
	ctx := context.Background()
	b.ReportAllocs()
	for b.Loop() {
		s.row = 0
		if _, _, err := s.Read(ctx, buf); err != nil {
			b.Fatal(err)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{gapped, "time [s];glass [°C]\n1;2,5\n", "\ufefftime [s],\"current [mA]\"\r\n1,\r\n2,5\r\n", "time [s],glass [C]\n1,\"2\n3\"\n", "#\n\n;\n", "time [s],glass [K]\n-1e-9,0\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		tr, _, err := Parse("f.csv", strings.NewReader(string(data)))
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || tr != nil || e.Line < 1 || e.Found == "" || e.Allowed == "" || strings.Contains(err.Error(), "\n") {
				t.Fatalf("unhelpful error %q", err)
			}
			return
		}
		for i, at := range tr.times {
			if i > 0 && at <= tr.times[i-1] {
				t.Fatalf("times do not rise: %v", tr.times)
			}
		}
		for _, v := range tr.values {
			if len(v) != len(tr.times) {
				t.Fatalf("%d values in %d rows", len(v), len(tr.times))
			}
			for _, x := range v {
				if math.IsInf(x, 0) {
					t.Fatalf("value %v", x)
				}
			}
		}
	})
}
