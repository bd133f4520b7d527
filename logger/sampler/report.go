package sampler

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"tipoff/calib"
	"tipoff/drivers"
	"tipoff/logger/frame"
)

// forgetter is a source whose device has settings that it can lose.
type forgetter interface{ SettingsLost() int }

const (
	// lossWindow and lossesTold: settings lost that often in that time are no
	// accident any more.
	lossWindow = 10 * time.Second
	lossesTold = 3
	// lossesKept is how many losses are told apart; more are told as that many.
	lossesKept = 64
)

// losses is when a device lost its settings, of late.
type losses struct {
	total uint64
	at    [lossesKept]time.Duration // ring of the latest
	told  int                       // count in the words told last, 0 if well
}

// add takes the device's count as of time at.
func (l *losses) add(total uint64, at time.Duration) {
	for ; l.total < total; l.total++ {
		l.at[l.total%lossesKept] = at
	}
}

// recent counts the losses in the window that ends now.
func (l *losses) recent(now time.Duration) (n int) {
	for n < int(min(l.total, lossesKept)) && now-l.at[(l.total-1-uint64(n))%lossesKept] < lossWindow {
		n++
	}
	return n
}

// report keeps the health registry in step with buses, devices and channels.
func (s *Sampler) report(now time.Duration) {
	for _, b := range s.buses {
		s.reportBus(b, now)
		for _, d := range b.devices {
			s.reportLosses(b, d, now)
		}
	}
	for i := range s.stats {
		s.reportChannel(i, now)
	}
}

func (s *Sampler) reportBus(b *bus, now time.Duration) {
	state, err := b.examine(now)
	if state == b.state {
		return
	}
	b.state = state
	switch state {
	case busWell:
		s.health.Clear(s.kinds.BusFailing, b.name, now)
	case busHung:
		s.health.Set(s.kinds.BusFailing, b.name, "",
			fmt.Sprintf("a transfer of %s has not come back for %v", b.names(), hungAfter),
			"check that no line of the bus is shorted or held; unplug its devices one by one; see docs/wiring", now)
	case busDead:
		hint := "check the supply that its devices share, and the wires of the bus"
		if errors.Is(err, drivers.BusStuck) || errors.Is(err, drivers.BusDisabled) || errors.Is(err, drivers.Permission) {
			hint = drivers.HintOf(err)
		}
		s.health.Set(s.kinds.BusFailing, b.name, "",
			fmt.Sprintf("none of the %d devices on %s answers; %s", len(b.devices), b.name, drivers.Cause(err)), guided(hint, err), now)
	}
}

// names is the device on the bus, or the bus with all of them.
func (b *bus) names() string {
	if len(b.devices) == 1 {
		return b.devices[0].Source.String()
	}
	var all []string
	for _, d := range b.devices {
		all = append(all, d.Source.String())
	}
	return b.name + " (" + strings.Join(all, ", ") + ")"
}

// guided is a hint with the guide that says more, if it names none.
func guided(hint string, err error) string {
	switch {
	case strings.Contains(hint, "docs/"):
		return hint
	case errors.Is(err, drivers.Permission), errors.Is(err, drivers.BusDisabled):
		return hint + "; see docs/install"
	}
	return hint + "; see docs/wiring"
}

// examine tells how the bus is doing; err is the first device's if none works.
func (b *bus) examine(now time.Duration) (state busState, err error) {
	// In this order: a transfer that ends between the two is slow.
	if b.calls.Hang(now, hungAfter) || b.slow.Load() {
		return busHung, nil
	}
	if len(b.devices) < 2 {
		return busWell, nil // that is its device's trouble
	}
	for _, d := range b.devices {
		d.mu.Lock()
		e := d.err
		d.mu.Unlock()
		if e == nil || e == errNotYet {
			return busWell, nil
		}
		if err == nil {
			err = e
		}
	}
	return busDead, err
}

// reportLosses tells of a device that keeps losing its settings, until it has
// kept them for as long as the window is.
func (s *Sampler) reportLosses(b *bus, d *device, now time.Duration) {
	n := d.lost.recent(now)
	switch {
	case n == 0 && d.lost.told > 0:
		d.lost.told = 0
		s.health.Clear(s.kinds.DeviceRestored, d.Source.String(), now)
	case n >= lossesTold && n > d.lost.told:
		d.lost.told = n
		s.health.Set(s.kinds.DeviceRestored, d.Source.String(), b.name,
			fmt.Sprintf("%v lost its settings %d times in %.0f s", d.Source, n, lossWindow.Seconds()),
			"spark coil noise? see docs/wiring", now)
	}
}

