package recompute

import (
	"fmt"
	"math"
	"time"

	"tipoff/calib"
	"tipoff/calib/certificate"
	"tipoff/calib/chain"
	"tipoff/calib/gauge"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

// How a channel's values are had.
const (
	FromRaw    = "recomputed from the raw numbers"
	Rescaled   = "rescaled by the ratio of the calibrations; the waveform is not in the record"
	AsRecorded = "as recorded"
)

// maxPushes bounds how often a frame's mean is pushed; noise is then a tenth of
// one sample's and counts for nothing.
const maxPushes = 100

// channel converts one channel of a run.
type channel struct {
	how, why            string
	chain               chain.Chain // FromRaw, or the certificate of a Rescaled channel
	inverse             func(indicated float64) (raw float64, ok bool)
	integer             bool
	factor              float64      // Rescaled: new value = factor·recorded value
	spec                chain.Params // Rescaled
	kept, keptIndicated calib.Value  // FromRaw: of the last frame with a sample

	rescaled *constant // Rescaled with a certificate: what goes into chain

	prev, wander float64 // raw of the frame before, mean of its changes
	odd, means   int     // means that do not fit their raw number, and all
}

// newChannel decides how a channel that was calibrated by before is recomputed
// with after.
func newChannel(name string, role frame.Role, before, after chain.Spec, cert *correction, tau *certificate.Certificate, in chain.Input, mains float64) (channel, error) {
	none := calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.NoReading}
	c := channel{how: AsRecorded, integer: in.Integer, prev: math.NaN(), kept: none, keptIndicated: none}
	fresh, err := chain.New(role.String(), after, in, mains)
	if err != nil {
		return c, fmt.Errorf("channel %q: %w", name, err)
	}
	if l, ok := fresh.(chain.Lagged); ok && tau != nil {
		if err := l.SetLag(tau.Lag.Durations()); err != nil {
			return c, fmt.Errorf("channel %q: %w", name, err)
		}
	}
	if _, wave := fresh.(chain.Waveform); !wave {
		if cert != nil {
			fresh = certificate.Correct(fresh, cert.cert, cert.wall)
		}
		c.how, c.chain, c.inverse = FromRaw, fresh, inverse(before, in)
		return c, nil
	}
	old := ampsPerUnit(before, in)
	if before.Kind != chain.SpecCurrent || !(old > 0) || math.IsInf(old, 0) {
		c.why = "can not be recomputed: the record holds no waveform, and its calibration was not a factor"
		return c, nil
	}
	c.how, c.factor, c.spec = Rescaled, ampsPerUnit(after, in)/old, after.Params
	if cert != nil {
		c.rescaled = new(constant)
		c.chain = certificate.Correct(c.rescaled, cert.cert, cert.wall)
	}
	return c, nil
}

// ampsPerUnit is the current at the transformer for one unit of the input's quantity.
func ampsPerUnit(s chain.Spec, in chain.Input) float64 {
	p := &s.Params
	k := 1 / p.Burden
	if p.Ratio != 0 {
		k *= p.Ratio
	}
	if in.Kind == chain.Ratio {
		k *= p.Reference
	}
	return k
}

// inverse leads from an indicated value back to the mean raw number that it was
// made of; nil where only the last raw number is to be had.
func inverse(s chain.Spec, in chain.Input) func(float64) (float64, bool) {
	raw := func(x float64) (float64, bool) { return x/in.Scale - in.Offset, x == x }
	if in.Kind == chain.Thermocouple {
		return raw // what the chip says is what is indicated
	}
	if in.Kind != chain.Voltage && in.Kind != chain.Ratio {
		return nil
	}
	p := &s.Params
	k := 1.0 // gauge volts per unit of the input's quantity
	if in.Kind == chain.Ratio {
		k = p.Reference
	}
	if p.Divider != 0 {
		k *= p.Divider
	}
	switch s.Kind {
	case chain.SpecLinear:
		slope := (p.Pa2 - p.Pa1) / (p.Volts2 - p.Volts1)
		return func(pa float64) (float64, bool) { return raw((p.Volts1 + (pa-p.Pa1)/slope) / k) }
	case chain.SpecLogLinear:
		return func(pa float64) (float64, bool) {
			if !(pa > 0) {
				return 0, false
			}
			return raw((p.VoltsAt + p.VoltsPerDecade*math.Log10(pa/p.PaAt)) / k)
		}
	case chain.SpecMantissaExponent:
		m := gauge.MantissaExponent{Volts: p.VoltsAt, Pa: p.PaAt, VoltsPerDecade: p.VoltsPerDecade}
		return func(pa float64) (float64, bool) {
			if !(pa > 0) {
				return 0, false
			}
			return raw(m.Output(pa) / k)
		}
	case chain.SpecTable:
		t, err := gauge.NewTable(p.Table)
		if err != nil {
			return nil
		}
		low, high := p.Table[0], p.Table[len(p.Table)-1]
		return func(pa float64) (float64, bool) {
			if !(pa > math.Min(low[1], high[1]) && pa < math.Max(low[1], high[1])) {
				return 0, false
			}
			return raw(solve(t, pa, low[0], high[0], high[1] > low[1]) / k)
		}
	}
	return nil
}

