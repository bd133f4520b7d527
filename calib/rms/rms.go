// Package rms measures the true RMS of a mains-frequency current waveform from
// time-stamped samples.
//
// The frequency is found from the signal: it crosses its mean, and the edge of a
// half cycle is where it leaves a band of hysteresis about the mean on the other
// side, by linear interpolation. (The mean itself would not do: phase-cut current
// rests on it.) The mean square is taken over whole cycles, with the
// parts of a sample interval before and after a crossing counted exactly; any
// DC offset (a converter's bias) drops out. Terms of IEC 61000-4-30: the RMS of
// one cycle refreshed each half cycle, and the RMS of 10 (50 Hz) or 12 (60 Hz)
// cycles, about 200 ms. Without a signal there are no cycles; then the RMS of a
// plain 200 ms window tells the noise within that time.
//
// Harmonics steeper than the fundamental make a waveform cross its mean several times
// each half cycle, and which crossing ends it depends on the samples: the ends of a window
// may then be no whole cycles apart. That shows in the cycles' lengths; the window is
// brought to whole cycles of the mains as the last second had them, which leaves 0.03 %
// instead of 0.2 % at 4 kS/s unless they look like edges, and is part of [Reading].Alias
// (TestHarmonics).
//
// # Edges
//
// A sudden edge (phase-cut or restriking current) between two samples can be
// placed no better than the interval T between them. It is a step E² of the
// squared waveform; the trapezoid puts it in the middle of its interval, so that
// ∫y² is off by (θ - ½)·T·E², with its place θ anywhere from 0 to 1: a standard
// uncertainty of T·E²/√12 an edge. Edges recur each half cycle, so their places
// go together. With a whole number of samples to the half cycle they are all the
// same: then the RMS is off by up to E²·T/(4·RMS·half cycle). An ideal edge at the
// crest (a sine cut at 90°) in one 200 ms window at 50 Hz thus allows ±2.5 % at
// 4 kS/s and ±12 % at 860 S/s in that worst case, about a fifth of it where the
// places differ. [Reading].Alias is this as a standard uncertainty, with E² found
// in the samples (how far a step of y² lies off its neighbours) and the places by
// the frequency; see places. It is no less than for places independent of each
// other.
//
// From fineEnough samples to the half cycle on (4 kS/s) more can be done. The current
// comes back to zero at one phase of the mains, whatever its edge did; these zeros,
// of the sine through the samples next to rest, are the mains' phase, which may
// drift. Steady firing has its edges at one distance from them, and each edge lies
// between two known samples: where the samples' places change from one edge to the
// next, all those gaps together leave the edge little room, as a vernier does. What is
// known of that distance is carried on from window to window, see firing; so is the
// sine's size, see sinusoid. What lies between an edge and its next sample is then taken
// from the sine after it. A window whose own edges say otherwise goes by itself.
//
// Samples locked to the mains have one place for all edges, and nobody could do
// better than above: different waveforms then have the same samples
// (TestSynchronousProof), and Alias covers them all. So sampling must not lock, and
// no steady rate is safe: any has mains frequencies at which edges fall at few places.
// The mcp3208 driver moves its samples by part of their spacing each 10 ms, by a
// sequence that spreads the places at every frequency, and stamps them so.
//
// With that, and noise of up to two codes of 12 bits (0.1 % of the uncut peak), jitter
// and drift (TestPhaseCutStaggered): after 3 s of steady firing a reading of 10 or 12
// cycles is within 0.2 % of itself to a firing angle of 140°, 95 % of readings to 150°
// and within 0.3 % to 160°. The mean square of 3 s (150 or 180 cycles) is within 0.2 %
// to 150°, 95 % of them to 160°. To 175° a reading is within 0.2 % of full scale,
// the current that the same choke gives uncut, which is how IEC 61000-4-30 states the
// limits of an RMS (beyond, of pulses shorter than a sample, one in a thousand was off by
// up to 0.35 %). Near 180° it is the edge's place that counts: at 160° a microsecond
// is 0.13 % of the RMS, and what 300 edges between samples leave open is 1.2 µs in 95 %
// (TestPlaceBound), so that 0.2 % of such readings cannot be had beyond.
//
// Readings of the first second, and those after a change of the firing, know their own
// window and little more: up to 0.6 % of full scale, which Alias says. A change that is
// less than the room a window leaves shows within a second or two (TestFiringMoves).
//
// Pulses of about one sample (beyond 174°) are averaged over up to 1.2 s of steady
// current; Start tells.
//
// A filter that gives the edge a slope makes it easier: band-limited to under half
// the rate, 2 kHz at 4 kS/s, the error is under 0.2 % at every angle and frequency;
// Alias, which cannot know, stays larger.
package rms

