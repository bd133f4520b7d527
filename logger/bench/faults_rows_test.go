package bench_test

import (
	"time"

	"tipoff/calib"
)

// fault is one row: what breaks, for which channels, and what has to come of it.
type fault struct {
	name string
	note string // how it is done, where the name does not say
	set  func(r *rigged, c faulty, on bool)
	// again repeats set(on) each second, each frame if always.
	again, always bool
	lasts         time.Duration // 0: 6 s
	from          time.Duration // when it comes, 0: after 5 s
	begin         func(*world)  // how the bench begins, where not as usual
	also          []int         // other channels that the bench has
	moves         bool          // the others' truth changes as well
	cell          map[int]cell
	// cannot says in a word why a driver has no such fault.
	cannot map[int]string
}

// cell is what has to come of a fault on one driver.
type cell struct {
	// lost: there has to be no reading; marked: it has to bear this quality;
	// neither: the value stays right.
	lost   bool
	marked calib.Quality
	// blind is how long a wrong value may be shown as good; 0 is one frame.
	// unseen: for as long as the fault lasts, and why is in words.
	blind  time.Duration
	before string // what stands as good meanwhile, "" the last value
	unseen string
	told   string // part of the trouble's text, "" if none is told
	// gaps is the share of frames that may be without a reading.
	gaps float64
}

const (
	keptByKernel = "cannot be: the kernel's own driver keeps the settings"
	keptByItself = "cannot be: the instrument keeps its settings itself, tipoff writes none"
	noSettings   = "cannot be: the chip has none"
	noSensor     = "none on this channel"
	ownSensor    = "the instrument's own sensor: see what its manual sends then; what is no number is no reading"
	restsToo     = "cannot be told, and is no harm: no current is the same code for hours; the arc shows it"
	aState       = "cannot be told: a state may stand still"
	noBus        = "cannot be: a line is no bus"
)

func faultRows() []fault {
	var f []fault
	f = append(f, transferRows()...)
	f = append(f, deviceRows()...)
	return append(f, sensorRows()...)
}

func transferRows() []fault {
	lost := func(told string) cell { return cell{lost: true, told: told} }
	hung := lost("has not come back for 1s")
	unharmed := cell{}
	silent := lost("no answer")
	return []fault{
		{name: "no answer", note: "each transfer fails",
			set: func(_ *rigged, c faulty, on bool) {
				if on {
					c.SetNAKEvery(1)
				} else {
					c.SetNAKEvery(0)
				}
			},
			cell: map[int]cell{glassCh: lost("transfer failed"), shellCh: lost("transfer failed"), fillCh: lost("not there"),
				currentCh: lost("transfer failed"), mcpCh: lost("not there"), iioCh: lost("could not reach the chip"), hwmonCh: lost("could not reach the chip"),
				rtuCh: silent, tcpCh: silent, serialCh: silent, contactCh: lost("does not answer the kernel")}},
		{name: "one transfer in ten fails",
			set: func(_ *rigged, c faulty, on bool) {
				if on {
					c.SetFailRate(0.1, 5)
				} else {
					c.SetFailRate(0, 5)
				}
			},
			cell: map[int]cell{glassCh: unharmed, shellCh: unharmed, fillCh: unharmed, currentCh: unharmed, mcpCh: {gaps: 0.25},
				iioCh: unharmed, hwmonCh: unharmed, rtuCh: {gaps: 0.1}, tcpCh: {gaps: 0.1}, serialCh: {gaps: 0.1}, contactCh: unharmed}},
		{name: "answers late", note: "1.5 s for each transfer",
			set: func(_ *rigged, c faulty, on bool) {
				if on {
					c.SetDelay(1500 * time.Millisecond)
				} else {
					c.SetDelay(0)
				}
			},
			cell: map[int]cell{glassCh: hung, shellCh: hung, fillCh: hung, currentCh: hung, mcpCh: hung, iioCh: hung, hwmonCh: hung,
				rtuCh: silent, tcpCh: silent, serialCh: silent, contactCh: hung}},
		{name: "bits turn over", note: "one in 1000",
			set: func(r *rigged, c faulty, on bool) {
				switch {
				case r.world.under == contactCh && on:
					r.glitch()
				case on:
					c.SetFlipRate(1e-3, 6)
				default:
					c.SetFlipRate(0, 6)
				}
			},
			always: true,
			cell: map[int]cell{glassCh: unharmed, shellCh: unharmed, fillCh: unharmed, currentCh: unharmed, mcpCh: unharmed,
				iioCh: unharmed, hwmonCh: unharmed, rtuCh: unharmed, serialCh: {gaps: 0.05}, contactCh: unharmed},
			cannot: map[int]string{tcpCh: "cannot be: the network's check sums drop such frames"}},
		{name: "data line held low", set: func(_ *rigged, c faulty, on bool) { c.SetBusLow(on) },
			cell: map[int]cell{glassCh: lost("not there"), shellCh: lost("not there"), fillCh: lost("bus held"),
				currentCh: lost("sensor fault"), mcpCh: lost("bus held"), iioCh: lost("could not reach the chip"), hwmonCh: lost("could not reach the chip"),
				rtuCh: lost("baud, parity"), serialCh: lost("baud"),
				contactCh: {marked: calib.Contradicted, blind: 700 * time.Millisecond, told: "shows no current",
					before: "closed (at rest for good: choose the contact so that this is the careful side)"}},
			cannot: map[int]string{tcpCh: "cannot be: a network has no such line"}},
	}
}

