// Package sampler reads all sources of a bench and aligns what they give into
// frames.
//
// One goroutine owns each bus, because a bus can do one transfer at a time and
// because a bus that hangs must not stop the others. It starts devices, reads
// them when they have something new, and starts them again when they fail.
// Samples wait in a buffer for each device until [Sampler.Collect], on the
// engine's goroutine, turns them into the readings of a frame. Neither side
// allocates while all is well.
package sampler

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"tipoff/calib"
	"tipoff/calib/chain"
	"tipoff/calib/gauge"
	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/logger/frame"
	"tipoff/logger/health"
	"tipoff/logger/status"
)

const (
	// bufferLen holds 0.4 s of a 10 kS/s waveform: four frames.
	bufferLen = 4096
	// burstLen is the least that drivers.Source.Read is promised.
	burstLen = 512
	// retries is how many transfers may fail in a row before the device is
	// started afresh: a spark spoils one or two, a loose plug spoils all.
	retries = 4
	// patience is how long a slow device may fail, however few its transfers.
	patience = time.Second
	// backoffMin and backoffMax bound the wait before a device that does not
	// start is tried again. The maximum keeps the promise that a channel is
	// back within 2 s of the fault's end; the minimum lets a device that only
	// had bad luck be back before an alarm waits for it.
	backoffMin = 10 * time.Millisecond
	backoffMax = time.Second
	// disturbedMax bounds it where transfers fail at once and for no reason that
	// lasts.
	disturbedMax = 50 * time.Millisecond
	// hungAfter is how long one transfer may take before the bus is said to
	// hang. It is far above the 20 ms that the longest batch takes.
	hungAfter = time.Second
)

// Device is one source and where its inputs go.
type Device struct {
	Source drivers.Source
	Bus    string // devices with the same bus share a goroutine
	// Channels holds, for each input of the source, the index of its channel
	// in the layout.
	Channels []int
	// Recorded: it plays readings of another time, in which nothing can be found
	// frozen any more.
	Recorded bool
}

// Sampler reads devices. Make one with [New].
type Sampler struct {
	clock   clock.Clock
	layout  *frame.Layout
	health  *health.Registry
	kinds   *health.Kinds
	devices []*device
	buses   []*bus
	chains  []chain.Chain
	owner   []*device // device of each channel
	stats   []status.Channel
	raw     []lastRaw
	quality []calib.Quality // of each channel's value in the last frame
	faults  []drivers.Fault // of each channel's latest sample, if they spoil it
	told    []absence
	marks   []mark
	doubts  doubts
	scale   []float64 // of each channel's input
	aux     []float64 // of its second number; 0: there is none
	fine    []bool    // a converter's code of a voltage
	spacing []spacing
	gas     gauge.Gas
}

type lastRaw struct{ raw, aux float64 }

// bus is what one goroutine owns.
type bus struct {
	name    string
	devices []*device

	calls clock.Calls // transfers
	slow  atomic.Bool // the last transfer took longer than hungAfter
	state busState    // as told; owned by Collect
}

type busState uint8

const (
	busWell busState = iota
	busHung          // a transfer does not come back
	busDead          // none of several devices answers
)

type device struct {
	Device
	scratch [burstLen]drivers.Sample

	// Owned by the bus goroutine.
	running  bool
	due      time.Duration
	backoff  time.Duration
	failures int
	good     time.Duration // last sample, or start

	mu       sync.Mutex
	filling  []drivers.Sample
	spare    []drivers.Sample // owned by Collect
	errors   uint64
	restores uint64
	dropped  uint64
	err      error // why it does not run, nil if it does

	lost losses // owned by Collect
}

