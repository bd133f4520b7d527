package lag

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// sensor is a first-order sensor on a wall of piecewise constant rate r, by the
// closed form of its differential equation:
// junction = wall - r·tau + (junction0 - wall0 + r·tau)·exp(-t/tau),
// on a ramp in the end rate·tau low.
type sensor struct{ tau, wall, junction float64 }

func (s *sensor) run(rate, dt float64) {
	c := s.junction - s.wall + rate*s.tau
	s.wall += rate * dt
	s.junction = s.wall - rate*s.tau + c*math.Exp(-dt/s.tau)
}

func must(t testing.TB, tau, rel float64) *Estimator {
	t.Helper()
	e, err := New(time.Duration(tau*1e9), time.Duration(rel*tau*1e9))
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

// The noise of the estimate stays below twice the reading's at every time
// constant, interval and noise; quiet readings get all the speed that this
// allows.
func TestNoise(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	most := 0.0
	for _, tau := range []float64{0.2, 0.5, 1.5, 3, 5, 10, 30} {
		for _, dt := range []float64{0.02, 0.1, 0.25, 0.5} {
			if dt > tau/2 {
				continue
			}
			for _, sigma := range []float64{0.005, 0.05, 0.3, 2} {
				for _, jitter := range []float64{0, 0.5} {
					e := must(t, tau, 0)
					var sum float64
					n, at := 0, 0.0
					for range 8000 + int((20*tau+500)/dt) {
						at += dt * (1 + jitter*(2*r.Float64()-1))
						v := e.Step(seconds(at), 100+sigma*r.NormFloat64(), sigma*sigma)
						if at > 20*tau {
							sum += (v.Wall - 100) * (v.Wall - 100)
							n++
						}
					}
					amp := math.Sqrt(sum/float64(n)) / sigma
					most = max(most, amp)
					if amp > 2 || sigma == 0.005 && jitter == 0 && tau < 10 && amp < 1.4 {
						t.Errorf("tau %g s, every %g s, noise %g °C: amplified %.2f times", tau, dt, sigma, amp)
					}
				}
			}
		}
	}
	t.Logf("noise amplified at most %.2f times", most)
}

// A bombarding: rest, heating at a steady rate, the arc goes out, cooling.
// Against the closed form: raw reads rate·tau low; the estimate's error in the
// ramp, the first seconds of it included, is a fifth of that or less, it is
// never later than the reading, and when the arc goes out it goes over the wall
// by no more than its expanded uncertainty.
func TestBombarding(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, tau := range []float64{1.5, 3, 5} {
		for _, rate := range []float64{1, 3, 7} {
			for _, sigma := range []float64{0, 0.02, 0.1, 0.25} {
				s := sensor{tau, 20, 20}
				e := must(t, tau, 0.1)
				const dt = 0.1
				var raw2, est2, steady, over float64
				n, out, all := 0, 0, 0
				peak := 0.0
				for i := range 700 {
					now := 0.0
					switch {
					case i >= 100 && i < 400:
						now = rate
					case i >= 400:
						now = -1.5
					}
					s.run(now, dt)
					reading := s.junction + sigma*r.NormFloat64()
					v := e.Step(seconds(float64(i)*dt), reading, sigma*sigma)
					if i < 50 {
						continue
					}
					err := v.Wall - s.wall
					all++
					if math.Abs(err) > 2*v.U {
						out++
					}
					if i >= 100 && i < 400 {
						peak = s.wall
						raw2 += (s.junction - s.wall) * (s.junction - s.wall)
						est2 += err * err
						n++
						if err < s.junction-s.wall-6*sigma-0.02 {
							t.Errorf("tau %g rate %g noise %g: %.2f °C behind the reading", tau, rate, sigma, s.junction-s.wall-err)
						}
					}
					if i == 399 {
						steady = s.junction - s.wall
					}
					if i >= 400 && v.Wall-2*v.U > peak {
						over = max(over, v.Wall-2*v.U-peak)
					}
				}
				if math.Abs(steady+rate*tau) > 0.01*rate*tau+1e-9 {
					t.Errorf("the check itself: steady error %.3f, want %.3f", steady, -rate*tau)
				}
				cut := math.Sqrt(raw2 / est2)
				t.Logf("tau %g s, %g °C/s, noise %.2f °C: rms error %.2f -> %.2f °C, cut %.1f-fold; %d of %d outside 2u",
					tau, rate, sigma, math.Sqrt(raw2/float64(n)), math.Sqrt(est2/float64(n)), cut, out, all)
				if least := 5.0; rate == 3 && cut < least {
					t.Errorf("tau %g rate %g noise %g: cut only %.1f-fold", tau, rate, sigma, cut)
				}
				if over > 0 {
					t.Errorf("tau %g rate %g noise %g: %.2f °C over the peak beyond the uncertainty", tau, rate, sigma, over)
				}
				if out*20 > all {
					t.Errorf("tau %g rate %g noise %g: %d of %d outside 2u", tau, rate, sigma, out, all)
				}
			}
		}
	}
}

// A time constant that is wrong by its uncertainty puts the steady ramp off by
// rate times that, and this is what the uncertainty says: 3 °C/s and 0.6 s.
func TestWrongTau(t *testing.T) {
	for _, f := range []float64{0.8, 1.2} {
		s := sensor{3 * f, 20, 20}
		e := must(t, 3, 0.2)
		var v Estimate
		for i := range 600 {
			s.run(3, 0.1)
			v = e.Step(seconds(float64(i)*0.1), s.junction, 1e-4)
		}
		want := -3 * 3 * (f - 1)
		if err := v.Wall - s.wall; math.Abs(err-want) > 0.02 || v.U < 1.8 || v.U > 2.3 {
			t.Errorf("tau %.0f %%: error %.2f (want %.2f), u %.2f (want a little more than 1.8)", 100*f, err, want, v.U)
		}
		if math.Abs(v.Rate-3) > 0.01 || math.Abs(v.Lag-9) > 0.02 {
			t.Errorf("rate %.2f, lag %.2f", v.Rate, v.Lag)
		}
	}
}

// Irregular readings and short gaps are bridged, after long ones it starts anew
// with an uncertainty that says so.
func TestGaps(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	s := sensor{3, 20, 20}
	e := must(t, 3, 0)
	at, worst := 0.0, 0.0
	step := func(dt float64) Estimate {
		at += dt
		s.run(2, dt)
		return e.Step(seconds(at), s.junction+0.02*r.NormFloat64(), 4e-4)
	}
	for range 300 {
		v := step(0.02 + 0.5*r.Float64())
		if at > 15 {
			worst = max(worst, math.Abs(v.Wall-s.wall))
		}
	}
	if worst > 0.3 {
		t.Errorf("irregular: off by %.2f °C", worst)
	}
	if v := step(1.4); math.Abs(v.Wall-s.wall) > 0.3 {
		t.Errorf("after 1.4 s: off by %.2f °C", v.Wall-s.wall)
	}
	before := e.estimate()
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if v := e.Step(seconds(at+0.1), bad, 1e-4); v != before {
			t.Errorf("%g changed the estimate: %+v", bad, v)
		}
	}
	if v := e.Step(seconds(at-5), 500, 1e-4); v != before {
		t.Errorf("an old reading changed the estimate: %+v", v)
	}
	if v := step(20); math.Abs(v.Wall-s.wall) > 2*v.U || v.U < 3 {
		t.Errorf("after 20 s: off by %.2f °C, u %.2f", v.Wall-s.wall, v.U)
	}
	for range 30 {
		step(0.1)
	}
	if v := step(0.1); math.Abs(v.Wall-s.wall) > 0.5 {
		t.Errorf("3 s later: off by %.2f °C, u %.2f", v.Wall-s.wall, v.U)
	}
}