func deviceRows() []fault {
	lost := func(told string) cell { return cell{lost: true, told: told} }
	frozen := func(blind time.Duration) cell { return cell{lost: true, blind: blind, told: "frozen"} }
	gone, wrong := lost("not there"), lost("another device")
	settings := cell{told: "lost its settings"}
	return []fault{
		{name: "settings lost", note: "once a second", again: true,
			set: func(_ *rigged, c faulty, on bool) {
				if on {
					c.LoseConfig()
				}
			},
			cell: map[int]cell{glassCh: settings, fillCh: settings, mcpCh: settings},
			cannot: map[int]string{shellCh: noSettings, currentCh: noSettings, iioCh: keptByKernel, hwmonCh: keptByKernel,
				rtuCh: keptByItself, tcpCh: keptByItself, serialCh: keptByItself, contactCh: "cannot be: the kernel holds the line as it was asked"}},
		{name: "frozen at the last code", note: "while the true value moves on and the arc burns", lasts: 16 * time.Second, moves: true, also: []int{serialCh},
			set: func(r *rigged, c faulty, on bool) {
				c.SetFreeze(on)
				if on {
					r.world.hot, r.world.volts, r.world.amps = [2]float64{230, 450}, 1.8, 0.8
				}
			},
			cell: map[int]cell{glassCh: frozen(4 * time.Second), shellCh: frozen(14 * time.Second), fillCh: frozen(4 * time.Second),
				currentCh: frozen(300 * time.Millisecond), mcpCh: frozen(6 * time.Second), iioCh: frozen(6 * time.Second), hwmonCh: frozen(14 * time.Second),
				rtuCh: frozen(8 * time.Second), tcpCh: frozen(6500 * time.Millisecond), serialCh: frozen(4 * time.Second)},
			cannot: map[int]string{contactCh: aState}},
		atRest("three minutes", 180*time.Second, 45*time.Second,
			map[int]cell{glassCh: frozen(8 * time.Second), shellCh: frozen(30 * time.Second), fillCh: frozen(8 * time.Second),
				mcpCh: frozen(30 * time.Second), iioCh: frozen(10 * time.Second), rtuCh: frozen(10 * time.Second), serialCh: frozen(10 * time.Second)},
			map[int]string{currentCh: restsToo, tcpCh: restsToo, contactCh: aState}),
		atRest("six minutes", 6*time.Minute, 80*time.Second, map[int]cell{hwmonCh: frozen(75 * time.Second)}, nil),
		{name: "unplugged", note: "and plugged again, without its settings",
			set: func(_ *rigged, c faulty, on bool) {
				c.LoseConfig()
				c.SetAbsent(on)
			},
			cell: map[int]cell{glassCh: gone, shellCh: gone, fillCh: gone, currentCh: gone, mcpCh: gone, iioCh: gone, hwmonCh: gone,
				rtuCh: gone, tcpCh: gone, serialCh: gone,
				contactCh: {marked: calib.Contradicted, blind: 700 * time.Millisecond, told: "says that the contactor is off",
					before: "open, as with a broken wire (at rest for good: choose the contact so that this is the careful side)"}}},
		{name: "another chip in its place", set: func(_ *rigged, c faulty, on bool) { c.SetOtherChip(on) },
			cell: map[int]cell{glassCh: wrong, shellCh: wrong, fillCh: wrong, currentCh: wrong, mcpCh: wrong,
				iioCh: gone, hwmonCh: gone, rtuCh: lost("compare function, register and type"), tcpCh: lost("compare function, register and type"),
				serialCh: lost("pattern")},
			cannot: map[int]string{contactCh: "cannot be told: one switch is like another"}},
	}
}

// atRest is a device that freezes when nothing else shows it: its noise has to be
// known.
func atRest(words string, after, lasts time.Duration, cells map[int]cell, cannot map[int]string) fault {
	return fault{name: "frozen at rest", note: "with no arc, and no other sensor that moves; after " + words + " in which its noise was seen",
		from: after, lasts: lasts, moves: true,
		begin: func(w *world) { w.amps, w.shut = 0, false },
		set: func(r *rigged, c faulty, on bool) {
			c.SetFreeze(on)
			r.world.hot, r.world.volts = [2]float64{pick(on, 205, 200), pick(on, 405, 400)}, pick(on, 1.54, 1.5)
		},
		cell: cells, cannot: cannot}
}

