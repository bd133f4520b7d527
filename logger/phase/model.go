package phase

import (
	"math"

	"tipoff/logger/frame"
)

// The model is a graph of nodes with a price, in nats, for each change of node,
// for leaving early or staying long, and for each second in which the readings
// do not look as they should in a node. Both the tracker and the smoother take
// the cheapest way through it (Viterbi); what a way has seen so far, such as
// the current of its bombard, goes along with it. The levels are those of the
// phase table in handbook.md; the prices were set by trial on plant runs.

// node is a hidden state of the model. A phase can have several: an arc that
// went out for a moment is still that phase, a second admission of air follows
// other things than the first.
type node uint8

const (
	nIdle node = iota
	nEvac
	nLeak
	nAdmit1 // before the first arc
	nDry
	nDryOff // arc lost, to be struck again
	nPumpOut
	nAdmit2 // after a pump-out
	nBomb
	nBombOff
	nShells
	nShellsOff
	nFinal
	nCool
	nFlushIn
	nFlushOut
	nFill
	nTip
	nVent
	nAge
	nodes int = iota
)

var nodePhase = [nodes]ID{
	Idle, Evacuate, LeakTest, AdmitAir, Dry, Dry, PumpOut, AdmitAir, Bombard, Bombard,
	Shells, Shells, FinalPump, Cool, Flush, Flush, Fill, TipOff, Vent, Age,
}

// arcNode says in which nodes the bombarder's arc burns.
var arcNode = [nodes]bool{nDry: true, nBomb: true, nShells: true}

// offNode says in which nodes it has gone out and is to be struck again.
var offNode = [nodes]bool{nDryOff: true, nBombOff: true, nShellsOff: true}

// edge is an allowed change of node with its price in nats. Cheap edges are
// the usual order of work; dear ones are the skips and repeats.
type edge struct {
	from, to node
	price    float64
	sign     bool // gate may make it cheaper
}

var edges = [...]edge{
	{nIdle, nEvac, 2, false}, {nIdle, nAge, 8, false}, {nIdle, nVent, 9, false},
	{nEvac, nLeak, 2, true}, {nEvac, nAdmit1, 3, false}, {nEvac, nDry, 5, false}, {nEvac, nFlushIn, 8, false}, {nEvac, nFill, 8, false}, {nEvac, nVent, 6, false},
	{nLeak, nEvac, 4, false}, {nLeak, nAdmit1, 2, false}, {nLeak, nDry, 5, false}, {nLeak, nFlushIn, 8, false}, {nLeak, nFill, 8, false}, {nLeak, nVent, 6, false},
	{nAdmit1, nDry, 1, true}, {nAdmit1, nEvac, 6, false}, {nAdmit1, nVent, 7, false},
	{nDry, nDryOff, 2, false}, {nDryOff, nDry, 1, false}, {nDryOff, nPumpOut, 1.5, false}, {nDryOff, nVent, 8, false},
	{nDry, nPumpOut, 2, false}, {nDry, nBomb, 3, false}, {nDry, nShells, 5, true}, {nDry, nFinal, 6, false}, {nDryOff, nBomb, 5, false}, {nDry, nVent, 8, false},
	{nPumpOut, nAdmit2, 2, false}, {nPumpOut, nBomb, 3, false}, {nPumpOut, nDry, 5, false}, {nPumpOut, nFlushIn, 6, false}, {nPumpOut, nFill, 7, false}, {nPumpOut, nVent, 6, false},
	{nAdmit2, nBomb, 1, true}, {nAdmit2, nDry, 2.5, true}, {nAdmit2, nPumpOut, 4, false}, {nAdmit2, nVent, 8, false},
	{nBomb, nBombOff, 2, false}, {nBombOff, nBomb, 1, false}, {nBombOff, nFinal, 1.5, false}, {nBombOff, nShells, 3, false}, {nBombOff, nPumpOut, 6, false}, {nBombOff, nVent, 8, false},
	{nBomb, nShells, 2, false}, {nBomb, nFinal, 3, false}, {nBomb, nPumpOut, 4.5, false}, {nBomb, nVent, 8, false},
	{nShells, nShellsOff, 2, false}, {nShellsOff, nShells, 1, false}, {nShellsOff, nFinal, 1.5, false}, {nShellsOff, nVent, 8, false},
	{nShells, nBomb, 5, false}, {nShells, nFinal, 2, false}, {nShells, nVent, 8, false},
	{nFinal, nCool, 1, false}, {nFinal, nFlushIn, 4, false}, {nFinal, nFill, 5, false}, {nFinal, nAdmit2, 10, false}, {nFinal, nBomb, 8, false}, {nFinal, nVent, 6, false},
	{nCool, nFlushIn, 2, false}, {nCool, nFill, 2, false}, {nCool, nAdmit2, 10, false}, {nCool, nVent, 6, false}, {nCool, nFinal, 4, false},
	{nFlushIn, nFlushOut, 1, false}, {nFlushIn, nBomb, 8, false}, {nFlushIn, nVent, 8, false},
	{nFlushOut, nFlushIn, 2, false}, {nFlushOut, nFill, 6, false}, {nFlushOut, nCool, 1, false}, {nFlushOut, nVent, 6, false},
	{nFill, nTip, 2, true}, {nFill, nVent, 5, false}, {nFill, nFlushOut, 6, false},
	{nTip, nVent, 1, false}, {nTip, nIdle, 6, false}, {nTip, nAge, 7, false}, {nTip, nEvac, 7, false},
	{nVent, nIdle, 1, false}, {nVent, nEvac, 3, false}, {nVent, nAge, 8, false},
	{nAge, nIdle, 3, false}, {nAge, nEvac, 6, false}, {nAge, nVent, 6, false},
}

