package phase

import (
	"math"

	"tipoff/logger/frame"
)

// decoder finds the cheapest way through the nodes (Viterbi), one
// observation at a time.
type decoder struct {
	causal bool // the future will not be seen
	cost   [nodes]float64
	next   [nodes]float64
	path   [nodes]path
	moved  [nodes]path
	price  [nodes]float64
	early  [nodes]float64
}

func (d *decoder) start(f *feature, o *Options) {
	for n := range nodes {
		d.path[n] = path{since: f.at, node: f.at, current: math.NaN(), press: math.NaN(), peak: math.NaN(), level: math.NaN(), top: math.NaN(), low: math.NaN(), strike: math.NaN(), let: math.NaN(), air: math.NaN(), ended: math.NaN()}
		d.cost[n] = 8
	}
	d.cost[nIdle], d.cost[nEvac] = 1, 5
	for _, n := range [...]node{nAge, nDryOff, nBombOff, nShellsOff, nAdmit2, nTip, nVent, nFlushOut} {
		d.cost[n] = 12 // a recording seldom begins there
	}
	if f.t > 60 { // in the middle of a run, as after power was lost
		for _, n := range [...]node{nIdle, nEvac, nLeak, nAdmit1} {
			d.cost[n] += 6
		}
		if f.lp < o.lnBase {
			d.cost[nPumpOut] += 2 // seldom pumps so far
		}
		if f.t > o.PreheatEnd {
			d.cost[nDry] += 3
		}
	}
	emit(f, o, &d.price)
	for n := range nodes {
		d.cost[n] += d.price[n] * 0.5
	}
}

// step advances by one observation. back, if not nil, receives for each node
// the node it came from.
func (d *decoder) step(f *feature, o *Options, back *[nodes]node) {
	emit(f, o, &d.price)
	d.next = d.cost
	var from [nodes]node
	for n := range from {
		from[n] = node(n)
		d.price[n] += d.dwell(node(n), f, o)
		d.early[n] = 0
		if age := f.at - d.path[n].node; age < short[n] {
			d.early[n] = earlyPrice * (1 - age/short[n])
		}
	}
	for k := range edges {
		e := &edges[k]
		c := d.cost[e.from] + e.price + d.early[e.from]
		if c >= d.next[e.to] && !e.sign {
			continue
		}
		if c += d.gate(e, f, o); c < d.next[e.to] {
			d.next[e.to], from[e.to] = c, e.from
		}
	}
	least := math.Inf(1)
	for n := range nodes {
		// Staying was priced with the path's own history above; one who has
		// just come pays the plain price.
		d.next[n] += d.price[n] * f.dt
		least = min(least, d.next[n])
	}
	moves := 0
	for n := range nodes {
		d.cost[n] = d.next[n] - least
		if src := from[n]; src != node(n) {
			d.moved[moves] = d.path[src]
			d.moved[moves].move(src, node(n), f.at)
			moves++
		}
	}
	for n := nodes - 1; moves > 0; n-- {
		if from[n] != node(n) {
			moves--
			d.path[n] = d.moved[moves]
		}
	}
	if q := &d.path[nTip]; d.causal && d.torchShows(f) {
		if q.habit {
			q.since = f.at
		}
		q.habit = false
	} else if from[nTip] == nFill {
		q.habit = true
	}
	d.learn(f)
	if back != nil {
		*back = from
	}
}

// move lets the path, now at from, go on to another node.
func (q *path) move(from, to node, at float64) {
	switch {
	case arcNode[to] || offNode[to]:
	case arcNode[from]:
		q.ended = at
	case offNode[from]:
		q.ended = q.node
	}
	q.node = at
	if to == nTip {
		q.fill, q.habit = q.since, false
	}
	if nodePhase[from] != nodePhase[to] {
		q.since = at
	}
	if from == nIdle || from == nAge {
		q.current, q.press, q.peak, q.strike, q.air = math.NaN(), math.NaN(), math.NaN(), math.NaN(), math.NaN()
		q.struck, q.dried = false, false
	}
	if from == nAdmit1 && arcNode[to] {
		q.air = q.let
	}
	if to == nAdmit1 || to == nAdmit2 {
		q.let = math.NaN()
	}
	if arcNode[to] && !arcNode[from] {
		q.again = offNode[from]
	}
	if to == nPumpOut {
		q.dried = true
	}
	if from == nDry && to == nBomb { // one arc for all: nothing to compare
		q.again = true
	}
}

