package phase

import (
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tipoff/drivers/plant"
)

// errs gathers the errors of one sort of boundary, s; +Inf where none was found.
type errs []float64

func (e errs) within(limit float64) float64 {
	n := 0
	for _, x := range e {
		if math.Abs(x) <= limit {
			n++
		}
	}
	return float64(n) / float64(len(e))
}

func (e errs) at(q float64) float64 {
	a := make([]float64, len(e))
	for i, x := range e {
		a[i] = math.Abs(x)
	}
	slices.Sort(a)
	return a[min(len(a)-1, int(q*float64(len(a))))]
}

// outcome is what became of a set of runs.
type outcome struct {
	mu              sync.Mutex
	smooth          map[string]errs // by boundary
	shown           errs            // of those that the readings show at all
	smoothOf        map[kind]errs
	late            map[string][]change // by boundary, of those that the readings show
	hidden          map[string][]change // of those that they do not
	lateOf          map[kind][]change
	wrong           map[string]int // announcements
	guessed         int            // of them, tip-off where the gauge does not show it: by habit
	wrongOf         map[kind]int
	agree, live     []float64
	agreeOf, liveOf map[kind][]float64
	notes           []string
}

func newOutcome() *outcome {
	return &outcome{
		smooth: map[string]errs{}, smoothOf: map[kind]errs{},
		late: map[string][]change{}, hidden: map[string][]change{}, lateOf: map[kind][]change{},
		wrong: map[string]int{}, wrongOf: map[kind]int{}, agreeOf: map[kind][]float64{}, liveOf: map[kind][]float64{},
	}
}

func (o *outcome) add(d drawn) {
	sm, live := Smooth(d.obs, Options{}), d.live()
	truth := d.seen()
	shows := map[time.Duration]bool{}
	for i := 1; i < len(truth); i++ {
		shows[truth[i].From] = d.shows(Boundary{From: truth[i-1].Phase, To: truth[i].Phase, At: truth[i].From})
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	a, al := Agreement(truth, sm), Agreement(truth, live)
	o.agree, o.live = append(o.agree, a), append(o.live, al)
	o.agreeOf[d.kind] = append(o.agreeOf[d.kind], a)
	o.liveOf[d.kind] = append(o.liveOf[d.kind], al)
	note := func(format string, x ...any) {
		o.notes = append(o.notes, fmt.Sprintf(format, x...)+fmt.Sprintf(" seed %d %s (%s)", d.seed, d.kind, d.what))
	}
	for _, b := range Boundaries(truth, sm, 30*time.Second) {
		if b.From == b.To || d.unseen(b.At) {
			continue
		}
		e := math.Inf(1)
		if b.Found {
			e = b.Error.Seconds()
		}
		key := b.From.String() + " > " + b.To.String()
		o.smooth[key] = append(o.smooth[key], e)
		o.smoothOf[d.kind] = append(o.smoothOf[d.kind], e)
		if shows[b.At] {
			o.shown = append(o.shown, e)
		}
		if math.Abs(e) > 2 {
			note("smooth %s at %.1f: %+.1f", key, b.At.Seconds(), e)
		}
	}
	for _, c := range changes(truth, live) {
		if c.From == c.To || d.unseen(c.At) {
			continue
		}
		key := c.From.String() + " > " + c.To.String()
		if !shows[c.At] {
			o.hidden[key] = append(o.hidden[key], c)
			continue
		}
		o.late[key] = append(o.late[key], c)
		o.lateOf[d.kind] = append(o.lateOf[d.kind], c)
		if !c.inTime() {
			note("live %s at %.1f: %.1f late, early %v", key, c.At.Seconds(), c.late, c.early)
		}
	}
	for _, w := range d.wrong(truth, live) {
		if w == "tip-off said in fill" && !d.fine {
			o.guessed++
			continue
		}
		o.wrong[w]++
		o.wrongOf[d.kind]++
		note("live %s", w)
	}
	if a < 0.9 || al < 0.85 {
		note("agree %.3f live %.3f\n truth %s\n found %s\n live  %s", a, al, list(truth), list(sm), list(live))
	}
}

// unseen tells whether a boundary lies where frames are missing or so near
// after it that the recorder has not yet started again.
func (d *drawn) unseen(at time.Duration) bool {
	for _, h := range d.hidden {
		if at >= h.From-time.Second && at <= h.To+time.Second {
			return true
		}
	}
	return false
}

func all(m map[string]errs) (e errs) {
	for _, x := range m {
		e = append(e, x...)
	}
	return e
}

func mean(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v
	}
	return s / float64(len(x))
}

// inTime is the share of changes that were said in time, not too early.
func inTime(c []change) float64 {
	n := 0
	for i := range c {
		if c[i].inTime() {
			n++
		}
	}
	return float64(n) / float64(len(c))
}

// lates is how late the changes were said.
func lates(c []change) (e errs) {
	for i := range c {
		e = append(e, c[i].late)
	}
	return e
}

func allChanges(m map[string][]change) (c []change) {
	for _, x := range m {
		c = append(c, x...)
	}
	return c
}

func (o *outcome) wrongs() (n int) {
	for _, x := range o.wrong {
		n += x
	}
	return n
}