// New makes a sampler. chains holds one chain for each channel of the layout.
func New(c clock.Clock, layout *frame.Layout, devices []Device, chains []chain.Chain, h *health.Registry, k *health.Kinds) (*Sampler, error) {
	if len(chains) != len(layout.Channels) {
		return nil, fmt.Errorf("making the sampler: %d chains for %d channels", len(chains), len(layout.Channels))
	}
	s := &Sampler{
		clock: c, layout: layout, health: h, kinds: k, chains: chains,
		owner: make([]*device, len(chains)),
		stats: make([]status.Channel, len(chains)),
		raw:   make([]lastRaw, len(chains)),

		quality: make([]calib.Quality, len(chains)),
		faults:  make([]drivers.Fault, len(chains)),
		told:    make([]absence, len(chains)),
		marks:   make([]mark, len(chains)),
		doubts:  doubts{pulses: make([]pulse, len(chains)), arcSince: -1, idle: -1, quarrel: quarrel{apart: -1}},
		scale:   make([]float64, len(chains)),
		aux:     make([]float64, len(chains)),
		fine:    make([]bool, len(chains)),
		spacing: make([]spacing, len(chains)),
	}
	byName := map[string]*bus{}
	for _, d := range devices {
		dev := &device{
			Device:  d,
			filling: make([]drivers.Sample, 0, bufferLen),
			spare:   make([]drivers.Sample, 0, bufferLen),
			backoff: backoffMin,
			err:     errNotYet,
		}
		if got, want := len(d.Channels), len(d.Source.Inputs()); got != want {
			return nil, fmt.Errorf("making the sampler: %v has %d inputs, %d channels are bound to it", d.Source, want, got)
		}
		b := byName[d.Bus]
		if b == nil {
			b = &bus{name: d.Bus}
			byName[d.Bus] = b
			s.buses = append(s.buses, b)
		}
		b.devices = append(b.devices, dev)
		s.devices = append(s.devices, dev)
		for k, ch := range d.Channels {
			in := &d.Source.Inputs()[k]
			s.owner[ch], s.scale[ch] = dev, math.Abs(in.Scale)
			if in.Kind == drivers.Thermocouple {
				s.aux[ch] = in.AuxScale
			}
			s.fine[ch] = in.Integer && (in.Kind == drivers.Voltage || in.Kind == drivers.Ratio)
			s.spacing[ch].wave = in.Waveform
		}
	}
	for i := range s.stats {
		role := layout.Channels[i].Role
		s.doubts.pulses[i].noise.off = role == frame.Current || role == frame.Light || role == frame.Contact
		s.stats[i].LastSample, s.doubts.pulses[i].refOf, s.doubts.pulses[i].hangs.flat = -1, -1, -1
	}
	return s, nil
}

var errNotYet = errors.New("not read yet")

// Start begins sampling. The goroutines end when ctx does; wait waits for them. A
// bus with a transfer that does not come back is not waited for: after a second its
// goroutine is left behind, and wait names the bus.
func (s *Sampler) Start(ctx context.Context) (wait func() (left []string)) {
	for _, b := range s.buses {
		s.clock.Go(func() {
			defer b.calls.Close()
			s.serve(ctx, b)
		})
	}
	return s.wait
}

func (s *Sampler) wait() (left []string) {
	var all []*clock.Calls
	for _, b := range s.buses {
		all = append(all, &b.calls)
	}
	clock.Await(s.clock, hungAfter, all...)
	for _, b := range s.buses {
		if !b.calls.Closed() {
			left = append(left, b.name)
		}
	}
	return left
}

// serve is the life of one bus.
func (s *Sampler) serve(ctx context.Context, b *bus) {
	for _, d := range b.devices {
		d.due = s.clock.Now()
	}
	for {
		d := b.devices[0]
		for _, o := range b.devices[1:] {
			if o.due < d.due {
				d = o
			}
		}
		if err := s.clock.SleepUntil(ctx, d.due); err != nil {
			break
		}
		b.calls.Begin(s.clock.Now())
		if d.running {
			s.read(ctx, d)
		} else {
			s.start(ctx, d)
		}
		b.end(s.clock.Now())
	}
	b.calls.Begin(s.clock.Now())
	for _, d := range b.devices {
		// The daemon is ending; there is nobody left to tell.
		_ = d.Source.Close()
	}
	b.end(s.clock.Now())
}

// end notes that a transfer has come back; that it was slow before that it is over,
// so that whoever asks in that order misses neither.
func (b *bus) end(now time.Duration) {
	b.slow.Store(b.calls.Hang(now, hungAfter))
	b.calls.End()
}

func (s *Sampler) start(ctx context.Context, d *device) {
	now := s.clock.Now()
	err := d.Source.Start(ctx)
	d.mu.Lock()
	switch {
	case err != nil:
		d.err = err
		d.errors++
	case d.err == errNotYet:
		d.err = nil
		// What else went wrong stays true until there is a sample: a device may
		// start well and fail at each reading.
	}
	d.mu.Unlock()
	if err != nil {
		d.later(now, err)
		return
	}
	d.running, d.failures, d.due = true, 0, s.clock.Now()
	d.good = d.due
}

func (s *Sampler) read(ctx context.Context, d *device) {
	n, next, err := d.Source.Read(ctx, d.scratch[:])
	d.mu.Lock()
	d.store(d.scratch[:n])
	if err != nil {
		d.errors++
	} else if n > 0 {
		d.err = nil
	}
	if f, ok := d.Source.(forgetter); ok {
		d.restores = uint64(f.SettingsLost())
	} else if errors.Is(err, drivers.LostConfig) {
		d.restores++
	}
	d.mu.Unlock()
	now := s.clock.Now()
	if err == nil {
		if n > 0 {
			d.failures, d.backoff, d.good = 0, backoffMin, now
		}
		// A driver that asks to be read again at once must not starve the
		// others on its bus.
		d.due = max(next, now)
		if next <= now && n == 0 {
			d.due = now + time.Millisecond
		}
		return
	}
	d.failures++
	switch {
	case errors.Is(err, drivers.LostConfig):
		// The driver has noticed that the settings are gone: write them now.
		d.running, d.due = false, now
	case d.failures >= retries || d.failures > 1 && now-d.good >= patience:
		d.mu.Lock()
		d.err = err
		d.mu.Unlock()
		d.running = false
		d.later(now, err)
	default:
		d.due = max(next, now+time.Millisecond)
	}
}