// solve finds the voltage between a and b at which a monotone characteristic
// gives pa, by halving.
func solve(c gauge.Characteristic, pa, a, b float64, rising bool) float64 {
	for range 50 {
		m := a + (b-a)/2
		if p, _ := c.Pressure(m); (p < pa) == rising {
			a = m
		} else {
			b = m
		}
	}
	return a + (b-a)/2
}

// converter makes new frames of recorded ones.
type converter struct {
	layout   *frame.Layout
	channels []channel
	cardGas  gauge.Gas
	gas      gauge.Gas
	begun    bool
	phase    phase.ID // of the frame before
}

// convert replaces the values of f, recorded in phase p, by those of the new
// calibration. Raw numbers stay.
func (c *converter) convert(f *frame.Frame, p phase.ID) {
	if g := c.gasOf(f, p); !c.begun || g != c.gas {
		c.setGas(g)
	}
	c.begun, c.phase = true, p
	f.Gas, f.GasKnown = c.gas, true
	for i := range c.channels {
		ch := &c.channels[i]
		switch ch.how {
		case FromRaw:
			ch.fromRaw(f.At, c.layout.Interval, &f.Readings[i])
		case Rescaled:
			ch.rescale(&f.Readings[i])
		}
	}
}

func (c *converter) setGas(g gauge.Gas) {
	c.gas = g
	for i := range c.channels {
		if c.channels[i].chain != nil {
			c.channels[i].chain.SetGas(g)
		}
	}
}

// gasOf is what a heat-conduction gauge saw in f: the gas that was recorded with
// it. Where none was, or none of known factor because the run had no card yet, it
// follows from the phase and the card that the run has now. The daemon tells the
// gauges which gas there is after each frame, for the next one.
func (c *converter) gasOf(f *frame.Frame, p phase.ID) gauge.Gas {
	if f.GasKnown && f.Gas != gauge.Mixture {
		return f.Gas
	}
	if f.GasKnown {
		return c.cardGas
	}
	if c.begun {
		p = c.phase
	}
	return bench.GasIn(p, c.cardGas)
}

// Qualities of a sample, which no calibration changes, and of the lack of one.
const (
	ofSample = calib.Clipped | calib.Spike
	ofLack   = calib.NoReading | calib.SensorFault | calib.OverRange | calib.Frozen
)

func (ch *channel) fromRaw(at, interval time.Duration, r *frame.Reading) {
	stamp := at - interval/2
	push := func(raw float64, n int) {
		for range n {
			ch.chain.Push(stamp, raw, r.Aux, r.Value.Q&ofSample)
		}
	}
	raw, n := r.Raw, int(r.Samples)
	switch {
	case raw != raw && r.Value.Q&ofLack != 0:
		ch.chain.Push(stamp, raw, r.Aux, r.Value.Q&ofLack)
	case raw != raw:
		// Nothing new: the value is held.
	case n == 0:
		// A sample that waited to be judged: the value is held.
	case n == 1:
		if ch.isPrevious(r) {
			raw = ch.prev
		}
		push(raw, 1)
	default:
		// Several that had waited count together; the latest may wait in its turn,
		// which the next frame tells.
		raw = ch.mean(r)
		push(raw, min(n, maxPushes))
	}
	value, indicated, got := ch.chain.Take(at)
	if got == 0 && n > 0 && raw == raw {
		// The filter would wait for a second sample. That this one counts was
		// decided when it was recorded.
		push(raw, 2)
		value, indicated, got = ch.chain.Take(at)
	}
	switch {
	case got > 0:
		ch.kept, ch.keptIndicated = value, indicated
	case n == 0 && r.Value.Good() && !value.Good():
		// The last value was held longer than frames tell, for a sample that
		// waited to be judged.
		value, indicated = ch.kept, ch.keptIndicated
	}
	if r.Raw == r.Raw {
		ch.wander += (math.Abs(r.Raw-ch.prev) - ch.wander) / 16
		if ch.wander != ch.wander {
			ch.wander = 0
		}
		ch.prev = r.Raw
	}
	r.Value, r.Indicated = value, indicated
}

// isPrevious tells whether a frame's one sample is the one that had waited since
// the frame before, while the frame's own raw number waits in its turn.
func (ch *channel) isPrevious(r *frame.Reading) bool {
	if ch.inverse == nil || r.Indicated.Q&calib.Invalid != 0 {
		return false
	}
	m, ok := ch.inverse(r.Indicated.X)
	return ok && math.Abs(m-ch.prev) < math.Abs(m-r.Raw)/4
}

