package rms

import "math"

// firing is what is known of where steady edges lie: the place of each polarity's
// edge after its zero (so below 0), in half cycles, with its variance.
//
// Each edge lies between two samples, which says: the place is more than one time and
// less than another, but for the noise of the zeros and of the firing itself. As long
// as the gap that all leave is wide against that noise, the place is anywhere in it.
// From then on the knowledge is a Gaussian, and what an edge's word leaves of it is
// taken to be the Gaussian of the same mean and variance (assumed-density filtering);
// after 300 edges that is within a twentieth of the exact posterior. Most edges say
// nothing new, and cost nothing.
type firing struct {
	place    [2]float64
	variance [2]float64
	cov      float64
	known    bool
	wide     bool // the gap is what is known
	gap      gap
	drift    float64 // by how much the place moved in half a window, smoothed
	since    uint64  // the meter's count of half cycles when it began
	next     uint64  // the count of the first edge that was not used yet
}

// gap is between what times all edges of each polarity lie.
type gap struct{ low, high [2]float64 }

const (
	// regular is the standard deviation of an edge about its place, in ns, that is
	// assumed at least.
	regular = 300
	// alike is by how much, in ns, the two polarities fire apart that seem to fire
	// alike: a standard deviation.
	alike = 700
	// wander is the standard deviation, in ns, by which a place moves in a second that
	// seems to rest.
	wander = 200
	// unseen is the standard deviation, in ns, of moves that are not noticed yet.
	unseen = 2000
	// alone is the standard deviation, in sample intervals, that is assumed at least of
	// a place that the edges of no other window confirm: a few edges that jitter leave
	// a gap open by chance.
	alone = 0.1
	// shut is by how much, in sample intervals, a gap may be less than open, and an edge
	// off its place, before the firing is taken for another.
	shut = 0.1
	// narrow is the width of a gap, in standard deviations of the noise, below which
	// the noise counts.
	narrow = 6
	// surprise is how many standard deviations off an edge does not come by chance.
	surprise = 4
)

// above is told that an edge of polarity p lies at sign·place > bound. If that is a
// surprise it only tells by how much.
func (f *firing) above(p int, sign, bound, noise float64) (off float64) {
	z := sign*f.place[p] - bound
	w2 := f.variance[p] + noise
	if z*z > surprise*surprise*w2 {
		return max(0, -z)
	}
	w := math.Sqrt(w2)
	z /= w
	// φ/Φ
	h := math.Exp(-0.5*z*z) * (1 / math.Sqrt(2*math.Pi)) / (0.5 * math.Erfc(-z*(1/math.Sqrt2)))
	g, c := f.variance[p], f.cov
	k := h * (h + z) / w2
	h *= sign / w
	f.place[p] += g * h
	f.place[1-p] += c * h
	f.variance[p] -= g * g * k
	f.variance[1-p] -= c * c * k
	f.cov -= g * c * k
	return 0
}

// edge is told between what an edge of polarity p lies; false if it is another firing.
func (f *firing) edge(p int, low, high, noise, most float64) bool {
	over, under := f.place[p]-low, high-f.place[p]
	far := surprise * surprise * (f.variance[p] + noise)
	if over > 0 && under > 0 && over*over > far && under*under > far {
		return true // most say no more than that
	}
	return f.side(p, 1, low, noise, most) && f.side(p, -1, -high, noise, most)
}

func (f *firing) side(p int, sign, bound, noise, most float64) bool {
	off := f.above(p, sign, bound, noise)
	if off > 0 && off <= most {
		f.variance[p] += off * off
		f.above(p, sign, bound, noise)
	}
	return off <= most
}

