package learn

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"tipoff/logger/model"
)

// together are the constants that a run's glass, shells and strikes tell of, all
// at once, so that they are put together with their covariances. Pump speed, the
// manifold's volume and hold pressure are told by other readings and stand by themselves.
var together = [dims]model.Constant{
	model.Heating, model.PressureExponent, model.CurrentExponent, model.BoreExponent, model.Convection, model.Lag,
	model.ShellPower, model.ShellWarmup, model.Outgassing,
}

const (
	// tells is the least information about a direction, in units of the
	// handbook's, that counts: below it a run says nothing of it.
	tells = 0.2
	// A run whose distance is so many standard deviations up in its distribution
	// weighs less, and beyond hardZ nothing: a good run is there once in 4000.
	softZ = 2.0
	hardZ = 3.5
	turns = 12
	// How far the runs' own scatter may be from what is usual, as a factor.
	leastScatter, mostScatter = 0.5, 3.0
)

// dims is how many constants are put together.
const dims = 9

// square is a matrix of the constants together, or a part of one.
type square [dims][dims]float64

// voice is what one run says of the constants together: z of k directions dir
// (in constants over their handbook uncertainty), each with variance v.
type voice struct {
	run  *Taught
	k    int
	dir  square // a row for each direction
	z, v [dims]float64

	weight float64
	dist   float64 // distance from the mean, squared, in standard deviations
	info   square
	score  [dims]float64
}

// scale is the unit in which constant i is handled: its handbook uncertainty.
func scale(i int) float64 { return together[i].Info().Spread }

// listen takes out of a run's fit what was its prior; nil if nothing is left.
func listen(t *Taught, lagAs bool) *voice {
	if t.Fit == nil {
		return nil
	}
	const n = dims
	ref := reference(t.LagCorrected)
	post, ok := inverseOf(&t.Fit.Cov)
	if !ok {
		return nil
	}
	prior, ok := inverseOf(&ref.Cov)
	if !ok {
		return nil
	}
	// Information and score of the run alone, all constants.
	info := mat.NewSymDense(model.NumConstants, nil)
	eta := make([]float64, model.NumConstants)
	for i := range model.NumConstants {
		for j := range model.NumConstants {
			if j >= i {
				info.SetSym(i, j, post.At(i, j)-prior.At(i, j))
			}
			eta[i] += post.At(i, j)*t.Fit.Theta[j] - prior.At(i, j)*ref.Theta[j]
		}
	}
	drop := []model.Constant{model.PumpSpeed, model.ManifoldVolume, model.HoldPressure}
	if t.LagCorrected != lagAs {
		drop = append(drop, model.Lag) // another lag than the one of today's readings
	}
	for _, c := range drop {
		forget(info, eta, int(c))
	}
	scaled := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			scaled.SetSym(i, j, info.At(int(together[i]), int(together[j]))*scale(i)*scale(j))
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(scaled, true) {
		return nil
	}
	values := eig.Values(nil)
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	vo := &voice{run: t, weight: 1}
	for k, l := range values {
		if l < tells {
			continue
		}
		sum := 0.0
		for i := range n {
			sum += vectors.At(i, k) * eta[together[i]] * scale(i)
			vo.dir[vo.k][i] = vectors.At(i, k)
		}
		vo.z[vo.k], vo.v[vo.k] = sum/l, 1/l
		vo.k++
	}
	if vo.k == 0 {
		return nil
	}
	return vo
}

// forget takes constant c out of information and score, as if the run said
// nothing of it and it could be anything.
func forget(info *mat.SymDense, eta []float64, c int) {
	n := info.SymmetricDim()
	if l := info.At(c, c); l > 1e-9 {
		col := make([]float64, n)
		for i := range n {
			col[i] = info.At(i, c) / l
		}
		e := eta[c]
		for i := range n {
			eta[i] -= col[i] * e
			for j := i; j < n; j++ {
				info.SetSym(i, j, info.At(i, j)-col[i]*col[j]*l)
			}
		}
	}
	for i := range n {
		info.SetSym(i, c, 0)
	}
	eta[c] = 0
}

// spread gives the lower root of the voice's covariance with the scatter from run
// to run, variances t2, added to its own.
func (vo *voice) spread(t2 *[dims]float64) (root square) {
	for a := range vo.k {
		for b := range a + 1 {
			s := 0.0
			if a == b {
				s = vo.v[a]
			}
			for i := range dims {
				s += vo.dir[a][i] * t2[i] * vo.dir[b][i]
			}
			for i := range b {
				s -= root[a][i] * root[b][i]
			}
			if a == b {
				root[a][a] = math.Sqrt(s) // v is above 0: so is s
			} else {
				root[a][b] = s / root[b][b]
			}
		}
	}
	return root
}

// below solves root·x = x in place, of a column of k.
func (vo *voice) below(root *square, x *[dims]float64) {
	for a := range vo.k {
		for i := range a {
			x[a] -= root[a][i] * x[i]
		}
		x[a] /= root[a][a]
	}
}

// far sets the voice's distance from theta.
func (vo *voice) far(root *square, theta *[dims]float64) {
	off := vo.z
	for a := range vo.k {
		for i := range dims {
			off[a] -= vo.dir[a][i] * theta[i]
		}
	}
	vo.below(root, &off)
	vo.dist = 0
	for a := range vo.k {
		vo.dist += off[a] * off[a]
	}
}

