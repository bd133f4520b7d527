package envelope

import (
	"math"
	"time"

	"tipoff/logger/phase"
)

const (
	// fieldRises and powerRises are how the column's power goes with pressure and
	// current: a field less than linear in density, as the gas heats and thins, and
	// falling slightly with current (handbook, item 4; the numbers from memory).
	fieldRises = 0.6
	powerRises = 0.85
	// balanceMemory is how long what the heat balance found is remembered, s, and
	// balanceAfter how much of an arc it takes before it is believed.
	balanceMemory = 6.0
	balanceAfter  = 6 * time.Second
	// balanceStray is by how much the glass may go against its balance, °C/s,
	// before the glass is believed and not the balance.
	balanceStray = 0.2
	// fastestFall is the fastest fall of ln p that is taken to go on, 1/s.
	fastestFall = 0.1
)

// balance is the heat balance of the glass, fitted live: what it gains is
// η·p^0.6·I^0.85 less what a bare tube of this size loses. η is found from the
// rates of the last seconds, so that the rate of this moment follows pressure and
// current at once and without the scatter of a slope over a second. What the
// balance does not explain (the current transformer came off, other gas) is added
// to it. One goroutine; it allocates nothing.
type balance struct {
	tau, cooling, ceiling float64
	air                   air

	last, since time.Duration
	on          bool
	// drive is p^0.6·I^0.85 now, and behind a filter of one and of two stages of
	// tau, loss the loss (°C/s) likewise: an exponentially weighted slope weighs the
	// rates of the past by age/tau²·exp(−age/tau), which is what two stages do.
	drive, loss [3]float64
	num, den    float64
	stray       float64 // observed rate less the balance's, °C/s
	press       slope   // of ln p
}

func newBalance(tau float64, env *Envelope) balance {
	return balance{tau: tau, cooling: env.cooling, air: env.air, ceiling: env.Ceiling(), press: slope{tau: 1.5}}
}

// step takes a frame with the rate that the fast fit found and the level at its
// end. rate is the glass's now and k its decay if all goes on as it does, a falling
// pressure with it; ok is false while the balance is not known.
func (b *balance) step(o phase.Observation, seen, level float64) (rate, k float64, ok bool) {
	dt := (o.At - b.last).Seconds()
	b.last = o.At
	if o.Current != o.Current || !(o.Pressure > 0) || !(dt > 0 && dt < 2) || b.cooling != b.cooling {
		b.on = false
		return 0, 0, false
	}
	lnp := math.Log(o.Pressure / torr)
	b.press.add(o.At, lnp)
	drive := 0.0
	if o.Current > ArcCurrent {
		drive = math.Exp(fieldRises*lnp + powerRises*math.Log(o.Current))
	}
	loss := b.cooling * b.air.decay(level) / b.air.decay(b.ceiling) * (level - roomGuess)
	if !b.on {
		if drive == 0 {
			return 0, 0, false
		}
		b.on, b.since, b.num, b.den, b.stray = true, o.At, 0, 0, 0
		b.drive, b.loss = [3]float64{drive}, [3]float64{loss, loss, loss}
	}
	x := -math.Expm1(-dt / b.tau)
	b.drive[0] += (drive - b.drive[0]) * -math.Expm1(-dt/0.4) // the arc flutters
	b.drive[1] += (drive - b.drive[1]) * x
	b.drive[2] += (b.drive[1] - b.drive[2]) * x
	b.loss[0] = loss
	b.loss[1] += (loss - b.loss[1]) * x
	b.loss[2] += (b.loss[1] - b.loss[2]) * x
	f := math.Exp(-dt / balanceMemory)
	b.num = f*b.num + dt*(seen+b.loss[2])*b.drive[2]
	b.den = f*b.den + dt*b.drive[2]*b.drive[2]
	if o.At-b.since < balanceAfter || !(b.den > 0) {
		return 0, 0, false
	}
	eta := b.num / b.den
	b.stray += (seen - (eta*b.drive[2] - b.loss[2]) - b.stray) * -math.Expm1(-dt/1.5)
	heat := eta * b.drive[0]
	rate, k = heat-loss, b.cooling
	rate += math.Copysign(max(0, math.Abs(b.stray)-balanceStray), b.stray)
	if rate > slowest && b.press.ready() {
		if fall, _, _ := b.press.fit(); fall < 0 {
			// A falling pressure takes heat away, and so bends the rate down.
			k += heat * fieldRises * min(-fall, fastestFall) / rate
		}
	}
	return rate, k, true
}
