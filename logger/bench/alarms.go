package bench

import (
	"fmt"
	"math"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/logger/alarm"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
)

// ceilingDeadband is how far the glass must fall below its ceiling before the
// alarm's condition is gone, °C. Noise of the sensor is some tenths of a degree.
const ceilingDeadband = 3

// watch knows which alarm belongs to which condition, and the values that the
// conditions need, so that a frame costs no look-ups.
type watch struct {
	overCeiling, nearCeiling           int
	recording, tooFast, current        int
	calibration, sounder               int
	tubeOut, lightGone                 int // of an ageing run
	lost                               [3]int
	role                               [3]frame.Role
	present                            [3]bool
	ceiling                            float64 // °C; NaN if there is none
	isOver                             bool
	peak                               float64 // highest glass since it was over, °C
	rateIndex, currentIndex            int
	seating                            envelope.Seating // as told last
	glass                              string           // the glass channel's name
	formatCeiling, formatLost          func(value, limit float64) string
	formatNear, formatRate, formatAmps func(value, limit float64) string
}

func newWatch(l *frame.Layout, m *alarm.Manager) watch {
	w := watch{
		overCeiling: m.Index(alarm.GlassOverCeiling),
		nearCeiling: m.Index(alarm.GlassNearingCeiling),
		recording:   m.Index(alarm.RecordingFailed),
		tooFast:     m.Index(alarm.HeatingTooFast),
		current:     m.Index(alarm.CurrentOverLimit),
		calibration: m.Index(alarm.CalibrationDue),
		sounder:     m.Index(alarm.SounderFailed),
		tubeOut:     m.Index(alarm.AgeingTubeOut),
		lightGone:   m.Index(alarm.AgeingLightGone),
		lost: [3]int{m.Index(alarm.GlassSensorLost), m.Index(alarm.PressureSensorLost),
			m.Index(alarm.CurrentSensorLost)},
		role:    [3]frame.Role{frame.Glass, frame.Pressure, frame.Current},
		ceiling: math.NaN(), rateIndex: -1, currentIndex: -1,
		formatCeiling: func(v, l float64) string { return fmt.Sprintf("glass up to %.0f °C, ceiling %.0f °C", v, l) },
		formatNear: func(v, l float64) string {
			return fmt.Sprintf("glass reaches its ceiling of %.0f °C in %.0f s", l, v)
		},
		formatLost: func(_, _ float64) string { return "no usable reading" },
		formatRate: func(v, l float64) string { return fmt.Sprintf("glass gains %.1f °C/s, limit %.1f °C/s", v, l) },
		formatAmps: func(v, l float64) string { return fmt.Sprintf("current %.0f mA, limit %.0f mA", 1e3*v, 1e3*l) },
	}
	for i, r := range w.role {
		w.present[i] = l.Index(r) >= 0
	}
	if i := l.Index(frame.Glass); i >= 0 {
		w.glass = l.Channels[i].Name
	}
	return w
}

// setCeiling takes what the alarms need out of the envelope.
func (w *watch) setCeiling(e *envelope.Envelope) {
	w.ceiling, w.rateIndex, w.currentIndex = math.NaN(), -1, -1
	for i := range e.Limits {
		switch l := &e.Limits[i]; l.ID {
		case envelope.GlassCeiling:
			w.ceiling = l.High
		case envelope.HeatingRate:
			w.rateIndex = i
		case envelope.CurrentLimit:
			w.currentIndex = i
		}
	}
}