// learn updates what the paths carry.
func (d *decoder) learn(f *feature) {
	if f.t == f.t {
		for n := range nodes {
			if p := &d.path[n]; !(p.peak >= f.t) {
				p.peak = f.t
			}
		}
	}
	for _, n := range [...]node{nDry, nBomb} {
		q := &d.path[n]
		tau := max(0.5, min(8, (f.at-q.node)/2))
		if q.again && f.at-q.since > 8 { // it goes on from before the break
			if tau = 8; f.at-q.node < 1 {
				continue
			}
		}
		if f.i == f.i && f.arcOn == 0 {
			q.current = blend(q.current, f.i, f.dt, tau)
		}
		if f.lp == f.lp && !(f.slope < lowered) {
			q.press = blend(q.press, f.lp, f.dt, tau)
		}
	}
	q := &d.path[nDry]
	if age := f.at - q.node; q.again {
		q.struck = q.strike == q.strike
	} else if age > strikeFrom && age < strikeTo && !q.struck && f.i == f.i {
		q.strike = blend(q.strike, f.i, f.dt, 1)
	} else if age > strikeTo && q.strike == q.strike {
		q.struck = true
	}
	for _, n := range [...]node{nAdmit1, nAdmit2} {
		q = &d.path[n]
		if math.Abs(f.slope) < 0.02 && f.calm == f.calm {
			q.let = blend(q.let, f.calm, f.dt, 0.5)
		}
		switch {
		case q.node == f.at || f.slope < -0.03:
			q.stood = f.at
		case f.slope > 0.03 && f.at-q.stood <= 1.2: // still being let in
			q.stood = f.at
		case f.slope > 0.03: // a jump; its second half is no jump any more
			q.stood += 2 * f.dt
		}
	}
	q = &d.path[nFill]
	q.burnt = q.burnt && q.node != f.at || f.torch == frame.SwitchOn && !f.held(q)
	if f.calm == f.calm {
		// Only a rise says that gas still comes in; the level sinks a little
		// as manifold and tube even out.
		tol := max(0.002, 1.5*f.noise)
		if q.node == f.at || !(f.calm < q.top+tol) {
			q.top, q.level, q.steady = f.calm, f.calm, f.at
		} else {
			q.level = blend(q.level, f.calm, f.dt, 5)
		}
		q.top = max(q.top, q.level)
		switch off := math.Abs(f.calm-q.level) > max(0.012, 2*f.noise); {
		case !off:
			q.left = 0
		case q.left == 0:
			q.left = f.at
		}
	}
	q = &d.path[nEvac]
	if q.node == f.at || f.calm < q.low || q.low != q.low {
		q.low = f.calm
	}
}

// lowered is how fast ln p falls, 1/s, where somebody lowers the pressure: it is no
// more what the arc burns in.
const lowered = -0.06

// hot tells whether the glass is so hot that the shells' turn may have come, or may be
// for all that is known. The thermocouple lags.
func (f *feature) hot() bool { return !(f.t+3*max(f.tSlope, 0) <= 190) }

// soon is ln p as it is by now, where a falling pressure is filtered with a delay.
func (f *feature) soon() float64 {
	if f.slope < lowered {
		return f.lp + 0.4*f.slope
	}
	return f.lp
}

func blend(y, x, dt, tau float64) float64 {
	if y != y {
		return x
	}
	return y + (x-y)*(dt/(tau+dt))
}