import (
	"math"
	"time"
)

// Options of a meter.
type Options struct {
	Mains float64 // nominal mains frequency, Hz; 50 or 60; 0 means 50
	// Rate is the nominal samples per second, 0 if unknown; missing samples are
	// noticed by it.
	Rate float64
	// ClipLow and ClipHigh are the rails of x; a value at or beyond one is
	// clipped. Both 0: no rails known.
	ClipLow, ClipHigh float64
	// Floor is the swing about the mean below which nothing counts as a signal,
	// in the unit of x; 0 means whatever crosses.
	Floor float64
}

// Reading is an RMS over a window.
type Reading struct {
	RMS          float64 // unit of x, DC removed
	Mean         float64 // unit of x: the DC offset
	Peak         float64 // largest distance from the mean
	Frequency    float64 // Hz; 0 without whole cycles
	Cycles       float64 // whole cycles in the window; 0: plain window
	Start, End   time.Duration
	Clipped      bool // a sample was at a rail: RMS is too low
	Undersampled bool // fewer than 8 samples per cycle, a hole, or (over cycles) Alias above 1 % of RMS
	// Alias is the standard uncertainty of RMS, in its unit, by what the waveform
	// may do between the samples; see the package's "Edges".
	Alias    float64
	Interval time.Duration // mean time between samples
	Jitter   time.Duration // standard deviation of the times between samples
}

// Crest is peak over RMS, NaN without a signal.
func (r Reading) Crest() float64 {
	if r.RMS == 0 {
		return math.NaN()
	}
	return r.Peak / r.RMS
}

// ring is the segments kept and the open one, a power of two; 200 ms hold at most
// 41, what is more serves short pulses.
const ring = 256

// Meter measures one waveform. The zero Meter is not usable; see [New]. It is
// used by one goroutine and allocates nothing after New.
type Meter struct {
	opt    Options
	half   float64       // nominal half cycle, ns
	halves uint64        // of them in 200 ms, even
	maxGap time.Duration // between samples that is a hole
	begun  bool
	origin time.Duration
	last   time.Duration // time of the last sample
	step   time.Duration // from the one before; 0: none
	steep  float64       // per ns and hysteresis: steeper is an edge
	past   [3]float64    // last samples, latest first; NaN: none
	level  float64
	h      float64 // hysteresis; 0 until a level is known
	// look tells that edges are looked for in the open segment: in every 17th, which
	// takes both polarities in turn and places between samples that differ.
	look    bool
	rest    float64  // where the current rests before edges, smoothed
	up      bool     // which side of the level the signal is on
	tail    bool     // the open segment began with a sudden edge and is not back at rest
	open    *segment // the one being filled, in segs
	segs    [ring]segment
	firing  firing
	shape   sinusoid
	turn    float64 // the half cycle of current with edges, smoothed, ns
	omega   float64 // π/turn
	count   uint64  // segments closed so far
	crossed bool    // the open segment began at a crossing
}

// New makes a meter.
func New(o Options) *Meter {
	if o.Mains == 0 {
		o.Mains = 50
	}
	m := &Meter{opt: o, h: math.Inf(1), half: 0.5e9 / o.Mains, maxGap: time.Duration(0.3e9 / o.Mains)}
	m.turn, m.omega = m.half, math.Pi/m.half
	m.steep = steepest * math.Pi / m.half
	m.halves = 2 * max(2, uint64(math.Round(0.1e9/m.half)))
	if o.Rate > 0 {
		m.maxGap = time.Duration(1.8e9 / o.Rate)
	}
	m.open = &m.segs[0]
	return m
}

