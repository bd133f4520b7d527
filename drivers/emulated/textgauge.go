package emulated

import (
	"fmt"
	"time"

	"tipoff/drivers/clock"
)

// TextGauge is an instrument that answers a question with its reading as a line
// of text, for the far end of a drivers/serialport/wire line. It knows no check
// sum, as most such gauges.
type TextGauge struct {
	Faults
	Query string
	// Value is what it measures at a time, in its own unit.
	Value func(at time.Duration) float64

	clock clock.Clock
	last  string
}

// NewTextGauge makes a gauge that answers query.
func NewTextGauge(c clock.Clock, query string) *TextGauge {
	return &TextGauge{Query: query, clock: c}
}

// Answer is what the gauge sends when it hears q. It fits wire.Line.Answer.
func (g *TextGauge) Answer(q []byte) []byte {
	switch {
	case g.is(absent) || g.refuses():
		return nil
	case g.is(busLow):
		return make([]byte, 12) // a break is read as zero bytes
	case g.is(otherChip):
		return []byte("READY\r\n")
	case string(q) != g.Query:
		return []byte("?\r\n")
	}
	if !g.is(frozen) || g.last == "" {
		g.last = fmt.Sprintf("P=%.4E\r\n", g.Value(g.clock.Now()))
	}
	r := []byte(g.last)
	g.noise(r)
	return r
}
