package phase

import "math"

const (
	binWidth = 0.25 // s
	binCount = 96
)

// kink tells live that ln p has left the line on which it ran: the main stopcock
// shut at base. It compares the last seconds with the line through those before
// and says by how many standard deviations they lie above it; the noise it takes
// from that line's residuals, so it sees as much as the gauge allows and no more.
type kink struct {
	x, y  [binCount]float64 // ring of means over binWidth
	count int               // bins ever filled
	at    float64           // s, start of the open bin
	last  float64           // s, last sample
	sx    float64
	sy    float64
	n     float64
}

// step takes a sample; it is true when a bin has been closed.
func (k *kink) step(y, at float64) bool {
	if y != y {
		return false
	}
	if at-k.last > 3 {
		*k = kink{at: at}
	}
	k.last = at
	done := false
	if k.n > 0 && at-k.at >= binWidth-1e-9 {
		i := k.count % binCount
		k.x[i], k.y[i] = k.sx/k.n, k.sy/k.n
		k.count++
		k.at, k.sx, k.sy, k.n = at, 0, 0, 0
		done = true
	}
	k.sx += at
	k.sy += y
	k.n++
	return done
}

// jump is by how much ln p, having stood for two seconds, has jumped within half
// a second to where it stands again: an arc was struck in the gas and heats it. 0
// if it has not.
func (k *kink) jump() float64 {
	if k.count < 11 {
		return 0
	}
	at := func(back int) (x, y float64) {
		i := (k.count - back) % binCount
		return k.x[i], k.y[i]
	}
	now, top := at(1)
	then, _ := at(11)
	if now-then > 4 {
		return 0
	}
	sum, lo, hi := 0.0, math.Inf(1), math.Inf(-1)
	for back := 4; back <= 11; back++ {
		_, y := at(back)
		sum, lo, hi = sum+y, min(lo, y), max(hi, y)
	}
	size := top - sum/8
	if sum/8 < lnRough || sum/8 > lnFlush+0.1 || hi-lo > 0.02 || size > 0.6 || size < 0.003+1.7*(hi-lo) {
		return 0
	}
	return size
}

// slope is that of the line through bins [from, to); -Inf where there are none
// to judge by.
func (k *kink) slope(from, to int) float64 {
	from = max(from, k.count-binCount+1, 0)
	var f fit
	if to <= from {
		return math.Inf(-1)
	}
	x0 := k.x[from%binCount]
	for j := from; j < to; j++ {
		f.add(k.x[j%binCount]-x0, k.y[j%binCount], 1)
	}
	if f.n < 10 {
		return math.Inf(-1)
	}
	return (f.xy - f.x*f.y/f.n) / (f.xx - f.x*f.x/f.n)
}

// spans are how many bins of the newest are held against those before.
var spans = [...]int{3, 5, 8, 12, 16}

// rise is the largest significance with which the newest bins lie above the
// line through at most back bins before them, none older than from. bend is the
// shortest time constant, s, with which a falling line may flatten by itself.
//
// noise is what is known of the variance of a bin from before; it is kept up.
func (k *kink) rise(from float64, back int, bend float64, noise *float64) float64 {
	z := 0.0
	for _, m := range spans {
		x, v := k.over(m, from, back, bend, *noise)
		z = max(z, x)
		if m == spans[0] && v > 0 {
			*noise = blend(*noise, v, binWidth, noiseMemory)
		}
	}
	return z
}

// noiseMemory is over how long the noise is averaged, s.
const noiseMemory = 10

// over is the significance for the newest m bins, and the variance about the
// line before them; 0 if it cannot be told.
func (k *kink) over(m int, from float64, back int, bend, noise float64) (z, variance float64) {
	var f fit
	end := k.count - m
	if end <= 0 {
		return 0, 0
	}
	x0 := k.x[end%binCount]
	for j := end - 1; j >= 0 && j >= end-back && j > k.count-binCount; j-- {
		i := j % binCount
		if k.x[i] < from {
			break
		}
		f.add(k.x[i]-x0, k.y[i], 1)
	}
	if f.n < 16 {
		return 0, 0
	}
	mx, my := f.x/f.n, f.y/f.n
	sxx := f.xx - f.n*mx*mx
	b := (f.xy - f.n*mx*my) / sxx
	variance = f.sloped() / (f.n - 2)
	sigma2 := max(variance, 2.5e-9) // half a digit of the converter
	if noise > sigma2 {
		sigma2 = noise
	}
	flat := b < 0 && !(k.slope(end-back-back, end-back) > 2*b)
	var sum, w1, w2, wx float64
	var g fit
	for j := end; j < k.count; j++ {
		i := j % binCount
		t := k.x[i] - x0
		want := my + b*(t-mx)
		switch {
		case flat: // it fell much faster a while ago: it may stop at any time
			want = my - b*mx
		case b < 0:
			want -= b * (0.1 + t*t/(2*bend))
		}
		w := t + binWidth/2
		sum += w * (k.y[i] - want)
		w1 += w
		w2 += w * w
		wx += w * (t - mx)
		g.add(t, k.y[i], 1)
	}
	if b < -0.05 { // still pumping down
		return 0, 0
	}
	slope := (g.xy - g.x*g.y/g.n) / (g.xx - g.x*g.x/g.n)
	if slope < 0.25*b {
		return 0, variance
	}
	return sum / math.Sqrt(sigma2*(w2+w1*w1/f.n+wx*wx/sxx)), variance
}
