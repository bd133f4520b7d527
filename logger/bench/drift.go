package bench

import (
	"time"

	"tipoff/calib/chain"
	"tipoff/calib/thermocouple"
	"tipoff/logger/drift"
	"tipoff/logger/frame"
	"tipoff/logger/status"
)

// roomTemperature is where a thermocouple's wire is at rest, °C, near enough for
// its class.
const roomTemperature = 20.0

// restOf is what a check at rest needs to know of a channel.
func restOf(s chain.Spec, in chain.Input) drift.Input {
	out := drift.Input{AuxScale: in.AuxScale}
	switch s.Kind {
	case chain.SpecThermocouple:
		class, err := thermocouple.ParseClass(s.Params.Class)
		typ := thermocouple.Type(in.Type)
		if s.Params.Type != 0 {
			typ = thermocouple.Type(s.Params.Type)
		}
		if err == nil && class != thermocouple.NoClass {
			// A class that says nothing of room temperature leaves 0: not known.
			out.Tolerance, _ = typ.Tolerance(class, roomTemperature)
		}
	case chain.SpecCurrent:
		out.Bias, out.Scale, out.Offset = s.Params.Bias, in.Scale, in.Offset
	}
	return out
}

// loadDrift takes back what was seen before the board was switched off.
func (c *Calibrations) loadDrift() {
	if c.store != "" {
		c.driftErr = c.watch.Load(c.store)
	}
	c.watch.Changed() // nothing new
}

// checkCertificates tells, at least once a minute, of calibrations past their date
// and of channels that drift. b.mu is held.
func (b *Bench) checkCertificates(at time.Duration) {
	c := b.opt.Calibrations
	if c == nil {
		return
	}
	news := b.frame.Seq%600 == 1
	if b.frame.Seq%10 == 5 {
		wall, known := b.opt.Clock.Wall()
		now := drift.Now{Phase: b.state.Phase, InRun: b.state.InRun, Wall: wall, Known: known}
		news = c.watch.Step(at, &b.frame, now) || news
		if c.watch.Changed() && c.store != "" {
			text := c.watch.Encode()
			c.toKeep.Store(&text)
			b.closing.Go(b.keepDrift)
		}
	}
	if news {
		b.judgeCertificates(at)
	}
}

// keepDrift writes what was seen of drift. It runs beside the engine, which must
// not wait for a disk.
func (b *Bench) keepDrift() {
	c := b.opt.Calibrations
	c.keeping.Lock()
	defer c.keeping.Unlock()
	text := c.toKeep.Swap(nil)
	if text == nil {
		return // somebody else has written it
	}
	if err := drift.Save(c.store, *text); err != nil {
		b.log.Warn("drift", "error", err)
	}
}

// drift says how a channel drifts and what to do, "" if it does not as far as is
// known.
func (c *Calibrations) drift(i int) (why, do string) {
	if why, do = c.watch.Drift(i); why != "" {
		return why, do
	}
	const again = "look for the reason and calibrate again soon"
	ch := &c.channels[i]
	switch {
	case ch.value != nil && ch.value.Drifting:
		return "had moved by more than the uncertainties of both calibrations when it was calibrated last", again
	case ch.lag != nil && ch.lag.Drifting:
		return "its time constant had changed by more than the uncertainties of both calibrations when it was found last", again
	}
	if ch.role == frame.Glass.String() {
		since := time.Time{}
		if ch.value != nil {
			since = ch.value.Date
		}
		if why = drift.Gain(c.heated, since); why != "" {
			return why, drift.GainHint
		}
	}
	return "", ""
}

// Heated tells how the arc heated the glass in the last runs, oldest first, by which a
// glass reading whose gain drifts is found.
func (b *Bench) Heated(runs []drift.Heated) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if c := b.opt.Calibrations; c != nil {
		c.heated = runs
	}
}

// DriftOf says how a channel drifts, in words; "" if it does not as far as is known.
func (b *Bench) DriftOf(channel string) string {
	b.mu.Lock()
	defer b.mu.Unlock()
	if c := b.opt.Calibrations; c != nil {
		for i := range c.channels {
			if c.channels[i].name == channel {
				why, _ := c.drift(i)
				return why
			}
		}
	}
	return ""
}

// drifts are the checks of a channel that have been made.
func (c *Calibrations) drifts(i int) (out []status.Drift) {
	for _, a := range drift.All() {
		if f := c.watch.Finding(i, a); f.Known {
			out = append(out, status.Drift{Against: a.String(), Offset: f.Offset, U: f.U, Drifts: f.Drifts})
		}
	}
	return out
}
