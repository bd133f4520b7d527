package envelope

import (
	"math"
	"time"

	"tipoff/logger/phase"
)

// kind is how a limit is judged.
type kind uint8

const (
	momentary kind = iota // the reading itself, while in the phases
	reach                 // the highest reading must get to Low, and not above High
	lowest                // the lowest reading must get to High
	heating               // slope of the glass
	striking              // pressure when the arc strikes
	shells                // pressure in shells with the arc on
	arcOn                 // pressure with the arc on
	glowTime              // time with the arc on in the phase
	baseHot               // glass when base was reached
	rising                // slope of the pressure
	filling               // pressure at 20 °C
	pacing                // mean rise of the glass over the heating band
	meanOn                // mean current with the arc on
	diluting              // old gas in the fill
	waiting               // time in the phase
	lastly                // the last reading in the phase
)

var kinds = map[string]kind{
	GlassTarget: reach, GlassCeiling: momentary, HeatingRate: heating, PreheatEnd: reach, StrikeWindow: striking,
	ShellWindow: shells, SputterPressure: arcOn, CurrentLimit: momentary, ShellTime: glowTime,
	BasePressure: lowest, BaseHot: baseHot, RateOfRise: rising, GasTemperature: momentary, FillPressure: filling,
	HeatingBand: pacing, ShellCurrent: meanOn, FlushDilution: diluting, TipOffTime: waiting, TipOffGlass: lastly,
}

// track follows one limit through a run.
type track struct {
	limit  Limit
	kind   kind
	phases uint32 // bit set of phase.ID
	hold   time.Duration

	entered bool // its phases were there
	have    bool // worst is set
	worst   float64
	worstU  float64
	bad     float64 // how far worst is beyond the bound; negative inside
	at      time.Duration
	phase   phase.ID
	out     time.Duration // time beyond the bound in all
	run     time.Duration // of the excursion that lasts

	value, u float64 // now
}

// keep makes x the deciding value.
func (t *track) keep(x, u float64, at time.Duration, p phase.ID) {
	t.have, t.worst, t.worstU, t.at, t.phase = true, x, u, at, p
	t.bad = t.beyond(x)
}

// take is for limits that hold at each moment: it counts time outside and
// keeps the worst value; it tells whether x is that.
func (t *track) take(x, u float64, at time.Duration, p phase.ID, dt time.Duration) bool {
	t.value, t.u = x, u
	if x != x {
		t.run = 0
		return false
	}
	b := t.beyond(x)
	if b > 0 {
		t.run += dt
		t.out += dt
		if t.run < t.hold {
			return false
		}
	} else {
		t.run = 0
	}
	if t.have && b <= t.bad {
		return false
	}
	t.keep(x, u, at, p)
	return true
}

// beyond is how far x is outside the bounds, negative inside.
func (t *track) beyond(x float64) float64 {
	b := math.Inf(-1)
	if h := t.limit.High; h == h {
		b = x - h
	}
	if l := t.limit.Low; l == l {
		b = max(b, l-x)
	}
	return b
}

// verdict judges x after the guard bands of JCGM 106: a bound within two
// standard uncertainties of x decides nothing.
func verdict(l *Limit, x, u float64) Verdict {
	if x != x {
		return NotKnown
	}
	low, high := l.Doubt()
	low, high = 2*math.Hypot(orZero(u), low), 2*math.Hypot(orZero(u), high)
	if x > l.High+high || x < l.Low-low {
		return Outside
	}
	if x > l.High-high || x < l.Low+low {
		return Marginal
	}
	return Within
}

func (t *track) present() Verdict {
	switch t.kind {
	case momentary, heating, rising, shells, arcOn, striking, diluting, waiting, lastly:
		return verdict(&t.limit, t.value, t.u)
	case baseHot:
		if t.have {
			return verdict(&t.limit, t.worst, t.worstU)
		}
		return NotKnown
	case filling:
		if v := verdict(&t.limit, t.value, t.u); v != Outside || t.value > t.limit.High {
			return v
		}
		return NotKnown // not yet full
	}
	// What has to be reached: not known until it is.
	v := NotKnown
	if t.have {
		v = verdict(&t.limit, t.worst, t.worstU)
	}
	if v == Outside && !((t.kind == reach || t.kind == pacing || t.kind == meanOn) && t.worst > t.limit.High) {
		return NotKnown
	}
	return v
}
