package bench

import (
	"fmt"
	"time"

	"tipoff/logger/frame"
	"tipoff/logger/journal"
)

// contact is one switch on the bench.
type contact struct {
	index   int // of its channel
	purpose frame.Purpose
	known   bool // closed is known
	closed  bool
	since   time.Duration // when it became what it is
	jammed  bool          // a button that was held too long, until it has been let go of
}

const (
	// heldFor is how long nobody holds a button on purpose.
	heldFor = 10 * time.Second
	// letGo is how long a button that was jammed must be open to be believed again:
	// a contact that is going bad opens for a moment when the bench is knocked.
	letGo = time.Second
)

func newContacts(l *frame.Layout) (all []contact) {
	for i := range l.Channels {
		if l.Channels[i].Role == frame.Contact {
			all = append(all, contact{index: i, purpose: l.Channels[i].Purpose})
		}
	}
	return all
}

// followContacts acknowledges alarms by the bench's button and notes what other
// switches do in the run. b.mu is held.
//
// Only a press counts, not a button that is held: one that is stuck must not
// silence what comes later, and is told of. A press shorter than a frame is seen
// all the same, because a contact's value is the share of the frame for which it
// was closed.
func (b *Bench) followContacts(at time.Duration) {
	for i := range b.contacts {
		c := &b.contacts[i]
		v := b.frame.Readings[c.index].Value
		if !v.Good() {
			c.known = false // it may come back closed, which is no press
			continue
		}
		was, knew := c.closed, c.known
		c.closed, c.known = v.X > 0, true
		changed := !knew || was != c.closed
		if changed {
			c.since = at
		}
		ch := &b.opt.Layout.Channels[c.index]
		if c.purpose == frame.AcknowledgeButton {
			b.followJam(c, ch, at)
		}
		if !knew || !changed {
			continue
		}
		if c.purpose == frame.AcknowledgeButton {
			if c.closed && !c.jammed {
				b.log.Info("alarms acknowledged at the bench", "button", ch.Name)
				if err := b.acknowledge("", at); err != nil {
					b.log.Error("acknowledging alarms", "button", ch.Name, "error", err)
				}
			}
			continue
		}
		text := "opened"
		if c.closed {
			text = "closed"
		}
		switch {
		case c.purpose == frame.Torch && c.closed:
			text = "torch in use"
		case c.purpose == frame.Torch:
			text = "torch put back"
		case c.purpose != frame.NoPurpose:
			text = c.purpose.String() + " " + text
		}
		b.run.event(journal.Event{At: at, Kind: journal.Note, ID: ch.Name, Text: text})
	}
}

// followJam tells of a button that stays pressed. b.mu is held.
func (b *Bench) followJam(c *contact, ch *frame.Channel, at time.Duration) {
	switch stays := at - c.since; {
	case c.closed && !c.jammed && stays >= heldFor:
		c.jammed = true
		b.health.Set(b.kinds.ButtonHeld, ch.Name, "",
			fmt.Sprintf("%s has been closed for %.0f s; it acknowledges nothing until it is let go of", ch.Device, stays.Seconds()),
			"is the button jammed, or its wire shorted? Acknowledge on the page meanwhile; see docs/wiring", at)
	case !c.closed && c.jammed && stays >= letGo:
		c.jammed = false
		b.health.Clear(b.kinds.ButtonHeld, ch.Name, at)
	}
}

// acknowledge acknowledges an alarm, or with "" all. b.mu is held.
func (b *Bench) acknowledge(id string, at time.Duration) error {
	if err := b.alarms.Acknowledge(id, at); err != nil {
		return err
	}
	b.sound.set(b.alarms.Pattern())
	return nil
}