// path is what a node's best history carries along: what later phases are
// judged against.
type path struct {
	since   float64 // s, when the phase (not the node) began
	node    float64 // s, when the node began
	current float64 // A, mean of the arc in bombard; NaN before
	press   float64 // ln Pa, mean pressure of the same
	steady  float64 // s, since when the fill has stood at level
	level   float64 // ln Pa
	top     float64 // ln Pa, highest of the fill
	low     float64 // ln Pa, lowest pressure of the evacuation
	peak    float64 // °C, hottest glass of the run
	strike  float64 // A, of the first arc of the run soon after it was struck; NaN: no drying
	struck  bool    // strike is known
	left    float64 // s, since when the fill has been off its level; 0: is on it
	let     float64 // ln Pa, at which let-in air stands
	air     float64 // ln Pa, at which the first air of the run stood when an arc was struck in it
	ended   float64 // s, when the last arc went out; NaN: none did
	again   bool    // the arc of this node is one that went out and was struck again
	dried   bool    // something was dried and pumped out before
	stood   float64 // s, since when the pressure of let-in air has stood
	habit   bool    // only live: of a tip-off, that nothing has shown it
	fill    float64 // s, when the fill before began
	burnt   bool    // of a fill: the torch was in use in it and had been taken up before
}

// short is the shortest usual stay in a node, s: leaving earlier costs up to
// earlyPrice, in proportion.
var short = [nodes]float64{
	nIdle: 1, nEvac: 3, nLeak: 8, nAdmit1: 0.5, nDry: 4, nPumpOut: 12, nAdmit2: 0.5,
	nBomb: 4, nShells: 5, nFinal: 1, nCool: 1, nFlushIn: 1.5, nFlushOut: 20, nFill: 4, nTip: 4, nVent: 1, nAge: 20,
}

const earlyPrice = 4

// over is the price for x being above hi: quadratic over the scale w, at
// most cap. NaN (no reading) costs nothing.
func over(x, hi, w, most float64) float64 {
	if !(x > hi) {
		return 0
	}
	d := (x - hi) / w
	return min(d*d, most)
}

func under(x, lo, w, most float64) float64 { return over(-x, -lo, w, most) }

// Levels in ln Pa.
var (
	lnAtm   = math.Log(101325)
	lnHigh  = math.Log(8000) // 60 Torr: no arc, no fill above
	lnRoom  = math.Log(50e3) // still near the room's: pumped slowly at first
	lnRough = math.Log(40)
	lnLow   = math.Log(20)
	lnFlush = math.Log(820) // 6.2 Torr: more is a fill
)

// rate is dp/dt, Pa/s.
func rate(f *feature) float64 { return f.slope * math.Exp(f.lp) }

