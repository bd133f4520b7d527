package plant

import (
	"math"
	"time"
)

const (
	points  = 1024 // per mains cycle
	notches = 12   // shapes kept
)

// shapes holds one mains cycle of arc current for several widths of the
// restrike notch, each with an RMS of 1. A choke keeps the current near a sine;
// the arc goes out at each zero and stays dark until the voltage has come back.
var shapes = makeShapes()

func makeShapes() *[notches][points]float32 {
	var s [notches][points]float32
	for n := range s {
		dark := 0.02 + 0.26*float64(n)/(notches-1) // share of the half cycle
		mean := 0.0
		for i := range s[n] {
			// Position within the half cycle, 0 to 1.
			x := math.Mod(float64(i)/points*2, 1)
			y := 0.01 * math.Sin(math.Pi*x) // leakage while dark
			if x > dark {
				u := (x - dark) / (1 - dark)
				// Quick restrike, then the choke's slow turn to zero.
				y = math.Sin(math.Pi*u)*(1+0.25*dark) + 0.1*math.Exp(-u/0.05)*(1-math.Exp(-u/0.01))
			}
			mean += y * y
			if i >= points/2 {
				y = -y
			}
			s[n][i] = float32(y)
		}
		k := float32(1 / math.Sqrt(mean/points))
		for i := range s[n] {
			s[n][i] *= k
		}
	}
	return &s
}

// wave is what [Plant.CurrentAt] needs.
type wave struct {
	mains float64
	now   *[points]float32
}

// shape picks the notch for the voltage the arc takes: the more of the
// supply's voltage it needs, the later it strikes again in each half cycle.
func (w *wave) shape(p *Plant) {
	x := min(1, p.arc.volts/(p.bench.Hold*p.bench.OpenCircuit))
	w.now = &shapes[int(x*(notches-1)+0.5)]
}

// CurrentAt is the instantaneous secondary current at bench time t, A, with the
// amplitude of the plant's present step. It computes the plant up to t.
func (p *Plant) CurrentAt(t time.Duration) float64 {
	p.mu.Lock()
	if p.now+p.step <= t {
		p.advance(t)
	}
	i := p.currentAt(t)
	p.mu.Unlock()
	return i
}

func (p *Plant) currentAt(t time.Duration) float64 {
	rms := p.arc.current + p.aged.current
	if rms == 0 || p.wave.now == nil {
		return 0
	}
	x := float64(t) * (1e-9 * p.wave.mains)
	x -= float64(int64(x))
	return rms * float64(p.wave.now[int(x*points)&(points-1)])
}
