package chain

import (
	"math"
	"time"

	"tipoff/calib"
	"tipoff/calib/gauge"
	"tipoff/calib/lag"
	"tipoff/calib/thermocouple"
)

// thermo is a thermocouple behind a chip that reports °C.
type thermo struct {
	filter
	acc         Accuracy
	spec        Params
	typ         thermocouple.Type
	class       thermocouple.Class
	sensitivity float64 // V/°C of a chip that does not linearise, else 0
	auxScale    float64
	heated      bool           // glass or shell: never much colder than the room
	known       bool           // anything is known about the accuracy
	lag         *lag.Estimator // nil: lag is not corrected
	tau         time.Duration  // that of lag
	tauShare    float64        // its standard uncertainty as a share of it

	kept, keptIndicated calib.Value
	junction            calib.Value // last one before correction for lag and seating
	keptAt              time.Duration
}

const (
	// usualLagAccuracy holds where nothing is said: a time constant found once
	// and a tie that is never the same (our choice).
	usualLagAccuracy = 0.1
	// largeCorrection is the correction for lag and seating, °C, above which a
	// value is marked.
	largeCorrection = 15.0
	// Where the chip does not know the room: °C, and half the width.
	usualRoom, usualRoomWidth = 23.0, 10.0
	// A chip's cold junction is a little warmer than the room.
	coldJunctionWidth = 5.0
)

// coldest is by how much glass or shell may read colder than the chip, °C. The
// chip sits in its box in the room; what reads less is a thermocouple that is
// connected the wrong way round.
const coldest = 30

// Push implements [Chain].
func (c *thermo) Push(at time.Duration, raw, aux float64, q calib.Quality) {
	c.push(at, raw, aux, q)
}

// SetGas implements [Chain]; a thermocouple does not see gas.
func (c *thermo) SetGas(gauge.Gas) {}

// Take implements [Chain].
func (c *thermo) Take(at time.Duration) (value, indicated calib.Value, samples int) {
	m := c.take(at, c.acc.Noise)
	switch m.state {
	case lost:
		return none(m.q), none(m.q), 0
	case held:
		return c.kept, c.keptIndicated, 0
	}
	value, indicated = c.convert(&m)
	if c.spec.MaxRate > 0 && value.Good() && c.junction.Good() && m.at > c.keptAt {
		// The noise of both readings is allowed on top of the rate.
		noise := 4 * math.Sqrt(2*m.v)
		if math.Abs(value.X-c.junction.X)-noise > c.spec.MaxRate*(m.at-c.keptAt).Seconds() {
			value.Q |= calib.TooFast
		}
	}
	c.junction, c.keptAt = value, m.at
	if value.Good() && (c.lag != nil || c.spec.Seating != 0) {
		value = c.glass(value, &m)
	}
	c.kept, c.keptIndicated = value, indicated
	return value, indicated, m.n
}

// glass is the estimate of the glass under the junction: lag first, as it is
// what the junction does, then what the seating keeps from it.
func (c *thermo) glass(v calib.Value, m *mean) calib.Value {
	junction := v.X
	u2 := v.U * v.U // NaN stays NaN
	if c.lag != nil {
		e := c.lag.Step(m.centre, v.X, m.v)
		v.X = e.Wall
		u2 += e.U * e.U
	}
	if s := c.spec.Seating; s != 0 {
		room, width := usualRoom, usualRoomWidth
		if cj := c.auxScale * m.aux; c.auxScale != 0 && cj == cj {
			room, width = cj, coldJunctionWidth
		}
		v.X = room + (v.X-room)/s
		u2 = u2/(s*s) + third*sq((1/s-1)*width)
	}
	v.U = math.Sqrt(u2)
	if math.Abs(v.X-junction) > largeCorrection {
		v.Q |= calib.Correcting
	}
	return v
}

func (c *thermo) convert(m *mean) (value, indicated calib.Value) {
	r := m.x
	ur2 := m.v + c.acc.variance(r)
	indicated = calib.Value{X: r, U: math.Sqrt(ur2 + third*sq(c.acc.ColdJunction)), Q: m.q}
	cj := c.auxScale * m.aux
	t := r
	perReading := 1.0 // ∂t/∂r
	perCJ := 1.0      // ∂t/∂cj by the EMF that stands for the cold junction
	scj := math.NaN()
	if c.auxScale != 0 && cj == cj {
		scj, _ = c.typ.Seebeck(cj)
	}
	if c.sensitivity != 0 {
		e, err := c.typ.EMF(cj)
		if err != nil {
			return none(m.q | calib.NoReading), indicated
		}
		var s float64
		t, s, err = c.typ.Solve(thermocouple.Unlinearise(r, cj, c.sensitivity) + e)
		if err != nil {
			q := calib.UnderRange
			if r > cj {
				q = calib.OverRange
			}
			return none(m.q | q), indicated
		}
		perReading = c.sensitivity / s
		perCJ = scj / s
	} else if s, err := c.typ.Seebeck(t); err == nil && scj == scj && s > 0 {
		perCJ = scj / s
	}
	if c.heated && t < cj-coldest {
		return none(m.q | calib.UnderRange), indicated
	}
	// The chip's reading holds the same cold junction, so its error cancels in
	// reading - cj and enters once, by the EMF added.
	tol, err := c.typ.Tolerance(c.class, t)
	if err != nil {
		tol = math.NaN() // the class says nothing there: not known
	}
	u2 := sq(perReading)*ur2 + third*(sq(perCJ*c.acc.ColdJunction)+sq(tol)+sq(c.spec.Mounting)+
		sq(c.spec.AccuracyAbs)+sq(c.spec.AccuracyFraction*t))
	value = calib.Value{X: t, U: math.Sqrt(u2), Q: m.q}
	if !c.known {
		value.U, indicated.U = math.NaN(), math.NaN()
	}
	return value, indicated
}
