package drift

import (
	"fmt"
	"math"
	"time"

	"tipoff/calib"
	"tipoff/calib/reference"
	"tipoff/calib/unit"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// room compares a thermocouple at rest with the room: with an ambient channel
// where there is one, else with the chip's own cold junction, which is a little
// warmer. The cold junction's own error is in both readings and drops out.
//
// How far the seating lets the junction differ from the glass does not count
// here: at rest they are equal.
func (w *Watch) room(i int, at time.Duration, f *frame.Frame, now Now, sound bool) {
	ch := &w.ch[i]
	c := &ch.is[Room]
	r := &f.Readings[i]
	if w.idle < 0 || !sound {
		c.at.n = 0
		return
	}
	room, uRoom := math.NaN(), 0.0
	if k := w.layout.Index(frame.Ambient); k >= 0 && f.Readings[k].Value.Good() {
		v := f.Readings[k].Value
		room, uRoom = v.X, w.own(k, v.X, v.U, now)
	} else if ch.in.AuxScale != 0 {
		room, uRoom = ch.in.AuxScale*r.Aux-boxWarmth/2, rectangular(boxWarmth/2)
	}
	d := r.Value.X - room
	if d != d {
		return // no sample in this frame, or nothing to compare with
	}
	mean, ok := c.at.add(at, d, restMoves, restFor)
	if !ok || !w.due(c, at) {
		return
	}
	tolerance := ch.in.Tolerance
	if tolerance == 0 {
		tolerance = UsualTolerance
	}
	x := r.Value.X
	u := math.Hypot(w.own(i, x, math.Hypot(r.Indicated.U, rectangular(tolerance)), now), uRoom)
	w.judge(c, at, mean, u, Strikes, func() string {
		return fmt.Sprintf("reads %s than the room (%.1f °C) while the tube is cold; ± %.1f K would be within what is left open", moreOrLess(mean, "%.1f K"), x-mean, 2*u)
	})
}

// moreOrLess is a difference in words.
func moreOrLess(x float64, format string) string {
	if x < 0 {
		return fmt.Sprintf(format, -x) + " less"
	}
	return fmt.Sprintf(format, x) + " more"
}

// vented compares a gauge on a vented manifold with the atmosphere, which is
// known about as well as the weather changes: by the barometer of its certificate,
// else by the altitude of the bench. A calibrated gauge is told at once, as what
// it may be off by is known well; of another the data sheet's limits are believed
// twice before.
func (w *Watch) vented(i int, at time.Duration, v calib.Value, now Now, sound bool) {
	ch := &w.ch[i]
	c := &ch.is[Atmosphere]
	air, by, need := w.air, "the bench's altitude", Strikes
	if ch.cert != nil {
		need = 1
		if ch.cert.Barometer > 0 {
			air, by = ch.cert.Barometer, "its certificate's barometer"
		}
	}
	if !(air > 0) {
		return
	}
	u := w.own(i, v.X, v.U, now)
	if now.Phase != phase.Idle || !sound || math.Abs(v.X-air) > ventNear*air+2*u {
		c.at.n = 0
		return
	}
	// A noisy gauge is at rest too: what it is in doubt by is no motion, and a mean
	// that is off by a part of that is not told.
	mean, ok := c.at.add(at, v.X, ventMoves*air+2*u, ventFor)
	if !ok || need > 1 && !w.due(c, at) {
		return
	}
	u = math.Hypot(u, rectangular(reference.WeatherSpread))
	w.judge(c, at, mean-air, u, need, func() string {
		return fmt.Sprintf("shows %.0f hPa at the atmosphere, where %.0f hPa ± %.0f hPa is expected by %s and the weather since",
			mean/100, air/100, 2*u/100, by)
	})
}

// arcOff compares a current without an arc with nothing. A reading that would be
// an arc is none of its business. Beside the value, the middle at which the input
// rests must be where it was built to be: an RMS does not see it, but large
// currents are cut off on one side.
func (w *Watch) arcOff(i int, at time.Duration, r *frame.Reading, sound bool) {
	ch := &w.ch[i]
	c := &ch.is[ArcOff]
	v := r.Value
	if w.idle < 0 || !sound || v.X > arcAmps || !(v.U > 0) {
		c.at.n, ch.bias.n = 0, 0
		return
	}
	bias := ch.in.Bias
	shift, known := 0.0, bias != 0 && r.Raw == r.Raw
	if known {
		shift, known = ch.bias.add(at, ch.in.Scale*(r.Raw+ch.in.Offset)-bias, 0.2*math.Abs(bias), arcOffFor)
	}
	mean, ok := c.at.add(at, v.X, 2*v.U+idleAmps, arcOffFor)
	if !ok || !w.due(c, at) {
		return
	}
	if known && math.Abs(shift) > biasMoves*math.Abs(bias) && math.Abs(mean) <= 2*v.U {
		// Told as if it were that part of the uncertainty, so that it counts as off.
		w.judge(c, at, math.Copysign(2*v.U*math.Abs(shift/bias)/biasMoves, shift), v.U, Strikes, func() string {
			return fmt.Sprintf("its input rests at %.3g V without current, where %.3g V was said: a large current is cut off on one side", bias+shift, bias)
		})
		return
	}
	w.judge(c, at, mean, v.U, Strikes, func() string {
		return fmt.Sprintf("reads %.1f mA with the arc off; ± %.1f mA would be within what is left open", 1e3*mean, 2e3*v.U)
	})
}

// biasMoves is by what part the middle of a current's input may be off: two 1 %
// resistors and a reference of some per cent (our estimate).
const biasMoves = 0.05

// meters compares two channels of the current in the arc, such as one on the
// midpoint and one on the primary side. The one that knows itself less well is told.
func (w *Watch) meters(p *pair, at time.Duration, f *frame.Frame, now Now) {
	a, b := f.Readings[p.a].Value, f.Readings[p.b].Value
	if !both(a, b) || !(a.X > arcAmps) || !(b.X > arcAmps/2) {
		p.at.n = 0
		return
	}
	level, by, ok := p.at.addBoth(at, a.X, b.X-a.X, arcMoves*a.X, arcFor)
	if !ok {
		return
	}
	w.compare(p, at, OtherMeter, level, by, a, b, now)
}

// gauges compares two gauges where the gas is at rest and both can tell.
func (w *Watch) gauges(p *pair, at time.Duration, f *frame.Frame, now Now, arc bool) {
	a, b := f.Readings[p.a].Value, f.Readings[p.b].Value
	within := func(i int) bool {
		return w.layout.Channels[i].Range.Weight(f.Readings[i].Indicated.X) > 0
	}
	if arc || !both(a, b) || !within(p.a) || !within(p.b) {
		p.at.n = 0
		return
	}
	fine := a
	if b.U < a.U {
		fine = b
	}
	level, by, ok := p.at.addBoth(at, fine.X, b.X-a.X, gaugeMoves*math.Abs(fine.X)+2*fine.U, gaugeFor)
	if !ok {
		return
	}
	w.compare(p, at, OtherGauge, level, by, a, b, now)
}

func both(a, b calib.Value) bool {
	return a.Good() && b.Good() && (a.Q|b.Q)&calib.Suspect == 0 && a.U > 0 && b.U > 0
}

// compare judges two channels that differ by b - a.
func (w *Watch) compare(p *pair, at time.Duration, against Against, level, by float64, a, b calib.Value, now Now) {
	told, other, offset := p.b, p.a, by
	ua, ub := w.own(p.a, a.X, a.U, now), w.own(p.b, b.X, b.U, now)
	if ua > ub {
		told, other, offset = p.a, p.b, -by
	}
	c := &w.ch[told].is[against]
	if !w.due(c, at) {
		return
	}
	u := math.Hypot(ua, ub)
	w.judge(c, at, offset, u, Strikes, func() string {
		d := unit.Pressure
		if against == OtherMeter {
			d = unit.Current
		}
		more := "more"
		if offset < 0 {
			more = "less"
		}
		return fmt.Sprintf("reads %s %s than channel %s at %s; ± %s would be within what is left open",
			amount(math.Abs(offset), d), more, w.layout.Channels[other].Name, amount(level, d), amount(2*u, d))
	})
}

// amount is a pressure or current in the trade's units.
func amount(x float64, d unit.Dimension) string {
	if d == unit.Current {
		return fmt.Sprintf("%.4g mA", 1e3*x)
	}
	if math.Abs(x) < unit.Torr/10 {
		return fmt.Sprintf("%.3g micron", x/unit.Micron)
	}
	return fmt.Sprintf("%.4g Torr", x/unit.Torr)
}

// base keeps the lowest pressure at rest of a run, and whether another gauge could
// tell the base better than this one's past.
func (w *Watch) base(i int, at time.Duration, f *frame.Frame, sound bool) {
	ch := &w.ch[i]
	v := f.Readings[i].Value
	if !w.inRun || !sound || !(v.U > 0) {
		ch.base.n = 0
		return
	}
	mean, ok := ch.base.add(at, v.X, 0.1*math.Abs(v.X)+2*v.U, gaugeFor)
	if !ok || mean >= ch.low.X {
		return
	}
	ch.low, ch.alone = calib.Value{X: mean, U: v.U}, true
	for k := range w.ch {
		if o := f.Readings[k].Value; k != i && w.layout.Channels[k].Role == frame.Pressure && o.Good() && o.U > 0 {
			ch.alone = false
		}
	}
}

// judgeBase compares the base of the run that has ended with the gauge's best one.
func (w *Watch) judgeBase(at time.Duration) {
	for i := range w.ch {
		ch := &w.ch[i]
		c := &ch.is[BestBase]
		low := ch.low
		if !w.pumped || low.X != low.X || !ch.alone {
			continue
		}
		if below := low.X < -2*low.U; below {
			w.judge(c, at, low.X, low.U, Strikes, func() string {
				return fmt.Sprintf("reads %s at base, below nothing: its zero has moved", amount(low.X, unit.Pressure))
			})
			continue
		}
		if c.bestU == 0 {
			c.best, c.bestU, w.dirty = low.X, low.U, true
			continue
		}
		offset, u := low.X-c.best, math.Hypot(low.U, c.bestU)
		// A base is never twice the same, and most of it is the tube's: what is less
		// than some times the best is no news.
		u = math.Max(u, (baseFactor-1)/2*math.Max(c.best, c.bestU))
		w.judge(c, at, math.Max(0, offset), u, Strikes, func() string {
			return fmt.Sprintf("reads %s at base, where it has read %s; either its zero has moved, or pump or joints have grown worse",
				amount(low.X, unit.Pressure), amount(c.best, unit.Pressure))
		})
		if low.X < c.best {
			c.best, c.bestU = low.X, low.U
		}
	}
}