// table prints errors by boundary and by kind of run.
func (o *outcome) table() string {
	var b strings.Builder
	keys := slices.Collect(maps.Keys(o.smooth))
	slices.SortFunc(keys, func(x, y string) int { return len(o.smooth[y]) - len(o.smooth[x]) })
	fmt.Fprintf(&b, "\n%-24s %5s | smoother: median  95 %%  in 2 s | tracker, where it shows: n, median late  95 %%  in time | shows not\n", "boundary", "n")
	row := func(name string, s errs, l, h []change) {
		fmt.Fprintf(&b, "%-24s %5d | %16.2f %6.2f %6.1f %%", name, len(s), s.at(0.5), s.at(0.95), 100*s.within(2))
		if e := lates(l); len(e) > 0 {
			fmt.Fprintf(&b, " | %26d %12.2f %5.2f %6.1f %%", len(l), e.at(0.5), e.at(0.95), 100*inTime(l))
		}
		if len(h) > 0 {
			fmt.Fprintf(&b, " | %d, of these in time %.0f %%", len(h), 100*inTime(h))
		}
		fmt.Fprintln(&b)
	}
	for _, k := range keys {
		row(k, o.smooth[k], o.late[k], o.hidden[k])
	}
	for k := range kinds {
		k := kind(k)
		if e := o.smoothOf[k]; len(e) > 0 {
			row("in runs: "+k.String(), e, o.lateOf[k], nil)
			fmt.Fprintf(&b, "%30s   agreement %.4f, tracker %.4f, %d runs, %d wrong announcements\n", "", mean(o.agreeOf[k]), mean(o.liveOf[k]), len(o.agreeOf[k]), o.wrongOf[k])
		}
	}
	row("all", all(o.smooth), allChanges(o.late), allChanges(o.hidden))
	fmt.Fprintf(&b, "smoother, all that the readings show: %.1f %% of %d in 2 s\n", 100*o.shown.within(2), len(o.shown))
	for _, w := range slices.Sorted(maps.Keys(o.wrong)) {
		fmt.Fprintf(&b, "%6d %s\n", o.wrong[w], w)
	}
	fmt.Fprintf(&b, "%6d wrong announcements in %d runs, and %d tip-offs taken for granted too soon where the gauge does not show any\n", o.wrongs(), len(o.live), o.guessed)
	fmt.Fprintf(&b, "agreement of phase time: smoother %.4f, worst %.4f; tracker %.4f, worst %.4f; %d runs\n", mean(o.agree), slices.Min(o.agree), mean(o.live), slices.Min(o.live), len(o.agree))
	return b.String()
}

// prove draws n runs from seed first on.
func prove(first uint64, n int, kindFor func(uint64) kind, fix func(*plant.Habit)) *outcome {
	o := newOutcome()
	seeds := make(chan uint64)
	var wg sync.WaitGroup
	for range 2 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for s := range seeds {
				o.add(draw(s, kindFor(s), fix))
			}
		}()
	}
	for i := range n {
		seeds <- first + uint64(i)
	}
	close(seeds)
	wg.Wait()
	return o
}

// The runs by which the prices were set. Not a proof.
func TestTune(t *testing.T) {
	if os.Getenv("TIPOFF_TUNE") == "" {
		t.Skip("only with TIPOFF_TUNE=1")
	}
	o := prove(1, 400, kindOf, nil)
	slices.Sort(o.notes)
	for _, n := range o.notes {
		t.Log(n)
	}
	t.Log(o.table())
}

// proofSeed is the first seed of the proof's runs. Tuned on were 1 to 600. 601 to
// 900, 10001 to 10500 and 50001 to 50500 have been looked at: the last were the
// proof (every bar held) until a tube among them whose arc flickers for minutes
// showed that the tracker should be slower to take back what it has said.
const proofSeed = 60001

// The proof: 500 runs drawn from seeds that nothing was ever set by, any tube,
// any bench within a factor, all styles, hands from 0.5 to 4 s slow, steps
// from half to twice as long, left out and repeated, and nearly half of the
// runs spoiled by a missing channel, a shut gauge, lost power or a slipped
// foot. The bars for the smoother are those of the issue: 95 % of boundaries
// within 2 s, 97 % of the time in the right phase. Boundaries during which no
// frames were recorded are not counted; those that nothing shows are.
//
// The tracker is to be no more than 3 s late at every kind of boundary, where
// anybody could be: that the change leaves a trace in the recorded channels
// within 3 s is computed from the plant's truth and the gauges' noise (drawn.shows).
// What does not is, but for a handful, tip-off: the torch warms a third of a
// millilitre. Two thirds of all tip-offs do not show within 3 s, and without a
// diaphragm gauge none. There the tracker goes by Options.TipOffAfter, a habit.
func TestProof(t *testing.T) {
	n := 500
	if testing.Short() {
		n = 24
	}
	o := prove(proofSeed, n, kindOf, nil)
	t.Log(o.table())
	if os.Getenv("TIPOFF_NOTES") != "" {
		slices.Sort(o.notes)
		for _, n := range o.notes {
			t.Log(n)
		}
	}
	smooth := all(o.smooth)
	// On 24 runs a few unlucky ones weigh more than on 500.
	slack := 0.0
	if testing.Short() {
		slack = 0.025
	}
	bar := func(what string, x, want float64) {
		if want -= slack; x < want {
			t.Errorf("%s %.4f, want %.4f", what, x, want)
		}
	}
	bar("smoother: boundaries within 2 s", smooth.within(2), 0.95)
	bar("smoother: phase time", mean(o.agree), 0.97)
	bar("smoother: boundaries that show, within 2 s", o.shown.within(2), 0.97)
	bar("tracker: boundaries that show, in time", inTime(allChanges(o.late)), 0.97)
	for key, c := range o.late {
		if len(c) >= 20 && !testing.Short() {
			bar("tracker: "+key+" in time", inTime(c), 0.95)
		}
	}
	bar("tracker: phase time", mean(o.live), 0.955)
	bar("tracker: less wrong announcements a run than", 0.35-float64(o.wrongs())/float64(n), 0)
	bar("tracker: less tip-offs taken for granted too soon than", 0.25-float64(o.guessed)/float64(n), 0)
}
