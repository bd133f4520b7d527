package drivertest

import (
	"time"

	"tipoff/drivers/serialport/wire"
)

// Settingless is a device whose settings are not tipoff's to lose.
type Settingless struct{ Breakable }

// LoseConfig implements Chip.
func (Settingless) LoseConfig() {}

// OnLine is an instrument at the far end of a line: unplugged is the near end's
// adapter or cable.
type OnLine struct {
	Breakable // the instrument
	Line      *wire.Line
	// Gone is what a port says that was pulled out while it was open, NotThere
	// what opening one that is not there says.
	Gone, NotThere error
}

// answerAfter is how long a sound instrument takes before it answers.
const answerAfter = 5 * time.Millisecond

// NewOnLine puts an instrument, answer, at the end of a line.
func NewOnLine(instrument Breakable, line *wire.Line, gone, notThere error) Chip {
	line.Delay = answerAfter
	return Settingless{&OnLine{Breakable: instrument, Line: line, Gone: gone, NotThere: notThere}}
}

// SetAbsent implements Breakable.
func (o *OnLine) SetAbsent(on bool) {
	o.Line.Do(func(l *wire.Line) {
		l.Gone, l.OpenErr = nil, nil
		if on {
			l.Gone, l.OpenErr = o.Gone, o.NotThere
		}
	})
}

// SetDelay implements Breakable.
func (o *OnLine) SetDelay(d time.Duration) {
	o.Line.Do(func(l *wire.Line) { l.Delay = answerAfter + d })
}
