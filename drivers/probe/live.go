package probe

import (
	"cmp"
	"context"
	"math"
	"time"

	"tipoff/drivers"
)

// Reading is what an input read over some time. Mean, SD and Span are of the
// raw numbers, as the device sends them; Value and its like are the same in Unit.
type Reading struct {
	Count     int     `json:"count"` // good samples
	Mean      float64 `json:"mean"`
	SD        float64 `json:"sd"`   // standard deviation of one sample
	Span      float64 `json:"span"` // largest less smallest
	Unit      string  `json:"unit"` // "V", "°C", …
	Value     float64 `json:"value"`
	ValueSD   float64 `json:"value_sd"`
	ValueSpan float64 `json:"value_span"`
	// Cold is the cold junction in °C, where there is one.
	Cold *float64 `json:"cold_junction,omitempty"`
	// Faults are those that the device told, in words.
	Faults string `json:"faults,omitempty"`
}

// tally gathers samples of one input. Its zero value is empty.
type tally struct {
	n         int
	mean, m2  float64 // Welford's running mean and sum of squares
	low, high float64
	cold      float64
	colds     int
	fault     drivers.Fault
	bad       int
}

func (t *tally) add(x float64) {
	if t.n == 0 {
		t.low, t.high = x, x
	}
	t.n++
	d := x - t.mean
	t.mean += d / float64(t.n)
	t.m2 += d * (x - t.mean)
	t.low, t.high = min(t.low, x), max(t.high, x)
}

// sample adds a sample of a source. Those that are no reading count as faults only.
func (t *tally) sample(s drivers.Sample) {
	t.fault |= s.Fault &^ (drivers.Settling | drivers.Restored)
	if s.Fault&drivers.Invalidating != 0 {
		t.bad++
		return
	}
	t.add(s.Raw)
	if !math.IsNaN(s.Aux) {
		t.cold += s.Aux
		t.colds++
	}
}

// reading is the result, nil if there was no sample at all.
func (t *tally) reading(in drivers.Input) *Reading {
	if t.n == 0 && t.bad == 0 {
		return nil
	}
	r := &Reading{Count: t.n, Unit: cmp.Or(in.Unit, units[in.Kind])}
	if t.fault != 0 {
		r.Faults = t.fault.String()
	}
	if t.n > 0 {
		r.Mean, r.Span = t.mean, t.high-t.low
		r.Value, r.ValueSpan = in.Scale*(t.mean+in.Offset), math.Abs(in.Scale)*r.Span
	}
	if t.n > 1 {
		r.SD = math.Sqrt(t.m2 / float64(t.n-1))
		r.ValueSD = math.Abs(in.Scale) * r.SD
	}
	if t.colds > 0 && in.AuxScale != 0 {
		c := in.AuxScale * t.cold / float64(t.colds)
		r.Cold = &c
	}
	return r
}

// units of the kinds of input that have one.
var units = map[drivers.Kind]string{
	drivers.Voltage: "V", drivers.Thermocouple: "°C", drivers.Temperature: "°C",
}

// pause is the least time between two looks at a source that says it has news.
const pause = time.Millisecond

// record runs a source for a while and stores what the chip's inputs read. An
// error with readings beside it is one of those that came up meanwhile.
func (l *look) record(ctx context.Context, src drivers.Source, c *Chip, long time.Duration) (raw []float64, trouble error) {
	defer func() {
		if err := src.Close(); trouble == nil {
			trouble = err
		}
	}()
	if err := src.Start(ctx); err != nil {
		return nil, err
	}
	tallies := make([]tally, len(c.Inputs))
	buf := make([]drivers.Sample, 512)
	end := l.Clock.Now() + long
	for l.Clock.Now() < end {
		n, next, err := src.Read(ctx, buf)
		for _, s := range buf[:n] {
			tallies[s.Input].sample(s)
			raw = append(raw, s.Raw)
		}
		if err != nil {
			trouble = err
		}
		if err := l.Clock.SleepUntil(ctx, min(max(next, l.Clock.Now()+pause), end)); err != nil {
			return raw, err
		}
	}
	for i, in := range src.Inputs() {
		c.Inputs[i].Reading = tallies[i].reading(in)
	}
	return raw, trouble
}