func sensorRows() []fault {
	says := func(what string) cell { return cell{lost: true, told: "says: " + what} }
	reversed := cell{lost: true, told: "under range"}
	dangling := cell{lost: true, blind: 1500 * time.Millisecond, told: "terminals' temperature", before: "the last value"}
	cold := cell{marked: calib.Contradicted, blind: 5200 * time.Millisecond, told: "terminals' temperature",
		before: "the temperature of the chip, which a plain MCP9600 cannot tell from a couple's,"}
	instrument := map[int]string{rtuCh: ownSensor}
	pin := func(v float64) func(*rigged, faulty, bool) {
		return func(r *rigged, _ faulty, on bool) { r.world.pinned = pick(on, v, nan) }
	}
	kernelOpen := "seen as no answer: the kernel's driver refuses to read"
	return []fault{
		{name: "thermocouple open", lasts: 26 * time.Second, set: func(_ *rigged, c faulty, on bool) { c.SetOpen(on) },
			cell:   map[int]cell{glassCh: says("open circuit"), shellCh: says("open circuit"), mcpCh: dangling, hwmonCh: says("open circuit")},
			cannot: with(instrument, iioCh, kernelOpen)},
		{name: "thermocouple open before the arc", note: "on cold glass; counted from the arc's beginning, 0.5 A; no reading from 9 s on", lasts: 15 * time.Second, moves: true,
			begin: func(w *world) { w.hot[0], w.amps, w.shut = 27, 0, false },
			set: func(r *rigged, c faulty, on bool) {
				c.SetOpen(on)
				r.world.amps, r.world.gain, r.world.since = pick(on, 0.5, 0), pick(on, 2, 0), broken
			},
			cell: map[int]cell{glassCh: says("open circuit"), mcpCh: cold, hwmonCh: says("open circuit")}},
		{name: "thermocouple shorted to ground", lasts: 26 * time.Second, set: func(_ *rigged, c faulty, on bool) { c.SetShortGND(on) },
			cell:   map[int]cell{glassCh: says("input voltage"), shellCh: says("short to ground"), mcpCh: dangling},
			cannot: with(with(instrument, iioCh, kernelOpen), hwmonCh, kernelOpen)},
		{name: "thermocouple shorted to supply", lasts: 26 * time.Second, set: func(_ *rigged, c faulty, on bool) { c.SetShortVCC(on) },
			cell:   map[int]cell{glassCh: says("input voltage"), shellCh: says("short to supply"), mcpCh: dangling},
			cannot: with(with(instrument, iioCh, kernelOpen), hwmonCh, kernelOpen)},
		{name: "thermocouple reversed", set: func(r *rigged, _ faulty, on bool) { r.world.reversed = on },
			cell: map[int]cell{glassCh: reversed, shellCh: reversed, mcpCh: reversed, iioCh: reversed, hwmonCh: reversed, rtuCh: reversed}},
		{name: "gauge saturated", set: pin(3.5), cell: map[int]cell{fillCh: {lost: true, told: "over range"}},
			cannot: map[int]string{serialCh: ownSensor}},
		{name: "gauge unplugged", set: pin(0), cell: map[int]cell{fillCh: {lost: true, told: "under range"}},
			cannot: map[int]string{serialCh: ownSensor}},
		{name: "transformer clipped", note: "current beyond the converter", moves: true,
			set:  func(r *rigged, _ faulty, on bool) { r.world.amps = pick(on, 2, 0.5) },
			cell: map[int]cell{currentCh: {marked: calib.Clipped, told: "clipped"}}, cannot: map[int]string{tcpCh: ownSensor}},
		{name: "transformer unplugged", note: "the burden stays at its bias; the glass gains 2 °C/s", lasts: 20 * time.Second,
			set: func(r *rigged, _ faulty, on bool) {
				r.world.noCT = on
				r.world.gain, r.world.since = pick(on, 2, 0), broken
			},
			moves: true,
			cell: map[int]cell{currentCh: {marked: calib.Contradicted, blind: 6 * time.Second, before: "0 A",
				told: "shows no current"}}, cannot: map[int]string{tcpCh: ownSensor}},
		{name: "transformer unplugged, contactor's contact wired", also: []int{contactCh},
			set: func(r *rigged, _ faulty, on bool) { r.world.noCT = on },
			cell: map[int]cell{currentCh: {marked: calib.Contradicted, blind: 800 * time.Millisecond, before: "0 A",
				told: "contactor is on"}}, cannot: map[int]string{tcpCh: ownSensor}},
		{name: "burden and bias unplugged", set: func(r *rigged, _ faulty, on bool) { r.world.noBias = on },
			cell: map[int]cell{currentCh: {lost: true, told: "sensor fault"}}, cannot: map[int]string{tcpCh: ownSensor}},
	}
}

func with(m map[int]string, ch int, why string) map[int]string {
	out := map[int]string{ch: why}
	for k, v := range m {
		out[k] = v
	}
	return out
}

func pick(on bool, a, b float64) float64 {
	if on {
		return a
	}
	return b
}
