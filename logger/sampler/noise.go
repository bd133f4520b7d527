package sampler

import (
	"math"
)

// A channel that has been seen to have noise of more than half a code, for as long
// as it was looked at, cannot lose it: then a code that stands is frozen, whatever
// the bench does. That needs care. A quiet channel rests on one code; one that sits
// between two codes wanders from one to the other and rests when it drifts to the
// middle of one; a ramp moves without noise; a spark coil makes noise for a minute;
// a panel meter has noise at the atmosphere and none at the bottom. Hence:
//
//   - noise is what turns back, not what moves;
//   - it is measured in blocks of blockLen samples; each of the last blocks kept must
//     have had enough of it, and the least counts;
//   - its steps must be so large that no single code holds more than two samples in
//     three wherever the value lies between codes (a standard deviation of 0.58
//     codes, from the normal distribution);
//   - it counts apart with and without an arc, which makes noise of its own;
//   - the code that stands must lie where the others just were.
//
// With the share r of samples that turn back, n samples without a turn come by chance
// with about (1-r)^n; the bound is e^-noChance, once in some 10^17 samples. So the
// finest channels are found after 40 samples, and at worst after 400.
const (
	blockLen  = 64
	blocks    = 8
	leastTurn = 0.1
	// leastStep is the least mean square of the steps, in codes: 2·(0.58² + 1/12),
	// with the rounding's share; half of it in each block. Each step counts for at
	// most mostStep, lest a few sparks pass for noise.
	leastStep = 0.8
	mostStep  = 4.0
	noChance  = 40.0
	// levelLen is over how many samples the level is averaged.
	levelLen = 16.0
)

// noise is what is known of one channel's.
type noise struct {
	with  [2]blockRing // without an arc and with one
	arc   bool
	turn  float64 // direction of the last step
	level float64
	stood int  // samples with the present code since the arc went on or off
	run   int  // samples with the present code
	near  bool // the present code lies where the ones before lay
	off   bool // not followed: a current rests without noise, a switch has none
}

// blockRing is the last blocks of samples.
type blockRing struct {
	n, turns int
	squares  float64
	size     float64 // sum of the steps
	full     int     // complete blocks, at most blocks
	next     int
	rate     [blocks]float64 // share of samples that turn back
	square   [blocks]float64 // mean square of the steps, in codes
	mean     float64         // step of the last complete block
}

// restart begins anew after a gap, in which anything may have happened.
func (z *noise) restart(raw float64, arc bool) {
	z.arc, z.turn, z.level, z.stood, z.run, z.near = arc, 0, raw, 1, 1, false
	for i := range z.with {
		z.with[i].n, z.with[i].turns, z.with[i].squares, z.with[i].size = 0, 0, 0, 0
	}
}

// stands takes a sample with the same code.
func (z *noise) stands(arc bool) {
	z.run++
	z.stood++
	if arc != z.arc {
		z.arc, z.stood = arc, 1
	}
}

// moves takes a sample with another code. grain is the least step so far; a run that
// was found frozen is no evidence of how quiet the channel is.
func (z *noise) moves(from, to, grain float64, frozen, arc bool) {
	r := &z.with[index(z.arc)]
	step := to - from
	if grain == 0 {
		grain = math.Abs(step)
	}
	if !frozen {
		r.n += z.run
		if step*z.turn < 0 {
			r.turns++
		}
		if grain > 0 {
			codes := math.Abs(step) / grain
			r.squares += min(codes*codes, mostStep)
		}
		r.size += math.Abs(step)
		if r.n >= blockLen {
			r.close()
		}
	}
	if step != 0 {
		z.turn = step
	}
	z.level += (from - z.level) * min(1, float64(z.run)/levelLen)
	z.near = math.Abs(to-z.level) <= max(grain, 4*z.with[index(arc)].mean)
	z.arc, z.stood, z.run = arc, 1, 1
}

func (r *blockRing) close() {
	n := float64(r.n)
	r.rate[r.next], r.square[r.next] = float64(r.turns)/n, r.squares/n
	r.next = (r.next + 1) % blocks
	r.full = min(r.full+1, blocks)
	r.mean = r.size / n
	r.n, r.turns, r.squares, r.size = 0, 0, 0, 0
}

// missing tells whether the noise that the channel has, with or without an arc, has
// been away for longer than chance allows.
func (z *noise) missing(arc bool) bool {
	r := &z.with[index(arc)]
	if z.off || z.arc != arc || !z.near || r.full < blocks {
		return false
	}
	least, steps := 1.0, 0.0
	for i, x := range r.rate {
		least = min(least, x)
		if r.square[i] < leastStep/2 {
			return false
		}
		steps += r.square[i] / blocks
	}
	return steps >= leastStep && least >= leastTurn && float64(z.stood)*-math.Log1p(-least) >= noChance
}

func index(arc bool) int {
	if arc {
		return 1
	}
	return 0
}
