package envelope

import (
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"tipoff/calib/lag"
	"tipoff/drivers/plant"
	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

// A glassLog is a run of a drawn plant: what the logger had and what was true.
// The plant shares no code with the prediction.
type glassLog struct {
	seed            uint64
	env             *Envelope
	obs             []phase.Observation
	u               []float64 // standard uncertainty of the glass
	sensed, hottest []float64 // glass under the sensor, and the hottest anywhere
	junction, room  []float64 // as read, and the room's temperature
	shell, carbon   []float64
	lag, seating    float64 // the plant's own, s and a share
}

const logEvery = 100 * time.Millisecond

func cardOf(d plant.Drawn) tube.Card {
	t := &d.Config.Tube
	return tube.Card{
		Name: t.Card, Outside: t.Outside, Bore: t.Bore, Length: t.Length, Glass: d.Glass, Coating: t.Coating, Gas: t.Gas,
		Electrode: tube.Electrode{Rating: t.Rating},
	}
}

// logged lets a drawn bench work one tube. The thermocouple is read as the demo's
// chain does: lag taken off with 3 s, whatever the plant's is, the seating with
// 0.95 and 0.03 of the rise unsure. watch may break things; from handsOff on nobody
// works the bench.
func logged(seed uint64, change func(*plant.Drawn), watch func(at time.Duration, p *plant.Plant), handsOff time.Duration) *glassLog {
	d := plant.Draw(seed)
	if change != nil {
		change(&d)
	}
	r := rand.New(rand.NewPCG(seed, 0x676c617373))
	g := &glassLog{seed: seed, env: Compute(cardOf(d), true, Bench{LagCorrected: true})}
	est, err := lag.New(3*time.Second, 300*time.Millisecond)
	if err != nil {
		panic(err)
	}
	op := plant.NewScript(d.Habit, seed)
	p := plant.New(d.Config, plant.Hands(func(at time.Duration, see plant.Sight, c *plant.Controls) {
		if at < handsOff {
			op.Watch(at, see, c)
		}
	}))
	g.lag, g.seating = d.Config.Bench.Lag.Seconds(), d.Config.Bench.Seating
	var main time.Duration
	for at := logEvery; !op.Done() && at < 40*time.Minute; at += logEvery {
		p.Advance(at)
		x := p.State()
		if watch != nil {
			watch(at, p)
		}
		junction := x.Junction + 0.2*r.NormFloat64()
		w := est.Step(at, junction, 0.04).Wall
		rise := (w - x.Ambient) / 0.95
		g.junction, g.room = append(g.junction, junction), append(g.room, x.Ambient)
		g.obs = append(g.obs, phase.Observation{At: at, Glass: x.Ambient + rise, Current: math.Abs(0.002 + x.Current*(1+0.01*r.NormFloat64())),
			Pressure: x.ManifoldPressure * (1 + 0.005*r.NormFloat64())})
		g.u = append(g.u, math.Hypot(0.6, 0.03*rise))
		g.sensed, g.hottest = append(g.sensed, x.Sensed), append(g.hottest, x.Hottest)
		g.shell, g.carbon = append(g.shell, x.Shell), append(g.carbon, x.Carbonate)
		if x.Phase == "bombard" || x.Phase == "shells" {
			main += logEvery
		}
		// What comes after the arc, the ceiling, or six minutes of arc matters not.
		if x.Phase == "final-pump" || x.Phase == "cool" || g.obs[len(g.obs)-1].Glass > g.env.Ceiling()+5 || main > 6*time.Minute {
			break
		}
	}
	return g
}

// calibrated is the same run read with the lag known to a tenth and the seating to
// a hundredth, as a calibration of the bench gives them.
func (g *glassLog) calibrated() *glassLog {
	r := rand.New(rand.NewPCG(g.seed, 0x63616c6962))
	tau := g.lag * (1 + 0.1*(2*r.Float64()-1))
	est, err := lag.New(time.Duration(tau*1e9), time.Duration(0.1*tau*1e9))
	if err != nil {
		panic(err)
	}
	share := g.seating + 0.01*r.NormFloat64()
	c := *g
	c.obs, c.u = slices.Clone(g.obs), slices.Clone(g.u)
	for i := range c.obs {
		e := est.Step(c.obs[i].At, g.junction[i], 0.04)
		rise := (e.Wall - g.room[i]) / share
		c.obs[i].Glass, c.u[i] = g.room[i]+rise, math.Hypot(math.Hypot(0.6, e.U), 0.015*rise)
	}
	return &c
}

// each does n plants on all cores and gives f their logs one at a time.
func each(n int, first uint64, change func(*plant.Drawn), f func(*glassLog)) {
	var wg sync.WaitGroup
	var mu sync.Mutex
	next := make(chan uint64)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for seed := range next {
				g := logged(seed, change, nil, time.Hour)
				mu.Lock()
				f(g)
				mu.Unlock()
			}
		})
	}
	for i := range n {
		next <- first + uint64(i)
	}
	close(next)
	wg.Wait()
}

