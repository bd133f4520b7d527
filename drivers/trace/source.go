package trace

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

// afterEnd is how long after the last row Read says to ask again.
const afterEnd = time.Second

// Source plays a trace: each row comes when the clock reaches its time.
type Source struct {
	trace  *Trace
	clock  clock.Clock
	zero   time.Duration // clock's time of a row at time 0
	cols   []int         // column of each input
	info   []drivers.Input
	row    int // next row
	closed bool
}

var _ drivers.Source = (*Source)(nil)

// Open makes a source of t on which the first row comes now. inputs names the
// quantities it gives, in the order of Sample.Input; without names it gives all.
// It fails if the trace has no such quantity.
func Open(t *Trace, c clock.Clock, inputs ...string) (*Source, error) {
	if len(inputs) == 0 {
		inputs = t.Inputs()
	}
	s := &Source{trace: t, clock: c, zero: c.Now() - t.Start()}
	have, interval := t.Inputs(), t.Interval()
	for _, name := range inputs {
		i := slices.Index(have, name)
		if i < 0 {
			return nil, fmt.Errorf("trace %s: input = %q, allowed are: %s: %w", t.Name, name, strings.Join(have, ", "), drivers.BadConfig)
		}
		s.cols = append(s.cols, i)
		in := drivers.Input{
			Name: name, Kind: drivers.Number, Unit: t.inputs[i].unit, Scale: 1, Interval: interval,
			Accuracy: drivers.Accuracy{Source: "recorded trace: none stated"},
		}
		if t.us[i] != nil {
			in.AuxScale, in.Accuracy.Source = 1, "recorded trace: with each value"
		}
		s.info = append(s.info, in)
	}
	return s, nil
}

// String implements [drivers.Source].
func (s *Source) String() string { return "recorded trace " + s.trace.Name }

// Inputs implements [drivers.Source].
func (s *Source) Inputs() []drivers.Input { return s.info }

// Start implements [drivers.Source]. The trace goes on where it is.
func (s *Source) Start(ctx context.Context) error {
	if s.closed {
		return s.fail("starting")
	}
	return ctx.Err()
}

func (s *Source) fail(doing string) error {
	return &drivers.Error{Device: s.String(), Doing: doing, Is: drivers.NotPresent, Err: os.ErrClosed}
}

// Read implements [drivers.Source]: all rows whose time has come, as far as dst
// has room for whole rows.
func (s *Source) Read(ctx context.Context, dst []drivers.Sample) (n int, next time.Duration, err error) {
	if s.closed {
		return 0, 0, s.fail("reading")
	}
	if err := ctx.Err(); err != nil {
		return 0, 0, err
	}
	now := s.clock.Now()
	t := s.trace
	for s.row < len(t.times) {
		at := t.times[s.row] + s.zero
		if at > now || n+len(s.cols) > len(dst) {
			return n, at, nil
		}
		for i, c := range s.cols {
			x := drivers.Sample{At: at, Raw: t.values[c][s.row], Aux: math.NaN(), Input: uint8(i)}
			if u := t.us[c]; u != nil {
				x.Aux = u[s.row]
			}
			if math.IsNaN(x.Raw) {
				x.Fault = drivers.Missing
			}
			dst[n] = x
			n++
		}
		s.row++
	}
	return n, now + afterEnd, nil
}

// Done tells whether all rows have been read.
func (s *Source) Done() bool { return s.row == len(s.trace.times) }

// Close implements [drivers.Source].
func (s *Source) Close() error {
	s.closed = true
	return nil
}