// A junction that slips off the glass falls faster than glass can; the estimate
// must not run away with it.
func TestSlippedOff(t *testing.T) {
	e := must(t, 3, 0.1)
	for i := range 300 {
		j := 200.0
		if i >= 100 {
			j = 22 + 178*math.Exp(-float64(i-100)*0.1/4)
		}
		v := e.Step(seconds(float64(i)*0.1), j, 1e-4)
		if v.Wall < j-18.5 || v.Wall > j+36.5 {
			t.Fatalf("%d: junction %.1f °C, estimate %.1f °C", i, j, v.Wall)
		}
		if i == 110 && v.U < 20 {
			t.Errorf("u %.1f °C while the junction falls", v.U)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	for _, c := range [][2]time.Duration{{0, 0}, {-time.Second, 0}, {time.Minute, 0}, {time.Second, -1}, {time.Second, time.Second}} {
		if _, err := New(c[0], c[1]); err == nil {
			t.Errorf("%v ± %v accepted", c[0], c[1])
		}
	}
}

func TestStepAllocatesNothing(t *testing.T) {
	e := must(t, 3, 0.1)
	at := time.Duration(0)
	if n := testing.AllocsPerRun(1000, func() {
		at += 100 * time.Millisecond
		e.Step(at, 20+at.Seconds(), 1e-4)
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkStep(b *testing.B) {
	b.ReportAllocs()
	e := must(b, 3, 0.1)
	at := time.Duration(0)
	for i := range b.N {
		at += 100*time.Millisecond + time.Duration(i&7)*time.Millisecond // never the same interval
		e.Step(at, 100, 1e-4)
	}
}

// The usual case: readings come at even intervals.
func BenchmarkStepEven(b *testing.B) {
	b.ReportAllocs()
	e := must(b, 3, 0.1)
	at := time.Duration(0)
	for range b.N {
		at += 100 * time.Millisecond
		e.Step(at, 100, 1e-4)
	}
}

// Whatever comes, estimate and uncertainty stay finite, and afterwards the
// estimator is as good as new.
func TestRobust(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	for _, tau := range []float64{0.2, 3, 30} {
		e := must(t, tau, 0.1)
		at, n := 0.0, 200000
		for i := range n {
			dt := math.Pow(10, -4+4*r.Float64())
			at += dt
			x := 100 + 300*r.NormFloat64()
			switch r.IntN(50) {
			case 0:
				x = 1e9 * r.NormFloat64()
			case 1:
				x = math.NaN()
			}
			v := e.Step(seconds(at), x, math.Pow(10, -9+12*r.Float64()))
			if math.IsNaN(v.Wall) && i > 10 || math.IsInf(v.Wall, 0) || !(v.U >= 0) && i > 10 || math.IsInf(v.U, 0) || e.jj < 0 || e.ww < 0 || e.rr < 0 {
				t.Fatalf("tau %g, step %d: %+v, %+v", tau, i, v, e)
			}
		}
		var v Estimate
		for range 4000 {
			at += 0.1
			v = e.Step(seconds(at), 50, 1e-4)
		}
		if math.Abs(v.Wall-50) > 0.01 {
			t.Errorf("tau %g: %+v at rest at 50 °C", tau, v)
		}
	}
}