// hear sets information and score of the voice: Dᵀ C⁻¹ D and Dᵀ C⁻¹ z with C =
// root·rootᵀ.
func (vo *voice) hear(root *square) {
	var w square // a row for each constant
	for i := range dims {
		for a := range vo.k {
			w[i][a] = vo.dir[a][i]
		}
		vo.below(root, &w[i])
	}
	z := vo.z
	vo.below(root, &z)
	for i := range dims {
		vo.score[i] = 0
		for a := range vo.k {
			vo.score[i] += w[i][a] * z[a]
		}
		for j := range dims {
			vo.info[i][j] = 0
			for a := range vo.k {
				vo.info[i][j] += w[i][a] * w[j][a]
			}
		}
	}
}

// likely is about the quantile of a chi-square with k degrees that lies z standard
// deviations up (Wilson and Hilferty, Proc. Natl. Acad. Sci. 17 (1931) 684).
func likely(k int, z float64) float64 {
	f := float64(k)
	a := 2 / (9 * f)
	return f * math.Pow(1-a+z*math.Sqrt(a), 3)
}

// joint is what comes of the runs together, in constants over their handbook
// uncertainty.
type joint struct {
	theta   [dims]float64
	cov     *mat.SymDense
	scatter float64 // how the runs scatter, over what is usual
	voices  []*voice
}

// combine puts the voices together with the prior: a multivariate random-effects
// mean. Runs scatter by what is usual for each constant times one factor, for
// which the median run is as far off as it should be; runs that are too far off
// weigh less (Huber) or nothing.
func combine(voices []*voice, prior *model.Params) (*joint, bool) {
	p0 := mat.NewSymDense(dims, nil)
	start := [dims]float64{}
	for i, c := range together {
		start[i] = prior.Theta[c] / scale(i)
		for j := i; j < dims; j++ {
			p0.SetSym(i, j, prior.Cov[c][together[j]]/(scale(i)*scale(j)))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(p0) {
		return nil, false
	}
	before := mat.NewSymDense(dims, nil)
	if chol.InverseTo(before) != nil {
		return nil, false
	}
	r := &joint{theta: middle(voices, start), scatter: 1, voices: voices}
	for range turns {
		r.weigh()
		info := mat.NewSymDense(dims, nil)
		info.CopySym(before)
		score := mat.NewVecDense(dims, nil)
		score.MulVec(before, mat.NewVecDense(dims, start[:]))
		for _, v := range voices {
			for i := range dims {
				score.SetVec(i, score.AtVec(i)+v.weight*v.score[i])
				for j := i; j < dims; j++ {
					info.SetSym(i, j, info.At(i, j)+v.weight*v.info[i][j])
				}
			}
		}
		var c mat.Cholesky
		if !c.Factorize(info) {
			return nil, false
		}
		var theta mat.VecDense
		if c.SolveVecTo(&theta, score) != nil {
			return nil, false
		}
		r.cov = mat.NewSymDense(dims, nil)
		if c.InverseTo(r.cov) != nil {
			return nil, false
		}
		step := 0.0
		for i := range dims {
			step = max(step, math.Abs(theta.AtVec(i)-r.theta[i])/math.Sqrt(r.cov.At(i, i)))
			r.theta[i] = theta.AtVec(i)
		}
		if step < 1e-3 {
			break
		}
	}
	return r, true
}

// middle is the median of each constant over the runs' own fits: where the search
// begins, so that no broken run can lead it astray.
func middle(voices []*voice, start [dims]float64) [dims]float64 {
	if len(voices) < 3 {
		return start
	}
	x := make([]float64, len(voices))
	for i, c := range together {
		for k, v := range voices {
			x[k] = v.run.Fit.Theta[c] / scale(i)
		}
		start[i] = median(x)
	}
	return start
}

// weigh finds scatter and weights at the present theta.
func (r *joint) weigh() {
	x := make([]float64, len(r.voices))
	// A median, as broken runs must not widen it.
	tooFar := func(f float64) bool {
		t2 := usual(f)
		for i, v := range r.voices {
			root := v.spread(&t2)
			v.far(&root, &r.theta)
			x[i] = v.dist / likely(v.k, 0)
		}
		return median(x) > 1
	}
	if len(r.voices) >= fewRuns {
		lo, hi := leastScatter, mostScatter
		for range 10 {
			if mid := math.Sqrt(lo * hi); tooFar(mid) {
				lo = mid
			} else {
				hi = mid
			}
		}
		r.scatter = hi
	}
	t2 := usual(r.scatter)
	for _, v := range r.voices {
		root := v.spread(&t2)
		v.far(&root, &r.theta)
		v.hear(&root)
		q := likely(v.k, softZ)
		switch {
		case v.dist > likely(v.k, hardZ) && len(r.voices) > 2:
			v.weight = 0
		case v.dist > q:
			v.weight = math.Sqrt(q / v.dist)
		default:
			v.weight = 1
		}
	}
}

// usual are the variances from run to run at a factor f of the usual scatter.
func usual(f float64) (t2 [dims]float64) {
	for i, c := range together {
		b := f * max(c.Info().Between, 0.01*scale(i)) / scale(i)
		t2[i] = b * b
	}
	return t2
}

func inverseOf(a *[model.NumConstants][model.NumConstants]float64) (*mat.SymDense, bool) {
	s := mat.NewSymDense(model.NumConstants, nil)
	for i := range a {
		for j := i; j < model.NumConstants; j++ {
			s.SetSym(i, j, a[i][j])
		}
	}
	var c mat.Cholesky
	if !c.Factorize(s) {
		return nil, false
	}
	out := mat.NewSymDense(model.NumConstants, nil)
	return out, c.InverseTo(out) == nil
}