// raise brings the alarms up to the present frame and the sounder to the
// alarms.
func (b *Bench) raise(at time.Duration) {
	w := &b.watch
	for i, r := range w.role {
		if w.present[i] {
			b.alarms.Set(w.lost[i], !b.frame.Of(b.opt.Layout, r).Good(), at, alarm.Detail{Format: w.formatLost})
		}
	}
	t := b.obs.Glass
	switch {
	case math.IsNaN(t):
		// Unknown: what was true last stays true until there is a reading.
	case t >= w.ceiling:
		if !w.isOver {
			w.isOver, w.peak = true, t
		}
	case !(t > w.ceiling-ceilingDeadband):
		w.isOver = false
	}
	if w.isOver && t > w.peak {
		w.peak = t
	}
	b.alarms.Set(w.overCeiling, w.isOver, at, alarm.Detail{Format: w.formatCeiling, Value: w.peak, Limit: w.ceiling})
	s := b.foresight.State()
	b.alarms.Set(w.nearCeiling, s.Known && s.Near, at,
		alarm.Detail{Format: w.formatNear, Value: s.In.Seconds(), Limit: w.ceiling})

	b.tellSeating(s.Seating, at)

	b.present = b.checker.Now(b.present[:0])
	b.excursion(w.tooFast, w.rateIndex, w.formatRate, at)
	b.excursion(w.current, w.currentIndex, w.formatAmps, at)
	// What is wrong with the logger itself is an alarm where the operator has to
	// do something about it now.
	b.alarms.Set(w.recording, b.health.Present(b.kinds.DiskFailing), at, alarm.Detail{})
	b.alarms.Set(w.sounder, b.health.Present(b.kinds.SounderSilent), at, alarm.Detail{})
	b.alarms.Set(w.calibration, b.health.Present(b.kinds.CalibrationOverdue) || b.health.Present(b.kinds.CalibrationDrifting) ||
		b.health.Present(b.kinds.CertificateUnusable), at, alarm.Detail{})
	ages := b.aging.writer != nil
	b.alarms.Set(w.tubeOut, ages && b.aging.reducer.Dark(), at, alarm.Detail{})
	b.alarms.Set(w.lightGone, ages && b.aging.reducer.Dim(), at, alarm.Detail{})
	b.alarms.Step(at)
	b.sound.set(b.alarms.Pattern())
	b.tellSounders(at)
}

// tellSeating tells of a thermocouple that does not see the glass.
func (b *Bench) tellSeating(s envelope.Seating, at time.Duration) {
	w := &b.watch
	if s == w.seating || w.glass == "" {
		return
	}
	w.seating = s
	switch s {
	case envelope.Off:
		b.health.Set(b.kinds.GlassUnseen, w.glass, "", "the arc burns and the glass reading sees nothing of it",
			"has the thermocouple fallen off the glass? Until it is back the glass may be hotter than shown; see docs/wiring", at)
	case envelope.Loose:
		b.health.Set(b.kinds.GlassUnseen, w.glass, "", "the glass reading rises less than this arc must heat the tube",
			"is the thermocouple tied on well? Until it is the glass may be hotter than shown; see docs/wiring", at)
	default:
		b.health.Clear(b.kinds.GlassUnseen, w.glass, at)
	}
}

// tellSounders tells of each output that does not work.
func (b *Bench) tellSounders(at time.Duration) {
	for _, o := range b.sound.outs {
		err := o.failure(at)
		if err == nil {
			b.health.Clear(b.kinds.SounderSilent, o.Name, at)
			continue
		}
		hint := drivers.HintOf(err)
		if hint == "" {
			hint = "check the sounder's line and wiring; watch the page meanwhile"
		}
		if !strings.Contains(hint, "docs/") {
			hint += "; see docs/sounders"
		}
		cause := drivers.Cause(err)
		if !strings.Contains(cause, o.Name) {
			cause = o.Name + ": " + cause
		}
		b.health.Set(b.kinds.SounderSilent, o.Name, "", cause, hint, at)
	}
}

// excursion sets an alarm from the verdict on one limit of the envelope.
func (b *Bench) excursion(alarmIndex, limit int, format func(v, l float64) string, at time.Duration) {
	var active bool
	var d alarm.Detail
	for i := range b.present {
		if p := &b.present[i]; p.Index == limit && p.Verdict == envelope.Outside {
			l := &b.envelope.Limits[limit]
			if p.Value > l.High {
				active, d = true, alarm.Detail{Format: format, Value: p.Value, Limit: l.High}
			}
		}
	}
	b.alarms.Set(alarmIndex, active, at, d)
}

// alarmChanged writes an alarm's change into the run and the log. It is called
// on the goroutine that caused it, with mu held.
func (b *Bench) alarmChanged(c alarm.Change) {
	kind := journal.AlarmCleared
	switch c.To {
	case alarm.Unacknowledged:
		kind = journal.AlarmRaised
		b.log.Warn(c.Definition.Title, "alarm", c.Definition.ID, "detail", c.Detail, "do", c.Definition.Response)
	case alarm.Acknowledged:
		kind = journal.AlarmAcked
	case alarm.LatchedUnack, alarm.ReturnedUnack:
		kind = journal.AlarmCleared
	case alarm.Normal:
		if c.From == alarm.ReturnedUnack || c.From == alarm.LatchedUnack {
			kind = journal.AlarmAcked // it had been cleared before
		}
	default:
		kind = journal.Note
	}
	e := journal.Event{At: c.At, Kind: kind, ID: c.Definition.ID, Text: c.Detail}
	b.run.event(e)
	if b.aging.writer != nil {
		b.aging.writer.Event(e)
	}
}