func (s *Sampler) reportChannel(i int, now time.Duration) {
	ch, told := &s.layout.Channels[i], &s.told[i]
	kind := s.kinds.ChannelAbsent
	if ch.Optional {
		kind = s.kinds.OptionalAbsent
	}
	s.reportMarks(i, ch, now)
	if s.stats[i].Up {
		if told.absent {
			*told = absence{}
			s.health.Clear(kind, ch.Name, now)
		}
		return
	}
	d := s.owner[i]
	if d == nil {
		return
	}
	d.mu.Lock()
	err := d.err
	d.mu.Unlock()
	q, f := s.quality[i], s.faults[i]
	if told.absent && told.err == err && (err != nil || told.quality == q && told.fault == f) {
		return // the words would be the same
	}
	*told = absence{absent: true, err: err, quality: q, fault: f}
	cause, hint := "no reading", "check plug and cable of "+ch.Device
	switch {
	case err != nil:
		cause = drivers.Cause(err)
		if h := drivers.HintOf(err); h != "" {
			hint = h
		}
	case q&calib.SensorFault != 0 && s.doubts.pulses[i].hangs.now == lost:
		cause = ch.Device + " shows only its terminals' temperature while the arc burns"
		hint = hangingHint
	case q&calib.SensorFault != 0 && f != 0:
		cause, hint = fmt.Sprintf("%s says: %v", ch.Device, f), hintOf(q)
	case q&^calib.NoReading != 0:
		cause = fmt.Sprintf("%s says: %v", ch.Device, q&^calib.NoReading)
		hint = hintOf(q)
	}
	if !strings.Contains(cause, ch.Device) {
		cause = ch.Device + ": " + cause
	}
	s.health.Set(kind, ch.Name, d.Bus, cause, guided(hint, err), now)
}

// lasting are the marks that tell of how a channel is wired and set. The others have
// words of their own, or pass.
const lasting = calib.Clipped | calib.OffMains

// A mark is told when it has stood for markStands without a break, and taken back when
// it has been away for markGone: sparks make it come and go.
const (
	markStands = 2 * time.Second
	markGone   = 10 * time.Second
)

// mark is a lasting mark of a channel.
type mark struct {
	is    bool
	since time.Duration // it is so
	told  bool
}

// reportMarks tells of a reading that is shown and marked.
func (s *Sampler) reportMarks(i int, ch *frame.Channel, now time.Duration) {
	m, q := &s.marks[i], s.quality[i]&lasting
	if is := q != 0 && s.stats[i].Up; is != m.is {
		m.is, m.since = is, now
	}
	switch stands := now - m.since; {
	case m.told && !m.is && stands >= markGone:
		m.told = false
		s.health.Clear(s.kinds.ReadingMarked, ch.Name, now)
	case !m.told && m.is && stands >= markStands:
		m.told = true
		hint := "is the mains frequency in bench.toml right? A frequency converter does this too"
		if q&calib.Clipped != 0 {
			hint = "the value may be less than the truth: take a smaller burden or a transformer with more turns; sparks on the line do this too"
		}
		s.health.Set(s.kinds.ReadingMarked, ch.Name, "", fmt.Sprintf("%s is marked: %v", ch.Device, q), guided(hint, nil), now)
	}
}

// absence is what was told of a channel without a reading.
type absence struct {
	absent  bool
	err     error
	quality calib.Quality
	fault   drivers.Fault
}

// hintOf is what to do about a device that works and has nothing usable to say.
func hintOf(q calib.Quality) string {
	switch {
	case q&calib.SensorFault != 0:
		return "look at the sensor's wires and plug: broken, loose, or touching something"
	case q&calib.Frozen != 0:
		return "the same code too often to be alive: switch the device's supply off and on"
	case q&calib.UnderRange != 0:
		return "the sensor is unplugged or connected the wrong way round, or it measures less than it can tell"
	case q&calib.OverRange != 0:
		return "the sensor is shorted or saturated, or it measures more than it can tell"
	}
	return "look at sensor and wires"
}