// later sets when a device that failed is tried again.
func (d *device) later(now time.Duration, err error) {
	if errors.Is(err, drivers.Transient) {
		d.backoff = min(d.backoff, disturbedMax)
	}
	d.due = now + d.backoff
	d.backoff = min(2*d.backoff, backoffMax)
}

// store keeps samples for Collect; d.mu is held. If nobody collects, the oldest
// go: the newest are what an alarm needs.
func (d *device) store(in []drivers.Sample) {
	if over := len(d.filling) + len(in) - bufferLen; over > 0 {
		d.dropped += uint64(over)
		d.filling = d.filling[:copy(d.filling, d.filling[over:])]
	}
	d.filling = append(d.filling, in...)
}

// Collect closes the frame interval that ends at time at: it fills f's
// readings from all samples that have come since the last call.
func (s *Sampler) Collect(at time.Duration, f *frame.Frame) {
	f.At, f.Gas, f.GasKnown = at, s.gas, true
	for i := range s.raw {
		s.raw[i] = lastRaw{math.NaN(), math.NaN()}
	}
	for _, d := range s.devices {
		s.drain(d, at)
	}
	for i, c := range s.chains {
		v, ind, n := c.Take(at)
		f.Readings[i] = frame.Reading{
			Value: v, Indicated: ind,
			Raw: s.raw[i].raw, Aux: s.raw[i].aux, Samples: int32(n),
		}
	}
	s.doubt(at, f)
	for i := range s.chains {
		v := &f.Readings[i].Value
		s.stats[i].Up, s.quality[i] = v.Good(), v.Q
	}
	s.report(at)
}

func (s *Sampler) drain(d *device, at time.Duration) {
	d.mu.Lock()
	d.filling, d.spare = d.spare[:0], d.filling
	errs, restores := d.errors, d.restores
	d.mu.Unlock()
	for _, ch := range d.Channels {
		s.stats[ch].Errors, s.stats[ch].Restores = errs, restores
	}
	d.lost.add(restores, at)
	for i := range d.spare {
		p := &d.spare[i]
		ch := d.Channels[p.Input]
		st := &s.stats[ch]
		st.Samples++
		s.faults[ch] = p.Fault & drivers.Invalidating
		if p.Fault != 0 {
			st.Faults++
		}
		if p.Fault&drivers.Invalidating == 0 {
			st.LastSample = p.At
			s.raw[ch] = lastRaw{p.Raw, p.Aux}
			s.doubts.pulses[ch].add(p.At, p.Raw, p.Aux, s.doubts.arcSince >= 0)
			if s.aux[ch] != 0 && p.Aux == p.Aux {
				s.doubts.pulses[ch].hangs.add(p.At, p.Raw*s.scale[ch]-p.Aux*s.aux[ch])
			}
			if s.spacing[ch].wave {
				s.spacing[ch].add(p.At)
			}
		}
		s.chains[ch].Push(p.At, p.Raw, p.Aux, qualityOf(p.Fault))
	}
}

// qualityOf is what a device's fault bits mean for the value.
func qualityOf(f drivers.Fault) calib.Quality {
	if f == 0 {
		return 0
	}
	var q calib.Quality
	if f&(drivers.OpenCircuit|drivers.ShortToGround|drivers.ShortToSupply|drivers.InputVoltage) != 0 {
		q |= calib.SensorFault
	}
	if f&drivers.InputRange != 0 {
		q |= calib.OverRange
	}
	if f&(drivers.Settling|drivers.Framing|drivers.Missing) != 0 {
		q |= calib.NoReading
	}
	if f&drivers.Frozen != 0 {
		q |= calib.Frozen
	}
	if f&drivers.Clipped != 0 {
		q |= calib.Clipped
	}
	return q
}

// RawAt is when the raw number of channel ch was read that the last frame holds;
// negative if there was none yet. Only Collect's goroutine may ask.
func (s *Sampler) RawAt(ch int) time.Duration { return s.stats[ch].LastSample }

// Stats copies how each channel is doing into dst, which is as long as the
// layout has channels.
func (s *Sampler) Stats(dst []status.Channel) {
	for i := range s.stats {
		if p, ok := s.Spacing(i); ok {
			s.stats[i].Spacing, s.stats[i].Jitter = p.Mean, p.Jitter
		}
	}
	copy(dst, s.stats)
}

// SetGas tells the gauges that care which gas is in the manifold.
func (s *Sampler) SetGas(g gauge.Gas) {
	s.gas = g
	for _, c := range s.chains {
		c.SetGas(g)
	}
}