// steady tells whether current and pressure stay as they were: 3 s before i and
// for the whole horizon after, the arc burning.
func (g *glassLog) steady(i, horizon int) bool {
	if i < 30 || i+horizon >= len(g.obs) {
		return false
	}
	for j := i - 30; j <= i+horizon; j++ {
		a, b := &g.obs[i], &g.obs[j]
		if b.Current < 0.1 || math.Abs(b.Current/a.Current-1) > 0.1 || math.Abs(b.Pressure/a.Pressure-1) > 0.15 {
			return false
		}
	}
	return true
}

func TestPredictionCoversThePlant(t *testing.T) {
	n := 30
	if testing.Short() {
		n = 8
	}
	h := int(Horizon / logEvery)
	var moments, covered, own int
	var errs, us []float64
	each(n, 4000, nil, func(g *glassLog) {
		// bare is told of no uncertainty of the reading: it must cover the reading
		// itself, that is, with the parts that are its own.
		f, bare := NewForesight(g.env), NewForesight(g.env)
		for i, o := range g.obs {
			f.Step(o, Uncertainties{Glass: g.u[i]})
			bare.Step(o, Uncertainties{})
			s, b := f.State(), bare.State()
			if !s.Known || i%5 != 0 || !g.steady(i, h) {
				continue
			}
			moments++
			e := s.Ahead - g.sensed[i+h]
			if math.Abs(e) <= 2*s.AheadU {
				covered++
			}
			if math.Abs(b.Ahead-g.obs[i+h].Glass) <= 2*b.AheadU {
				own++
			}
			errs, us = append(errs, math.Abs(b.Ahead-g.obs[i+h].Glass)), append(us, b.AheadU)
		}
	})
	if moments < 10*n {
		t.Fatalf("%d steady moments in %d runs prove nothing", moments, n)
	}
	slices.Sort(errs)
	slices.Sort(us)
	share, ownShare := float64(covered)/float64(moments), float64(own)/float64(moments)
	t.Logf("%d moments of %d runs: truth covered %.1f %%, reading covered by the prediction's own part %.1f %%; off by %.1f °C (median), %.1f (95 %%), stated u %.1f (median)",
		moments, n, 100*share, 100*ownShare, errs[len(errs)/2], errs[len(errs)*95/100], us[len(us)/2])
	if share < 0.9 || ownShare < 0.9 {
		t.Errorf("covered %.3f and %.3f, want 0.9", share, ownShare)
	}
	if u := us[len(us)/2]; u > 10 {
		t.Errorf("stated u %.1f °C: so wide that it says nothing", u)
	}
}

func TestForesightAllocatesNothing(t *testing.T) {
	f := NewForesight(Compute(neon15(), true, Bench{}))
	var k int
	if n := testing.AllocsPerRun(1000, func() {
		k++
		f.Step(phase.Observation{At: time.Duration(k) * logEvery, Glass: 20 + 0.2*float64(k), Current: 0.3, Pressure: 250}, Uncertainties{Glass: 2})
	}); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
}

func BenchmarkForesight(b *testing.B) {
	f := NewForesight(Compute(neon15(), true, Bench{}))
	b.ReportAllocs()
	var k int
	for b.Loop() {
		k++
		f.Step(phase.Observation{At: time.Duration(k) * logEvery, Glass: 20 + float64(k%2000)*0.1, Current: 0.3, Pressure: 250}, Uncertainties{Glass: 2})
	}
}

// warned is one run's outcome: when Near first came on and when the reading
// first was over the ceiling, NaN if never, s.
func (g *glassLog) warned() (near, crossed float64) {
	near, crossed = math.NaN(), math.NaN()
	f := NewForesight(g.env)
	for i, o := range g.obs {
		f.Step(o, Uncertainties{Glass: g.u[i]})
		if f.State().Near && near != near {
			near = o.At.Seconds()
		}
		if o.Glass >= g.env.Ceiling() && crossed != crossed {
			crossed = o.At.Seconds()
		}
	}
	return near, crossed
}

// proofRuns is how many overheats and good runs prove the warning. By hand, for
// more:
//
//	TIPOFF_FORESIGHT_RUNS=800 go test ./logger/envelope -run TestWarningComesInTime -v
func proofRuns(t *testing.T) (hot, good int) {
	if testing.Short() {
		return 10, 10
	}
	if n, err := strconv.Atoi(os.Getenv("TIPOFF_FORESIGHT_RUNS")); err == nil && n > 0 {
		return n / 3, n
	}
	return 80, 240
}

// fate is what became of a good run in which a warning came, had the operator taken
// his hands off at the warning: seconds until the reading is at the ceiling, NaN if
// it never is.
func (g *glassLog) fate(near float64) (crossed float64) {
	left := logged(g.seed, nil, nil, time.Duration(near*float64(time.Second)))
	for i := range left.obs {
		if s := left.obs[i].At.Seconds(); s >= near && left.obs[i].Glass >= left.env.Ceiling() {
			return s - near
		}
	}
	return math.NaN()
}