// emit prices the feature in each node, nats per second.
func emit(f *feature, o *Options, c *[nodes]float64) {
	on, off := f.arcOn, f.arcOff
	rate := rate(f)
	rise := over(f.slope, 0.03, 0.04, 6)
	fall := under(f.slope, -0.04, 0.04, 5)
	stand := 0.0 // standing at a pressure where pumping would show
	if f.slope > -0.02 && !f.blind {
		stand = over(f.lp, lnRough, 0.5, 1)
	}
	empty := 0.0 // low and not being let in
	if rate < 2 {
		empty = under(f.lp, lnRough, 0.5, 3)
	}
	high := over(f.lp, lnHigh, 0.5, 8)
	hot := over(f.t, 60, 20, 1)
	base := o.lnBase

	c[nIdle] = off/4 + under(f.lp, lnAtm-0.5, 0.15, 10) + over(math.Abs(f.slope), 0.03, 0.03, 2)
	c[nEvac] = off + rise + hot
	c[nEvac] += over(f.trend, 0.002, 0.003, 1.2)
	if f.slope > -0.005 {
		c[nEvac] += over(f.lp, lnAtm-0.7, 0.1, 1.5) + over(f.lp, lnRough+1.5, 1, 0.5)
	}
	c[nLeak] = off + hot + over(f.lp, lnRough, 0.4, 6) + over(rate, 3, 2, 6) + fall
	c[nAdmit1] = off + high + fall + empty
	c[nDry] = on + high + under(f.lp, lnLow-1, 0.5, 2) + over(f.t, o.PreheatEnd, 60, 1.5)
	lost, pumped := fall, 0.0 // of an arc lost, and of one put out to pump
	if f.out > 0 && f.out < 15 && !f.blind {
		lost = under(f.fell, -0.06, 0.05, 6)
		pumped = over(f.fell, -0.1*(f.out-cooled), 0.05, 4)
	}
	c[nDryOff] = off + high + lost + 0.15 + under(f.lp, lnLow, 0.4, 5)
	c[nPumpOut] = off + rise + stand + pumped + high + over(f.t, 180, 40, 0.4)
	c[nAdmit2] = off + high + fall + empty
	c[nBomb] = on + high + under(f.lp, lnLow-1, 0.5, 0.5)
	c[nBombOff] = off + high + lost + 0.15 // too low a pressure is how an arc gets lost
	c[nShells] = c[nBomb] + under(f.t, 120, 40, 1)
	c[nShellsOff] = c[nDryOff]
	c[nFinal] = off + rise + stand + pumped + high + under(f.lp, base, 0.05, 4)
	c[nCool] = off + rise
	if f.trend < -0.01 {
		c[nCool] += over(f.lp, o.lnCool, 0.05, 4)
	} else {
		c[nCool] += over(f.lp, base, 0.15, 0.1) + over(f.lp, lnLow, 0.5, 4)
	}
	c[nFlushIn] = off + high + fall + empty + over(f.lp, lnFlush, 0.06, 1)
	c[nFlushOut] = off + high + rise + stand
	c[nFill] = off + high + fall + empty
	c[nTip] = off + over(math.Abs(f.slope), 0.05, 0.05, 3) + over(f.lp, lnAtm-1, 0.3, 3)
	c[nVent] = off + fall
	if f.slope < 0.004 {
		c[nVent] += under(f.lp, lnAtm-0.3, 0.3, 2) + over(f.lp, lnAtm-0.3, 0.1, 1.5)
	}
	c[nVent] += over(f.lp, lnAtm-0.02, 0.008, 4)
	if rate < 150 { // a vent valve lets in much more than a needle valve or a leak
		c[nVent] += under(f.lp, lnHigh, 0.5, 1.5)
	}
	if f.slope > 0.008 {
		c[nIdle] += under(f.lp, lnAtm-0.02, 0.01, 2)
	}
	c[nAge] = f.ageing + over(math.Abs(f.slope), 0.05, 0.05, 2)
	switch f.cock {
	case frame.SwitchOn:
		for _, n := range [...]node{nEvac, nPumpOut, nFinal, nCool, nFlushOut} {
			c[n] += cockPrice
		}
	case frame.SwitchOff:
		for _, n := range [...]node{nLeak, nAdmit1, nAdmit2, nFlushIn, nFill} {
			c[n] += cockPrice
		}
	}
}

// cockPrice is that of saying that the pump pumps while the switch on the main
// stopcock says shut, or that it does not while it says open, nats/s.
const cockPrice = 4
