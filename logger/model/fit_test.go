package model

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"tipoff/logger/phase"
)

func examplePlan() (Tube, Plan) {
	return glass15(1.5, 160),
		Plan{DryPressure: 2 * torr, DryCurrent: 0.25, DryUntil: 110, PumpOut: 60, Pressure: 2.2 * torr, Current: 0.4, ShellsAt: 205,
			ShellPressure: 0.8 * torr, ShellCurrent: 0.6, ShellHold: 48, Glow: 30, Reach: 225, StopAt: 250, Reaction: 1.5}
}

// recorded is a run of a bench that the model describes exactly, read with the
// noise of instruments.
func recorded(theta *[NumConstants]float64, seed uint64) Series {
	tube, plan := examplePlan()
	_, pts := run(&plan, &tube, 21, theta, true)
	r := rand.New(rand.NewPCG(seed, 9))
	s := Series{Run: "r", Tube: tube, Room: 21}
	for i := range 20 {
		s.Samples = append(s.Samples, Sample{T: float64(i) - 20, Phase: phase.AdmitAir, Pressure: plan.DryPressure, Glass: 21 + 0.3*r.NormFloat64(), Shell: math.NaN()})
	}
	for _, p := range pts {
		s.Samples = append(s.Samples, Sample{T: p.T, Phase: p.Phase, Pressure: p.Pressure * (1 + 0.003*r.NormFloat64()),
			Glass: p.Glass + 0.3*r.NormFloat64(), Current: p.Current * (1 + 0.01*r.NormFloat64()), Shell: math.NaN()})
	}
	return s
}

// On benches drawn from the prior a single run brings heating, exponents and
// convection nearer to the truth, the uncertainty shrinks, and the 95 %
// interval holds the truth about 95 times in 100 (at least 88 of 100: a
// binomial 95 gives fewer in one case of 300).
func TestOneRunTeaches(t *testing.T) {
	benches := 100
	if testing.Short() {
		benches = 50
	}
	prior := Handbook(Bench{})
	root := cholesky(&prior.Cov)
	rng := rand.New(rand.NewPCG(4, 4))
	held := map[Constant]int{}
	var before, after float64
	n := 0
	for n < benches {
		theta := draw(&prior.Theta, root, rng)
		s := recorded(&theta, uint64(n))
		got, res := Fit([]Series{s}, prior)
		if !res[0].Used {
			if res[0].Points >= leastPoints && res[0].RMS < worstRMS {
				t.Fatalf("bench %d: %+v", n, res[0])
			}
			continue
		}
		n++
		before += math.Abs(prior.Theta[Heating] - theta[Heating])
		after += math.Abs(got.Theta[Heating] - theta[Heating])
		for _, c := range []Constant{Heating, PressureExponent, CurrentExponent, Convection} {
			if math.Abs(got.Theta[c]-theta[c]) < 1.96*got.Spread(c) {
				held[c]++
			}
			if got.Spread(c) > prior.Spread(c)*1.0001 {
				t.Errorf("bench %d: %s is less certain after a run", n, infos[c].ID)
			}
		}
		if got.Spread(Heating) > 0.5*prior.Spread(Heating) {
			t.Errorf("bench %d: heating known to %.2f after a run", n, got.Spread(Heating))
		}
	}
	t.Logf("heating off by %.3f before, %.3f after; truth in the 95 %% interval: %v of %d", before/float64(benches), after/float64(benches), held, benches)
	if after > 0.35*before {
		t.Errorf("a run brought the heating from %.3f to %.3f off", before/float64(benches), after/float64(benches))
	}
	for c, k := range held {
		if k*100 < 88*benches {
			t.Errorf("%s: the truth is in the 95 %% interval only %d times of %d", infos[c].ID, k, benches)
		}
	}
}

