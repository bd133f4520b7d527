package phase

import (
	"math"
	"slices"
)

// Smooth finds the phases of a whole recording, looking both ways in time.
// Observations are in order of time; those that do not move time on are
// passed over. The segments follow each other without gaps, from the first
// observation to the last.
func Smooth(obs []Observation, opt Options) []Segment {
	opt = opt.filled()
	fs := features(obs, &opt)
	if len(fs) == 0 {
		return nil
	}
	way := decode(fs, &opt)
	habit := refine(way, fs, &opt)
	var out []Segment
	for i := range way {
		p := nodePhase[way[i]]
		if len(out) == 0 || out[len(out)-1].Phase != p {
			if len(out) > 0 {
				out[len(out)-1].To = seconds(fs[i].at)
			}
			out = append(out, Segment{Phase: p, From: seconds(fs[i].at), Habit: slices.Contains(habit, i)})
		}
	}
	out[len(out)-1].To = seconds(fs[len(fs)-1].at)
	return out
}

// coarse is the least spacing, s, at which the smoother decides; its windows
// are longer, and refine looks at every reading.
const coarse = 0.2

// decode is the cheapest way through the nodes for each of fs.
func decode(fs []feature, o *Options) []node {
	var d decoder
	d.start(&fs[0], o)
	back := make([][nodes]node, 1, len(fs))
	taken := make([]int, 1, len(fs)) // which of fs the steps were
	for i := 1; i < len(fs); i++ {
		dt := fs[i].at - fs[taken[len(taken)-1]].at
		if dt < coarse-1e-6 && i < len(fs)-1 {
			continue
		}
		f := fs[i]
		f.dt = min(dt, 2)
		back = append(back, [nodes]node{})
		taken = append(taken, i)
		d.step(&f, o, &back[len(back)-1])
	}
	way := make([]node, len(fs))
	n, end := d.best(), len(fs)
	for k := len(taken) - 1; k >= 0; k-- {
		for i := taken[k]; i < end; i++ {
			way[i] = n
		}
		end = taken[k]
		n = back[k][n]
	}
	return way
}

// features computes what the model looks at with windows that are centred on
// each observation, so that edges are not delayed.
func features(obs []Observation, o *Options) []feature {
	fs := make([]feature, 0, len(obs))
	p := make([]float64, 0, len(obs))
	g := make([]float64, 0, len(obs))
	c := make([]float64, 0, len(obs))
	last := math.Inf(-1)
	for i := range obs {
		at := obs[i].At.Seconds()
		if at <= last {
			continue
		}
		dt := 0.1
		if len(fs) > 0 {
			dt = min(at-last, 2)
		}
		last = at
		fs = append(fs, feature{at: at, dt: dt, i: currentOf(obs[i].Current), k: obs[i].Contactor})
		p = append(p, lnPressure(obs[i].Pressure))
		g = append(g, glassOf(obs[i].Glass))
		c = append(c, currentOf(obs[i].Current))
	}
	if len(fs) == 0 {
		return fs
	}
	gap := spacing(fs)
	scatter(fs, p)
	despike(p)
	despike(g)
	for i := range fs {
		fs[i].raw = p[i]
	}
	line(fs, p, max(0.6, 1.01*gap), func(f *feature, y, s float64) { f.lp, f.slope = y, s })
	line(fs, p, max(6, 3*gap), func(f *feature, y, s float64) { f.trend, f.calm = s, f.lp })
	line(fs, g, max(1.5, 1.01*gap), func(f *feature, y, s float64) { f.t, f.tSlope = y, s })
	line(fs, c, max(0.5, 1.01*gap), func(f *feature, y, _ float64) { f.mean = y })
	held, heldAt := math.NaN(), math.Inf(-1)
	for i := range fs {
		f := &fs[i]
		if f.i == f.i {
			held, heldAt = f.i, f.at
		} else if f.at-heldAt <= stale {
			f.i = held
		}
		f.judge(o)
	}
	var h hand
	n := 0
	for i := range obs {
		if at := obs[i].At.Seconds(); n < len(fs) && at == fs[n].at {
			h.step(obs[i], &fs[n])
			n++
		}
	}
	return fs
}

// spacing is the median time between observations, s.
func spacing(fs []feature) float64 {
	d := make([]float64, 0, 256)
	for i := 1; i < len(fs); i += 1 + len(fs)/256 {
		d = append(d, fs[i].at-fs[i-1].at)
	}
	if len(d) == 0 {
		return 0.1
	}
	slices.Sort(d)
	return d[len(d)/2]
}

// scatter sets the noise of ln p, as the follower has it.
func scatter(fs []feature, p []float64) {
	noise := 0.0
	for i := 2; i < len(fs); i++ {
		if x := departure(p[i-2], p[i-1], p[i]); x == x {
			noise = blend(noise, x, fs[i].dt, 5)
		}
		fs[i].noise = noise
	}
}

// despike drops excursions of a single sample.
func despike(y []float64) {
	if len(y) < 3 {
		return
	}
	before := y[0]
	for i := 1; i < len(y)-1; i++ {
		here := y[i]
		if a, b := min(before, y[i+1]), max(before, y[i+1]); a == a && b == b {
			y[i] = max(a, min(b, here))
		}
		before = here
	}
}

// line fits a straight line to y in a window of ± half seconds about each
// observation and hands over its level and slope there.
func line(fs []feature, y []float64, half float64, set func(f *feature, y, slope float64)) {
	var n, sx, sy, sxx, sxy float64
	x0 := fs[0].at
	lo, hi := 0, 0
	add := func(k int, w float64) {
		if v := y[k]; v == v {
			x := fs[k].at - x0
			n += w
			sx += w * x
			sy += w * v
			sxx += w * x * x
			sxy += w * x * v
		}
	}
	for i := range fs {
		at := fs[i].at
		for hi < len(fs) && fs[hi].at <= at+half {
			add(hi, 1)
			hi++
		}
		for fs[lo].at < at-half {
			add(lo, -1)
			lo++
		}
		if n < 0.5 {
			n, sx, sy, sxx, sxy = 0, 0, 0, 0, 0
			set(&fs[i], math.NaN(), math.NaN())
			continue
		}
		mx, my := sx/n, sy/n
		v := sxx/n - mx*mx
		if n < 1.5 || v < 1e-5 {
			set(&fs[i], my, math.NaN())
			continue
		}
		s := (sxy/n - mx*my) / v
		set(&fs[i], my+s*(at-x0-mx), s)
	}
}
