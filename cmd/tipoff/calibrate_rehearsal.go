package main

import (
	"fmt"
	"math"
	"time"

	physics "tipoff/calib/reference"
	"tipoff/calib/unit"
	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/plant"
	"tipoff/logger/config"
	"tipoff/logger/frame"
)

// rehearsal stands in for ice, pots, manometers and clamp meters where the bench
// is emulated: the demo's chips, their inputs led to a value that settles. The
// sensors are a little off, so that there is something to calibrate.
type rehearsal struct {
	clock clock.Clock
	role  frame.Role
	value approach
	count int  // points set so far
	cold  bool // the junction waits for a step
}

// How far the emulated sensors are off: invented.
const (
	rehearsedOffset = 0.6   // K, thermocouple
	rehearsedGain   = 1.004 // thermocouple
	rehearsedWide   = 0.96  // factor of the wide-range gauge
	rehearsedZero   = 2.0   // Pa, diaphragm gauge
	rehearsedSpan   = 0.99  // diaphragm gauge
	rehearsedRatio  = 0.98  // current transformer
	rehearsedRoom   = 100300.0
	rehearsedRest   = 22.0 // °C, junction in the air
	rehearsedHot    = 88.0 // °C, of the glass that it is put on
	rehearsedTau    = 2.4  // s, of the junction on glass; in air and baths it is 6 s
)

// newRehearsal makes the demo's board with the channel's input led by the
// rehearsal.
func newRehearsal(c clock.Clock, ch config.Channel) (*rehearsal, drivers.Ports) {
	r := &rehearsal{clock: c, role: ch.Role}
	board := emulated.NewBoard(c)
	w := plant.DefaultWiring()
	wired := plant.NewShow(c, 1).Wire(board, w)
	switch ch.Role {
	case frame.Pressure:
		r.value = approach{from: rehearsedRoom, to: rehearsedRoom, lag: 1.5}
		wired.Gauges.Input[0] = func(t time.Duration) float64 {
			return (5.625 + math.Log10(rehearsedWide*r.value.at(t)/unit.Torr)) / plant.Divider
		}
		wired.Gauges.Input[1] = func(t time.Duration) float64 {
			return 10 * (rehearsedZero + rehearsedSpan*r.value.at(t)) / (20 * unit.Torr) / plant.Divider
		}
	case frame.Current:
		r.value = approach{lag: 0.3}
		wired.Current.Input[0] = func(t time.Duration) float64 {
			amps := rehearsedRatio * r.value.at(t)
			return w.Vref/2 + amps*math.Sqrt2*math.Sin(2*math.Pi*50*t.Seconds())*w.Burden/w.Turns
		}
	default:
		r.value = approach{from: 22, to: 22, lag: 6}
		wired.Thermocouple.Hot = func(t time.Duration) float64 {
			return rehearsedOffset + rehearsedGain*r.value.at(t) + 0.05*math.Sin(9*t.Seconds())
		}
	}
	return r, board
}

// set brings the emulated bench to the next reference value and says what the
// emulated reference shows.
func (r *rehearsal) set(procedure string) string {
	r.count++
	n := float64(r.count)
	var to float64
	var words string
	switch procedure {
	case "ice":
		words = "the junction is in the ice"
	case "boiling":
		to, _, _ = physics.BoilingPoint(rehearsedRoom) // a fixed pressure in range
		words = fmt.Sprintf("the water boils; the barometer shows %g hPa", rehearsedRoom/100)
	case "thermometer":
		to = 50 * n
		words = fmt.Sprintf("the reference thermometer shows %g °C", to)
	case "atmosphere":
		to = rehearsedRoom
		words = fmt.Sprintf("the manifold is vented; the barometer shows %g hPa", rehearsedRoom/100)
	case "base":
		to = 2 * unit.Micron
		words = "the manifold is pumped down; the reference gauge shows 2 micron"
	case "utube":
		p, _ := physics.UTube(0.05*n, 22, physics.Point{}) // within the U-tube's range
		to = p.X
		words = fmt.Sprintf("the U-tube, pumped out behind (vacuum), shows %g mm; the oil is at 22 °C", 50*n)
	case stepProcedure:
		to, r.cold = rehearsedRest, true
		words = "the junction hangs in the room's air"
	case "clamp":
		to = 0.1 * n
		words = fmt.Sprintf("the clamp meter shows %g mA", 100*n)
	}
	r.lead(to, r.value.lag)
	return "rehearsal: " + words
}

// stepProcedure is the one that step makes a step for.
const stepProcedure = "step"

// step puts the junction that rests in the air on hot glass; "" if that is not
// what is being rehearsed.
func (r *rehearsal) step() string {
	if !r.cold {
		return ""
	}
	r.cold = false
	r.lead(rehearsedHot, rehearsedTau)
	return "rehearsal: the junction is put on warm glass"
}

// lead leads the input to another value.
func (r *rehearsal) lead(to, lag float64) {
	now := r.clock.Now()
	r.value = approach{from: r.value.at(now), to: to, since: now, lag: lag}
}

// approach is an exponential on its way from one value to another.
type approach struct {
	from, to float64
	since    time.Duration
	lag      float64 // time constant, s
}

func (a *approach) at(t time.Duration) float64 {
	return a.to + (a.from-a.to)*math.Exp(-max(0, (t-a.since).Seconds())/a.lag)
}