// A run that tells nothing, or another story, moves nothing and says why.
func TestRunsThatAreLeftOut(t *testing.T) {
	prior := Handbook(Bench{})
	good := recorded(&prior.Theta, 1)
	dark, fallen, bare := good, good, good
	dark.Samples = append([]Sample(nil), good.Samples...)
	fallen.Samples = append([]Sample(nil), good.Samples...)
	for i := range dark.Samples {
		dark.Samples[i].Glass = math.NaN()
		if fallen.Samples[i].T > 20 { // the sensor fell off
			fallen.Samples[i].Glass = 22
		}
	}
	bare.Tube.Bore = 0
	for name, c := range map[string]struct {
		s   Series
		why string
	}{"no glass": {dark, "too few"}, "sensor off": {fallen, "sensor"}, "no bore": {bare, "card"}, "empty": {Series{Tube: good.Tube, Room: 20}, "too few"}} {
		got, res := Fit([]Series{c.s}, prior)
		if res[0].Used || !strings.Contains(res[0].Why, c.why) {
			t.Errorf("%s: %+v", name, res[0])
		}
		if got.Theta != prior.Theta || got.Cov != prior.Cov || len(got.Runs) != 0 {
			t.Errorf("%s moved the constants", name)
		}
	}
}

// A stretch of nonsense (a hand on the sensor for 10 s) hardly moves the result.
func TestRobust(t *testing.T) {
	prior := Handbook(Bench{})
	theta := prior.Theta
	theta[Heating] += 0.3
	s := recorded(&theta, 3)
	clean, _ := Fit([]Series{s}, prior)
	for i := range s.Samples {
		if x := &s.Samples[i]; x.T > 200 && x.T < 210 {
			x.Glass -= 80
		}
	}
	dirty, res := Fit([]Series{s}, prior)
	if d := math.Abs(dirty.Theta[Heating] - clean.Theta[Heating]); !res[0].Used || d > 0.05 {
		t.Errorf("10 s of nonsense move the heating by %.3f (%+v)", d, res[0])
	}
}

// A bench whose pump, volume, shell and held pressure are seen in the run.
func TestShellSensorTeaches(t *testing.T) {
	prior := Handbook(Bench{})
	theta := prior.Theta
	theta[ShellPower] += 0.4
	tube, plan := examplePlan()
	_, pts := run(&plan, &tube, 21, &theta, true)
	s := recorded(&theta, 5)
	for i := range pts {
		s.Samples[20+i].Shell = pts[i].Shell
	}
	got, _ := Fit([]Series{s}, prior)
	if d := math.Abs(got.Theta[ShellPower] - theta[ShellPower]); d > 0.15 || got.Spread(ShellPower) > 0.2 {
		t.Errorf("shell power off by %.2f ± %.2f", d, got.Spread(ShellPower))
	}
}

// More runs make the constants surer, but never surer than what one bench
// shows from evening to evening.
func TestUncertaintyHasAFloor(t *testing.T) {
	prior := Handbook(Bench{})
	var runs []Series
	for i := range 12 {
		runs = append(runs, recorded(&prior.Theta, uint64(i)))
	}
	one, _ := Fit(runs[:1], prior)
	all, res := Fit(runs, prior)
	if len(all.Runs) != 12 || len(res) != 12 {
		t.Fatalf("%d runs used", len(all.Runs))
	}
	if all.Spread(Convection) >= one.Spread(Convection) || all.Spread(Heating) < infos[Heating].Between/3 {
		t.Errorf("convection %.3f then %.3f, heating %.4f", one.Spread(Convection), all.Spread(Convection), all.Spread(Heating))
	}
}

func TestJSONThereAndBack(t *testing.T) {
	p, _ := Fit([]Series{recorded(&unsaid.Theta, 2)}, unsaid)
	b, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	var q Params
	if err := json.Unmarshal(b, &q); err != nil {
		t.Fatal(err)
	}
	if q.Theta != p.Theta || q.Cov != p.Cov || len(q.Runs) != 1 {
		t.Error("the constants change on the way through a file")
	}
	if err := json.Unmarshal([]byte(`{"order":["heating"],"theta":[1],"cov":[[1]],"runs":[]}`), &q); err == nil {
		t.Error("a file with other constants is accepted")
	}
}

// unsaid is the prior of a bench of which nothing is said.
var unsaid = Handbook(Bench{})

func FuzzParams(f *testing.F) {
	b, err := json.Marshal(unsaid)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte(`{"order":[],"theta":[],"cov":[]}`))
	f.Add([]byte(`{"order":["heating"],"theta":[1e999]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		var p Params
		if json.Unmarshal(data, &p) != nil {
			return
		}
		if err := p.Check(); err != nil {
			t.Errorf("accepted, but: %v", err)
		}
	})
}

func BenchmarkFit(b *testing.B) {
	b.ReportAllocs()
	s := []Series{recorded(&unsaid.Theta, 2)}
	for b.Loop() {
		Fit(s, unsaid)
	}
}