// Push adds the sample x taken at time at. Samples that do not come later than
// the one before are left out, and values that are no measurement: NaN, and those
// beyond ±1e70, of which sums and the level would never be finite again.
func (m *Meter) Push(at time.Duration, x float64) {
	if !m.begun {
		m.begin(at, x)
		return
	}
	k := int64(at - m.last)
	if k <= 0 || !(math.Abs(x) <= largest) {
		return
	}
	dt := float64(k)
	y, py := x-m.level, m.past[0]-m.level
	o := m.open
	if at-m.last > m.maxGap {
		if dt > m.half {
			m.restart(at, x)
			return
		}
		o.hole = true
	}
	o.t += dt
	o.s1 += 0.5 * dt * (y + py)
	o.s2 += 0.5 * dt * (y*y + py*py)
	if !same(time.Duration(k), m.step) {
		m.change(k, y, py)
	}
	o.raw += k
	o.tt += k * k
	o.n++
	if m.look {
		one := [1]float64{x}
		o.edge = m.edges(one[:], o.edge)
	}
	if m.tail && (m.up && y < m.h || !m.up && y > -m.h) {
		m.fall(k, x)
	}
	m.past[2], m.past[1], m.past[0] = m.past[1], m.past[0], x
	o.widen(x)
	m.step, m.last = time.Duration(k), at
	if o.n == 2 {
		o.second(at-m.origin, x)
	}
	if m.up {
		if y < -m.h {
			m.flip(dt, y, py, -m.h)
		}
	} else if y > m.h {
		m.flip(dt, y, py, m.h)
	}
	if o.t > 2*m.half {
		m.cut()
	}
}

// largest is the value up to which one is taken for a measurement.
const largest = 1e70

func (m *Meter) begin(at time.Duration, x float64) {
	if !(math.Abs(x) <= largest) {
		return
	}
	m.begun, m.origin, m.last, m.level, m.look = true, at, at, x, true
	m.past = [...]float64{x, math.NaN(), math.NaN()}
	m.h = math.Inf(1) // no crossing before a mean is known
	*m.open = segment{level: x, min: x, max: x}
}

// restart forgets the windows after a stretch so long without samples that
// nobody knows what went on in it.
func (m *Meter) restart(at time.Duration, x float64) {
	m.count, m.crossed, m.tail, m.look = 0, false, false, true
	m.firing = firing{}
	m.last, m.step, m.up = at, 0, x > m.level
	m.past = [...]float64{x, math.NaN(), math.NaN()}
	m.open = &m.segs[0]
	*m.open = segment{level: m.level, min: x, max: x}
}

// at is the i-th last segment.
func (m *Meter) at(i uint64) *segment { return &m.segs[(m.count-1-i)%ring] }

// sum makes a reading of the last n segments, and the open one if asked.
func (m *Meter) sum(n uint64, withOpen bool) (Reading, window) {
	n = min(n, m.count, ring-1)
	level := m.level
	var t, s1, s2 float64 // moments about level
	var squares float64   // Σ of squared edges
	lo, hi := math.Inf(1), math.Inf(-1)
	var raw, tt int64
	samples, whole := 0, 0
	hole := false
	i := m.count - n
	end := m.count
	if withOpen {
		end++
	}
	for ; i < end; i++ {
		s := &m.segs[i%ring]
		e := s.level - level
		t += s.t
		s1 += s.s1 + e*s.t
		s2 += s.s2 + e*(2*s.s1+e*s.t)
		if s.min < lo {
			lo = s.min
		}
		if s.max > hi {
			hi = s.max
		}
		samples += s.n
		squares += s.edge
		raw += s.raw
		tt += s.tt
		if s.whole {
			whole++
		}
		hole = hole || s.hole
	}
	if !(t > 0) {
		return Reading{RMS: math.NaN(), Mean: math.NaN(), Peak: math.NaN()}, window{}
	}
	off := s1 / t
	mean := level + off
	r := Reading{RMS: math.Sqrt(max(0, s2/t-off*off)), Mean: mean, Peak: max(hi-mean, mean-lo)}
	last := float64(m.last - m.origin)
	if !withOpen && n > 0 {
		last = m.at(0).end
	}
	r.End = m.origin + time.Duration(last)
	r.Start = m.origin + time.Duration(last-t)
	if m.opt.ClipLow != m.opt.ClipHigh {
		slack := 1e-9 * (m.opt.ClipHigh - m.opt.ClipLow) // PushAll rounds peaks
		r.Clipped = lo <= m.opt.ClipLow+slack || hi >= m.opt.ClipHigh-slack
	}
	r.Undersampled = hole || float64(samples)*2*m.half < 8*t
	r.Interval, r.Jitter = spacing(raw, tt, samples)
	return r, window{0.25 * squares, int(end - (m.count - n)), whole, t, float64(raw) / float64(samples)}
}

