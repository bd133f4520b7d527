package bench_test

import (
	"time"

	"tipoff/calib"
)

// fault is one row: what breaks, for which channels, and what has to come of it.
type fault struct {
	name string
	note string // how it is done, where the name does not say
	set  func(w *world, c faulty, on bool)
	// again repeats set(on) each second.
	again bool
	cell  map[int]cell
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
	unseen string
	told   string // part of the trouble's text, "" if none is told
}

func faultRows() []fault {
	gone := cell{lost: true, told: "not there"}
	wrong := cell{lost: true, told: "another device"}
	hung := cell{lost: true, told: "a transfer has not come back for 1s"}
	sensor := cell{lost: true, told: "sensor fault"}
	says := func(what string) cell { return cell{lost: true, told: "says: " + what} }
	frozen := cell{lost: true, blind: 3500 * time.Millisecond, told: "frozen"}
	unharmed := cell{}
	return []fault{
		{name: "no answer", note: "each transfer fails",
			set: func(_ *world, c faulty, on bool) {
				if on {
					c.SetNAKEvery(1)
				} else {
					c.SetNAKEvery(0)
				}
			},
			cell: map[int]cell{glassCh: {lost: true, told: "transfer failed"}, shellCh: {lost: true, told: "transfer failed"},
				fillCh: gone, currentCh: {lost: true, told: "transfer failed"}}},
		{name: "one transfer in ten fails",
			set: func(_ *world, c faulty, on bool) {
				if on {
					c.SetFailRate(0.1, 5)
				} else {
					c.SetFailRate(0, 5)
				}
			},
			cell: map[int]cell{glassCh: unharmed, shellCh: unharmed, fillCh: unharmed, currentCh: unharmed}},
		{name: "answers late", note: "1.5 s for each transfer",
			set: func(_ *world, c faulty, on bool) {
				if on {
					c.SetDelay(1500 * time.Millisecond)
				} else {
					c.SetDelay(0)
				}
			},
			cell: map[int]cell{glassCh: hung, shellCh: hung, fillCh: hung, currentCh: hung}},
		{name: "bits turn over", note: "one in 1000",
			set: func(_ *world, c faulty, on bool) {
				if on {
					c.SetFlipRate(1e-3, 6)
				} else {
					c.SetFlipRate(0, 6)
				}
			},
			cell: map[int]cell{glassCh: unharmed, shellCh: unharmed, fillCh: unharmed, currentCh: unharmed}},
		{name: "data line held low", set: func(_ *world, c faulty, on bool) { c.SetBusLow(on) },
			cell: map[int]cell{glassCh: gone, shellCh: gone, fillCh: {lost: true, told: "bus held"}, currentCh: sensor}},
		{name: "settings lost", note: "once a second", again: true,
			set: func(_ *world, c faulty, on bool) {
				if on {
					c.LoseConfig()
				}
			},
			cell: map[int]cell{glassCh: {told: "lost its settings"}, fillCh: {told: "lost its settings"}}},
		{name: "frozen", note: "while the true value moves on",
			set: func(w *world, c faulty, on bool) {
				c.SetFreeze(on)
				if on {
					w.hot, w.volts, w.amps = [2]float64{230, 450}, 1.8, 0.8
				}
			},
			cell: map[int]cell{glassCh: frozen, shellCh: frozen, fillCh: frozen, currentCh: {lost: true, blind: 300 * time.Millisecond, told: "frozen"}}},
		{name: "unplugged", note: "and plugged again, without its settings",
			set: func(_ *world, c faulty, on bool) {
				c.LoseConfig()
				c.SetAbsent(on)
			},
			cell: map[int]cell{glassCh: gone, shellCh: gone, fillCh: gone, currentCh: gone}},
		{name: "another chip in its place", set: func(_ *world, c faulty, on bool) { c.SetOtherChip(on) },
			cell: map[int]cell{glassCh: wrong, shellCh: wrong, fillCh: wrong, currentCh: wrong}},
		{name: "thermocouple open", set: func(_ *world, c faulty, on bool) { c.SetOpen(on) },
			cell: map[int]cell{glassCh: says("open circuit"), shellCh: says("open circuit")}},
		{name: "thermocouple shorted to ground", set: func(_ *world, c faulty, on bool) { c.SetShortGND(on) },
			cell: map[int]cell{glassCh: says("input voltage"), shellCh: says("short to ground")}},
		{name: "thermocouple shorted to supply", set: func(_ *world, c faulty, on bool) { c.SetShortVCC(on) },
			cell: map[int]cell{glassCh: says("input voltage"), shellCh: says("short to supply")}},
		{name: "thermocouple reversed", set: func(w *world, _ faulty, on bool) { w.reversed = on },
			cell: map[int]cell{glassCh: {lost: true, told: "under range"}, shellCh: {lost: true, told: "under range"}}},
		{name: "gauge saturated", set: func(w *world, _ faulty, on bool) { w.volts = pick(on, 3.5, 1.5) },
			cell: map[int]cell{fillCh: {lost: true, told: "over range"}}},
		{name: "gauge unplugged", set: func(w *world, _ faulty, on bool) { w.volts = pick(on, 0, 1.5) },
			cell: map[int]cell{fillCh: {lost: true, told: "under range"}}},
		{name: "transformer clipped", note: "current beyond the converter", set: func(w *world, _ faulty, on bool) { w.amps = pick(on, 2, 0.5) },
			cell: map[int]cell{currentCh: {marked: calib.Clipped}}},
		{name: "transformer unplugged", note: "the burden stays at its bias", set: func(w *world, _ faulty, on bool) { w.noCT = on },
			cell: map[int]cell{currentCh: {unseen: "0 mA, which no current gives too: compare with the bench's own meter"}}},
		{name: "burden and bias unplugged", set: func(w *world, _ faulty, on bool) { w.noBias = on },
			cell: map[int]cell{currentCh: sensor}},
	}
}

func pick(on bool, a, b float64) float64 {
	if on {
		return a
	}
	return b
}