// dwell prices staying in a node by how long and against what came before,
// nats per second: the explicit-duration part of the model.
func (d *decoder) dwell(n node, f *feature, o *Options) float64 {
	q := &d.path[n]
	age := f.at - q.node
	switch n {
	case nShells:
		if f.blind { // no pressure to see; the choke is turned all the same
			return under(math.Abs(math.Log(f.mean/q.current)), 0.03, 0.015, 2)
		}
		weak := under(f.i, q.current*1.08, 0.05*q.current, 1)
		full := over(f.soon(), q.press-0.1, 0.2, 1)
		if q.again && age > 1 { // struck again in as much gas as before: not the shells' turn
			return 3 * min(weak, over(f.soon(), q.press-0.25, 0.1, 1))
		}
		if age > 3 { // the arc may take less current again as gas comes
			return min(2*weak, 2*full)
		}
		return weak + full
	case nBomb:
		if age < settle {
			if age > strikeFrom && age < strikeTo && !q.again {
				return under(math.Log(f.i/q.strike), 0.25, 0.1, 10)
			}
			if !q.again || f.at-q.since < settle || age < 1 || !f.hot() {
				return 0
			}
		}
		// A pressure lowered with cool glass and no more current is a heavy
		// hand on the stopcock, not the shells' turn.
		c := over(f.i, q.current*1.15, 0.08*q.current, 2)
		if f.blind && f.hot() {
			c += over(math.Abs(math.Log(f.mean/q.current)), 0.03, 0.015, 6)
		}
		if f.i > 1.08*q.current || f.hot() {
			c += under(f.soon(), q.press-0.2, 0.15, 6)
		}
		return c
	case nFlushIn:
		if age > 45 {
			return 0.08
		}
	case nFlushOut:
		if age > short[nFlushOut] {
			return under(f.lp, o.lnBase+flushedOut, 0.05, 3)
		}
	case nEvac:
		thr := max(0.005, 1.25*f.noise)
		return over(f.calm, q.low+thr, thr/3, 5)
	case nLeak:
		if !d.causal && age < 20 {
			return under(f.trend, 0.002, 0.002, 0.5)
		}
	case nPumpOut:
		if age > 150 {
			return 0.1
		}
	case nDry:
		c := 0.0
		if f.t != f.t {
			if age > 90 {
				c = 0.1
			}
			if age > settle { // it may have been the bombardment all the time
				c += over(f.i, q.current*1.15, 0.08*q.current, 2) + under(f.lp, q.press-0.2, 0.15, 4)
			}
		}
		if age > strikeFrom && age < strikeTo && !q.again {
			c += over(math.Log(f.i/q.strike), 0.2, 0.1, 10)
		}
		if d.causal && f.over > q.patient() {
			c += 8
		}
		return c
	case nFill:
		if !f.told(q) && f.at-q.steady > o.patience(f.noise) {
			return 3
		}
	}
	return 0
}

// The choke of a second drying is set as for the first; that of the main
// bombardment lets more current through from the start. strikeFrom and
// strikeTo bound the time after the strike in which the two are compared, s.
const strikeFrom, strikeTo = 0.35, 1.2

// fillSettles is how long after the last gas came in a fill is left to
// settle before a change in it means anything, s.
const fillSettles = 2

// settle is how long the current of a new arc is given to come up, s.
const settle = 10

