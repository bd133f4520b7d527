package emulated

import (
	"math/bits"
	"strconv"
	"time"

	"tipoff/drivers/clock"
)

// TextGauge is an instrument that answers a question with its reading as a line
// of text, for the far end of a drivers/serialport/wire line. It knows no check
// sum, as most such gauges.
type TextGauge struct {
	Faults
	Query string
	// Parity tells that the line has parity bits. A byte that came with a wrong
	// one is read as 0, termios(3): "If neither IGNPAR nor PARMRK is set, read a
	// character with a parity error or framing error as \0".
	Parity bool
	// Value is what it measures at a time, in its own unit.
	Value func(at time.Duration) float64

	clock       clock.Clock
	last, reply []byte
}

// NewTextGauge makes a gauge that answers query.
func NewTextGauge(c clock.Clock, query string) *TextGauge {
	return &TextGauge{Query: query, clock: c}
}

// Answer is what the gauge sends when it hears q. It fits wire.Line.Answer. The
// bytes are valid until the next.
func (g *TextGauge) Answer(q []byte) []byte {
	r := g.reply[:0]
	switch {
	case g.is(absent) || g.refuses():
		return nil
	case g.is(busLow):
		r = append(r, make([]byte, 12)...) // a break is read as zero bytes
	case g.is(otherChip):
		r = append(r, "READY\r\n"...)
	case string(q) != g.Query:
		r = append(r, "?\r\n"...)
	default:
		if !g.is(frozen) || len(g.last) == 0 {
			g.last = strconv.AppendFloat(append(g.last[:0], "P="...), g.Value(g.clock.Now()), 'E', 4, 64)
		}
		r = append(append(r, g.last...), "\r\n"...)
		g.disturb(r)
	}
	g.reply = r
	return r
}

// disturb turns bits over as the line does, and reads the bytes as the kernel.
func (g *TextGauge) disturb(r []byte) {
	if !g.Parity {
		g.noise(r)
		return
	}
	sent := [32]byte{}
	n := copy(sent[:], r)
	g.noise(r)
	for i := range n {
		if bits.OnesCount8(sent[i]^r[i])%2 == 1 {
			r[i] = 0
		}
	}
}