// between takes f from its gap, if that is not shut. One gap for both polarities is
// more, if they seem to fire alike.
func (f *firing) between(noise, most, per float64) {
	g := &f.gap
	slack := narrow*math.Sqrt(noise) + most
	lo, hi := max(g.low[0], g.low[1]), min(g.high[0], g.high[1])
	both := hi-lo > -slack
	if both {
		g.low, g.high = [2]float64{lo, lo}, [2]float64{hi, hi}
	}
	f.known, f.wide, f.cov = true, true, 0
	for p := range 2 {
		room := g.high[p] - g.low[p]
		f.place[p] = 0.5 * (g.high[p] + g.low[p])
		f.variance[p] = room*room*(1.0/12) + noise
		if room < 0 { // edges that scatter by as much
			f.variance[p] = room*room*0.25 + noise
		}
		f.known = f.known && room > -slack
		f.wide = f.wide && room > narrow*math.Sqrt(noise)
	}
	if both {
		d := alike * alike * per * per
		f.cov = f.variance[0] - d
		f.variance[0] += d
		f.variance[1] += d
	}
}

// learn adds half a window of edges to what is known of the firing, from the middle of
// the last n half cycles, where their zeros are known best; once in half a window.
func (m *Meter) learn(n uint64) {
	if m.count%(n/2) != 0 || m.count < n {
		return
	}
	f := &m.firing
	p, ok := m.phase(n)
	if !ok { // a pulse between two samples, or no edges any more
		f.known = f.known && m.count-f.next < 5*n
		return
	}
	s := m.at(0)
	per := p.per
	most := shut * float64(s.raw) / float64(s.n) * per
	if f.known {
		m.follow(&p, n, most)
	}
	f.next = m.count - n/4
	if !f.known {
		*f = m.own(&p, n, most)
		f.next = m.count + 1
	}
}

// follow is learn's for a firing that is known.
func (m *Meter) follow(p *phase, n uint64, most float64) {
	f := &m.firing
	per := p.per
	noise := p.spread() * per * per
	seconds := 1e-9 * 0.5 * float64(n) * p.b
	from, to := n/4+1, n/4+n/2
	for to > from && m.count-to < f.next {
		to--
	}
	if f.wide {
		for i := range 2 {
			f.gap.low[i] -= 5 * wander * per * seconds
			f.gap.high[i] += 5 * wander * per * seconds
		}
		m.narrow(&f.gap, p, from, to)
		f.between(noise, most, per)
		return
	}
	// A place that moves leaves less of what was known.
	move := wander*wander*per*per*seconds + 9*f.drift*f.drift
	f.variance[0] += move
	f.variance[1] += move
	f.cov += move
	was := f.place[0] + f.place[1]
	for i := to; i >= from && f.known; i-- {
		low, high := m.bounds(p, i)
		f.known = f.edge(int((m.count-i)&1), low, high, noise, most)
	}
	f.drift += 0.15 * (0.5*(f.place[0]+f.place[1]-was) - f.drift)
}

// bounds is between what times after its zero the edge of the i-th last segment lies,
// in half cycles.
func (m *Meter) bounds(p *phase, i uint64) (low, high float64) {
	j := &m.seg(i).jump
	k := p.mid - float64(i)
	zero := p.base + p.a + k*(p.b+k*p.c)
	per := (1 - p.drift*k) * p.per // of its own half cycle; 1/(1+x) of an x next to 0
	return (j.t0 - zero) * per, (j.t1 - zero) * per
}

// narrow leaves of g what the edges of the from- to to-th last segments leave open.
func (m *Meter) narrow(g *gap, p *phase, from, to uint64) {
	for i := from; i <= to; i++ {
		low, high := m.bounds(p, i)
		side := (m.count - i) & 1
		if low > g.low[side] {
			g.low[side] = low
		}
		if high < g.high[side] {
			g.high[side] = high
		}
	}
}

// own is the firing by p's window alone.
func (m *Meter) own(p *phase, n uint64, most float64) (f firing) {
	f.gap = gap{[2]float64{-1, -1}, [2]float64{0, 0}}
	m.narrow(&f.gap, p, 0, n)
	per := p.per
	f.between(p.spread()*per*per, most, per)
	f.since = m.count
	return f
}