// lead is how long before a crossing the warning came, s, of several runs.
type lead []float64

// add takes the first moment at which level, where it is recorded, is at the ceiling.
func (l *lead) add(g *glassLog, level func(i int) float64, near float64) {
	for i := range g.obs {
		if level(i) >= g.env.Ceiling() {
			at := g.obs[i].At.Seconds()
			*l = append(*l, at-min(orInf(near), at))
			return
		}
	}
}

// late is how many were warned less than 5 s before.
func (l lead) late() (n int) {
	for _, a := range l {
		if a < 5 {
			n++
		}
	}
	return n
}

// The bounds are those of the issue: 5 s ahead in 95 % of overheats, one false
// warning in 100 good runs. An overheat is a run, by an operator who does not look
// at the glass, whose reading gets to the ceiling; a good run one by a careful
// operator whose reading does not. A warning in a good run is false if the reading
// would not have got to the ceiling within a minute had the operator taken his hands
// off at the warning, whatever the reason: the same plant is run again without him.
// (A stopcock left open then lets the pressure fall and the glass cool; that counts
// as false too.)
//
// What the true glass does is another matter. These benches take the lag for 3 s and
// the seating for 0.95, whatever they are; what that hides is stated, and asserted only
// roughly. To warn by a whole standard uncertainty of the reading was tried: of crossings
// of the true glass under the sensor 10 of 47 came late instead of 15, but of 1169 good
// runs 11 were warned in vain instead of about 5, at the edge of what the issue allows.
//
// Tuned on the seeds 50000 to 54119, 60000 to 60319, 70000 to 70599 and 80000 to 80299;
// the wider warning above on 370000 to 480499 and 700000 to 720145, and given up. Proved
// here on others, looked at once.
func TestWarningComesInTimeAndSeldomInVain(t *testing.T) {
	hot, good := proofRuns(t)
	var ahead, byTruth, byHottest, known, knownTruth lead
	each(hot, 510000, func(d *plant.Drawn) {
		// The operator does not look at the glass.
		d.Habit.Target, d.Habit.Ceiling = 400, 500
	}, func(g *glassLog) {
		near, crossed := g.warned()
		if crossed == crossed {
			ahead = append(ahead, crossed-min(orInf(near), crossed))
		}
		byTruth.add(g, func(i int) float64 { return g.sensed[i] }, near)
		byHottest.add(g, func(i int) float64 { return g.hottest[i] }, near)
		c := g.calibrated()
		near, _ = c.warned()
		known.add(c, func(i int) float64 { return c.obs[i].Glass }, near)
		knownTruth.add(c, func(i int) float64 { return c.sensed[i] }, near)
	})
	if len(ahead) < hot/2 {
		t.Fatalf("%d overheats in %d runs", len(ahead), hot)
	}
	slices.Sort(ahead)
	t.Logf("%d overheats: %d warned less than 5 s before; ahead by %.1f s (least), %.1f (5 %%), %.1f (median), %.1f (95 %%)", len(ahead), ahead.late(),
		ahead[0], ahead[len(ahead)/20], ahead[len(ahead)/2], ahead[len(ahead)*95/100])
	t.Logf("by the true glass under the sensor: %d overheats, %d warned less than 5 s before; by the hottest glass of the tube, which no sensor sees: %d, %d",
		len(byTruth), byTruth.late(), len(byHottest), byHottest.late())
	t.Logf("lag and seating calibrated: by the reading %d, %d; by the true glass %d, %d", len(known), known.late(), len(knownTruth), knownTruth.late())
	for name, l := range map[string]struct {
		lead
		share, least float64 // one of the few of a short proof tells nothing of the true glass
	}{"by the reading": {ahead, 0.05, 0}, "by the true glass": {byTruth, 0.35, 1}, "calibrated": {known, 0.05, 0}, "calibrated, by the true glass": {knownTruth, 0.15, 1}} {
		if float64(l.late()) > max(l.least, l.share*float64(len(l.lead))) {
			t.Errorf("%s: %d of %d overheats warned late", name, l.late(), len(l.lead))
		}
	}
	var runs, warnings, vain int
	each(good, 520000, nil, func(g *glassLog) {
		near, crossed := g.warned()
		if crossed == crossed {
			return
		}
		runs++
		if near != near {
			return
		}
		warnings++
		if left := g.fate(near); !(left <= 60) {
			vain++
			t.Logf("seed %d: warned at %.1f s; left alone it did not cross", g.seed, near)
		}
	})
	t.Logf("%d good runs: %d warnings, %d of them in vain", runs, warnings, vain)
	if runs < good/2 || vain > max(runs/100, 1) {
		t.Errorf("%d warnings in vain in %d good runs", vain, runs)
	}
}

func orInf(x float64) float64 {
	if x != x {
		return math.Inf(1)
	}
	return x
}