// mean is the mean raw number of a frame of several samples. It is not in the
// record, but the indicated value was made of it. Where that does not fit the
// last raw number, which is in the record, the last raw number stands.
func (ch *channel) mean(r *frame.Reading) float64 {
	if ch.inverse == nil || r.Indicated.Q&calib.Invalid != 0 {
		return r.Raw
	}
	m, ok := ch.inverse(r.Indicated.X)
	if !ok || math.IsInf(m, 0) {
		return r.Raw
	}
	ch.means++
	step := math.Abs(r.Raw - ch.prev)
	if step != step {
		step = 0
	}
	room := 4*math.Max(step, ch.wander) + 1e-3*math.Abs(r.Raw)
	if ch.integer {
		room += 4
	}
	if math.Abs(m-r.Raw) > room {
		ch.odd++
		return r.Raw
	}
	return m
}

// rescale makes a current of another factor. The meter's own uncertainty scales
// with it; what follows is the new calibration's, as in the chain. It starts from
// the indicated value, which is the current at the transformer and in which no
// certificate has a part.
func (ch *channel) rescale(r *frame.Reading) {
	if r.Indicated.Q&calib.Invalid != 0 || r.Indicated.X != r.Indicated.X {
		return
	}
	r.Indicated.X *= ch.factor
	r.Indicated.U *= ch.factor
	r.Value = ch.spec.Amperes(r.Indicated)
	if ch.chain != nil {
		ch.rescaled.v = r.Value
		r.Value, _, _ = ch.chain.Take(0)
	}
}

// correction is a certificate, as old as it was when the run was recorded.
type correction struct {
	cert certificate.Certificate
	at   time.Time // of the run
	ok   bool      // at is known
}

// wall is a time as far after the certificate's date as the run was from it,
// before or after: what may have drifted since may have drifted before.
func (c *correction) wall() (time.Time, bool) {
	return c.cert.Date.Add(c.at.Sub(c.cert.Date).Abs()), c.ok
}

// constant is a chain that gives the value that was put into it, so that a
// rescaled value is corrected in the same way as one of a chain.
type constant struct{ v calib.Value }

func (*constant) Push(time.Duration, float64, float64, calib.Quality) {}
func (*constant) SetGas(gauge.Gas)                                    {}

func (c *constant) Take(time.Duration) (value, indicated calib.Value, samples int) {
	return c.v, c.v, 1
}

// timeConstants are those that the channels' values are corrected for now, s: by the
// calibration that they were recomputed with, else as m, the run's own, says; NaN if
// it does not.
func (c *converter) timeConstants(m *journal.Meta) []float64 {
	all := make([]float64, len(c.channels))
	for i := range c.channels {
		own := &m.Layout.Channels[i]
		l, lagged := c.channels[i].chain.(interface{ TimeConstant() time.Duration })
		switch {
		case c.channels[i].how == FromRaw && lagged:
			all[i] = l.TimeConstant().Seconds()
		case own.TimeConstantTold || own.TimeConstantS > 0:
			all[i] = own.TimeConstantS
		default:
			all[i] = math.NaN()
		}
	}
	return all
}

// odds says where recorded values and recorded raw numbers do not belong
// together by the run's own calibration.
func (ch *channel) odds() string {
	if ch.odd*100 <= ch.means {
		return ""
	}
	return fmt.Sprintf("in %d of %d frames the recorded value does not follow from the run's own calibration; there the last raw number of the frame was used", ch.odd, ch.means)
}

// converterFor makes the converter of a run with layout l.
func converterFor(l *frame.Layout, cfg *config.Bench, after specs, ins []chain.Input, card gauge.Gas, file string) (*converter, error) {
	c := &converter{layout: l, cardGas: card, channels: make([]channel, len(l.Channels))}
	some := false
	for i, lc := range l.Channels {
		c.channels[i] = channel{how: AsRecorded}
		j := index(cfg, lc.Name)
		if j < 0 || cfg.Channels[j].Driver != lc.Driver || cfg.Channels[j].Role != lc.Role {
			c.channels[i].why = "the run's bench.toml does not say how it was measured"
			continue
		}
		own := &cfg.Channels[j]
		spec, line := own.Calibration, 0
		if ch, ok := after.channels[lc.Name]; ok {
			spec, line = ch.Calibration, ch.Line
		}
		var err error
		if c.channels[i], err = newChannel(lc.Name, lc.Role, own.Calibration, spec, after.certs[lc.Name], after.lags[lc.Name], ins[j], cfg.Mains); err != nil {
			if line > 0 {
				return nil, Wrong{fmt.Errorf("%s:%d: %w", file, line, err)}
			}
			return nil, err
		}
		some = some || c.channels[i].how != AsRecorded
	}
	if !some {
		return nil, ErrNothing
	}
	return c, nil
}