// whole tells whether the last n segments are half cycles between crossings of
// a frequency within 15 % of the mains'.
func (m *Meter) whole(n uint64) bool {
	// The last crossing must not be so long ago that the signal has gone.
	return m.count >= n && m.at(0).run >= n && m.open.t < 1.6*m.half
}

// HalfCycle is the RMS over the last whole cycle, refreshed at each half cycle
// (Urms(1/2) of IEC 61000-4-30); End tells one from the next. It is false
// while there are no cycles.
func (m *Meter) HalfCycle() (Reading, bool) {
	if !m.whole(2) {
		return Reading{}, false
	}
	r, w := m.sum(2, false)
	r.Alias = w.alias(r.RMS, true)
	m.cycles(&r, 2, w.t)
	return r, true
}

// RMS200 is the RMS over the last 10 cycles at 50 Hz or 12 at 60 Hz; over a
// plain window of 200 ms up to now while there are no such cycles. It is false
// before 200 ms have been seen.
func (m *Meter) RMS200() (Reading, bool) {
	n := m.halves
	if m.whole(n) {
		r, w := m.sum(n, false)
		fine := r
		placed := m.refine(&fine, n, w.t)
		brief := r.Peak > briefCrest*r.RMS
		if !placed || brief {
			r.Alias = w.alias(r.RMS, true)
			r.Alias = math.Hypot(r.Alias, m.ends(&r, n, w.t))
		}
		// Of pulses of about a sample the zeros may mislead: what is far from all that
		// the samples by themselves allow, or less certain, is not taken.
		if placed && !(brief && (math.Abs(fine.RMS-r.RMS) > 2*r.Alias || fine.Alias > r.Alias)) {
			r = fine
		} else {
			m.pulses(&r)
		}
		m.cycles(&r, n, w.t)
		return r, true
	}
	r, w := m.sum(m.back(0.199e9), true)
	r.Alias = w.alias(r.RMS, false)
	m.pulses(&r)
	return r, w.t >= 0.199e9
}

// back is how many segments before the open one it takes to see t ns.
func (m *Meter) back(t float64) (k uint64) {
	for t -= m.open.t; k < min(m.count, ring-1) && t > 0; k++ {
		t -= m.at(k).t
	}
	return k
}

// pulseCrest is the crest factor of a sine cut at about 162°, whose pulses of 18°
// are three or four samples long at 4 kS/s.
const pulseCrest = 5.5

// briefCrest is that of a sine cut at about 173°, whose pulses are a sample and a half
// long at 4 kS/s.
const briefCrest = 8.5

// pulses takes a reading of pulses so short that few samples fall in one over up to
// 1.2 s, as long as what comes in is as much as before: how many samples find a pulse,
// and where, is chance, by a fifth of the mean square in 200 ms of pulses of 5°.
// Start tells.
func (m *Meter) pulses(r *Reading) {
	now := r.RMS * r.RMS
	for t := 0.399e9; t < 1.2e9 && r.Peak > pulseCrest*r.RMS; t += 0.2e9 {
		v, w := m.sum(m.back(t), true)
		if was := v.RMS * v.RMS; w.t < t || !(was < 2*now) || !(now < 2*was) {
			return
		}
		r.RMS, r.Start, r.Alias = v.RMS, v.Start, w.alias(v.RMS, false)
	}
}

// cycles completes a reading over whole cycles. Noise alone has edges too, so
// only there do they tell of a waveform that is sampled too slowly.
func (m *Meter) cycles(r *Reading, halves uint64, t float64) {
	r.Cycles = float64(halves) / 2
	r.Undersampled = r.Undersampled || r.Alias > tooCoarse*r.RMS
	if r.Frequency == 0 {
		r.Frequency = r.Cycles / (t * 1e-9)
	}
}