// gate prices a change of node by what is seen at that moment.
func (d *decoder) gate(e *edge, f *feature, o *Options) float64 {
	switch {
	case arcNode[e.to] && !arcNode[e.from]:
		c := f.arcOn // no arc phase begins without an arc
		if f.i != f.i && (e.from == nAdmit1 || e.from == nAdmit2) && f.slope > 0.08 && f.at-d.path[e.from].stood > 1.2 {
			c -= 4 // no current channel, but gas that is lit is hot: the pressure jumps
		}
		if f.i != f.i && f.jump > 0.008 && (e.from == nAdmit1 || e.from == nAdmit2) {
			c -= 6
		}
		if q := &d.path[nAdmit2]; e.from == nAdmit2 && e.to == nDry && f.t != f.t && !(q.strike == q.strike && f.i == f.i) {
			c += 3
		}
		if q := &d.path[nAdmit2]; e.from == nAdmit2 && f.i != f.i {
			// No current to tell by. Who dries again lets in as much air as before.
			if same := math.Abs(q.let-q.air) < 0.035; e.to == nDry && same {
				c--
			} else if e.to == nBomb && same {
				c += 5
			}
		}
		return c
	case e.from == nDry && e.to == nShells:
		if f.t == f.t {
			return 8
		}
		if f.soon() < d.path[nDry].press-0.3 { // who knows how hot it is; this is how shells begin
			return -2
		}
	case e.from == nDry && e.to == nBomb:
		if f.t != f.t { // nothing to tell by
			return 1
		}
		if d.causal {
			if f.over > d.path[nDry].patient() {
				return -2
			}
			return 8
		}
		return over(math.Abs(f.t-o.PreheatEnd), 1, 2, 8)
	case e.to == nFinal:
		return under(d.path[e.from].peak, 150, 15, 3)
	case e.to == nPumpOut:
		return over(d.path[e.from].peak, 160, 15, 4)
	case e.to == nFlushIn:
		c := under(f.t, 55, 8, 3) + hotGas(f)
		if f.t != f.t && e.from != nFlushOut {
			c += over(f.at-d.path[e.from].ended, o.FillAfter.Seconds()-3, 3, 4)
		}
		return c
	case e.to == nFill:
		c := over(f.t, 60, 20, 3) + hotGas(f)
		if f.t != f.t {
			c += under(f.at-d.path[e.from].ended, o.FillAfter.Seconds()+3, 3, 4)
		}
		return c
	case e.from == nEvac && e.to == nLeak:
		// A rise says nothing to a run that is not being evacuated.
		if f.rise > 3.9 && rate(f) < 1 && f.slope < 0.3 && d.cost[nEvac] < 4 {
			return -min(f.rise*f.rise/2, 12)
		}
	case e.from == nFill && e.to == nTip:
		q := &d.path[nFill]
		switch {
		case f.held(q) && math.Abs(f.slope) < 0.05: // what is still let in is not sealed
			return -12
		case f.warm > warmSure && (!f.told(q) || f.warm > warmBeyond):
			return -min(f.warm*f.warm/2, 12)
		case f.told(q) && !f.held(q):
			return 12
		}
		if f.at-q.steady > o.patience(f.noise) {
			return 0
		}
		if d.causal {
			if q.stepped(f) {
				return -4
			}
		} else if f.at-q.steady > 6 && math.Abs(f.slope) > 0.012 && math.Abs(f.calm-q.level) > max(0.012, 2*f.noise) {
			return -4 // a settled fill does not step by itself
		}
		return 6
	}
	return 0
}

// hotGas is the price of gas let in on hot glass where no current tells that no
// arc burns: it may be the arc's own.
func hotGas(f *feature) float64 {
	if f.i == f.i || f.k == frame.SwitchOff {
		return 0
	}
	return over(f.t, 115, 15, 6)
}

// says is what phase node n stands for at the bench, and since when, s. A tip-off
// that nothing shows is no news: it is still the fill.
func (d *decoder) says(n node) (ID, float64) {
	q := &d.path[n]
	if n == nTip && q.habit {
		return Fill, q.fill
	}
	return nodePhase[n], q.since
}

// patient is how long, s, the tracker lets an arc on glass above PreheatEnd
// pass for a drying that is about to end: a hand that is slow, and a
// thermocouple's lag. Who has dried before and strikes as he did then is
// drying again.
func (q *path) patient() float64 {
	if q.dried {
		return 10
	}
	return 2.4
}

func (d *decoder) best() node {
	b := node(0)
	for n := range nodes {
		if d.cost[n] < d.cost[b] {
			b = node(n)
		}
	}
	return b
}

func (d *decoder) least(p ID) float64 {
	c := math.Inf(1)
	for n := range nodes {
		if said, _ := d.says(node(n)); said == p {
			c = min(c, d.cost[n])
		}
	}
	return c
}

// lead is by how many nats phase a is better than b.
func (d *decoder) lead(a, b ID) float64 { return d.least(b) - d.least(a) }

// weight is the share of phase p among all by exp(−cost).
func (d *decoder) weight(p ID) float64 {
	var all, its float64
	for n := range nodes {
		if d.cost[n] > 12 {
			continue // less than a thousandth of a per cent
		}
		w := math.Exp(-d.cost[n])
		all += w
		if said, _ := d.says(node(n)); said == p {
			its += w
		}
	}
	return its / all
}
