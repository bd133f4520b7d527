package phase

import (
	"cmp"
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
	late            map[string][]change // by boundary: all that was said, and all that the readings show
	mute            map[string]int      // by boundary: the readings do not show it, and it was not said
	two             map[string]int      // by boundary: named in time as one of two that look alike, and not said in time
	after           map[string]int      // by boundary: said later than lateBy, and the readings did not show it sooner
	lateOf          map[kind][]change
	muteOf          map[kind]int
	wrong           map[string]int // announcements
	wrongOf         map[kind]int
	agree, live     []float64
	either          []float64 // live, where naming two that look alike is right in both
	agreeOf, liveOf map[kind][]float64
	notes           []string
}

func newOutcome() *outcome {
	return &outcome{
		smooth: map[string]errs{}, smoothOf: map[kind]errs{},
		late: map[string][]change{}, mute: map[string]int{}, two: map[string]int{}, after: map[string]int{}, lateOf: map[kind][]change{}, muteOf: map[kind]int{},
		wrong: map[string]int{}, wrongOf: map[kind]int{}, agreeOf: map[kind][]float64{}, liveOf: map[kind][]float64{},
	}
}

func (o *outcome) add(d drawn) {
	sm := Smooth(d.obs, Options{})
	live, alike := d.live()
	truth := d.seen()
	shows := map[time.Duration]bool{}
	for i := 1; i < len(truth); i++ {
		shows[truth[i].From] = d.shows(Boundary{From: truth[i-1].Phase, To: truth[i].Phase, At: truth[i].From})
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	a, al := Agreement(truth, sm), Agreement(truth, live)
	o.agree, o.live = append(o.agree, a), append(o.live, al)
	o.either = append(o.either, al+Agreement(truth, alike))
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
	named := func(x Segment) bool {
		return slices.ContainsFunc(alike, func(s Segment) bool {
			return s.Phase == x.Phase && s.From <= x.From+lateBy && s.To > x.From
		})
	}
	for i, c := range changes(truth, live) {
		if c.From == c.To || d.unseen(c.At) {
			continue
		}
		x := truth[i+1]
		// What is over within lateBy need not be said, if what follows it is.
		passed := i+2 < len(truth) && x.To-x.From < lateBy && named(truth[i+2])
		key := c.From.String() + " > " + c.To.String()
		if !c.inTime() && (named(x) || passed) {
			o.two[key]++
			o.muteOf[d.kind]++
			continue
		}
		if c.late > lateBy.Seconds() && !shows[c.At] {
			o.muteOf[d.kind]++
			if math.IsInf(c.late, 1) {
				o.mute[key]++
			} else {
				o.after[key]++
			}
			continue
		}
		o.late[key] = append(o.late[key], c)
		o.lateOf[d.kind] = append(o.lateOf[d.kind], c)
		if !c.inTime() {
			note("live %s at %.1f: %.1f late, early %v, shows %v", key, c.At.Seconds(), c.late, c.early, shows[c.At])
		}
	}
	for _, w := range d.wrong(truth, live) {
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
func inTime(c []change) float64 { return 1 - float64(missed(c))/float64(len(c)) }

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

func (o *outcome) wrongs() int { return total(o.wrong) }

// table prints errors by boundary and by kind of run.
func (o *outcome) table() string {
	var b strings.Builder
	keys := slices.Collect(maps.Keys(o.smooth))
	slices.SortFunc(keys, func(x, y string) int {
		return cmp.Or(len(o.smooth[y])-len(o.smooth[x]), cmp.Compare(x, y))
	})
	fmt.Fprintf(&b, "\n%-24s %5s | smoother: median  95 %%  in 2 s | tracker, said or showing: n, median late  95 %%  in time, not | shows not: one of two, later, never\n", "boundary", "n")
	row := func(name string, s errs, l []change, quiet ...int) {
		fmt.Fprintf(&b, "%-24s %5d | %16.2f %6.2f %6.1f %%", name, len(s), s.at(0.5), s.at(0.95), 100*s.within(2))
		if e := lates(l); len(e) > 0 {
			fmt.Fprintf(&b, " | %26d %12.2f %5.2f %6.1f %% %3d", len(l), e.at(0.5), e.at(0.95), 100*inTime(l), missed(l))
		}
		for _, n := range quiet {
			fmt.Fprintf(&b, " %4d", n)
		}
		fmt.Fprintln(&b)
	}
	for _, k := range keys {
		row(k, o.smooth[k], o.late[k], o.two[k], o.after[k], o.mute[k])
	}
	for k := range kinds {
		k := kind(k)
		if e := o.smoothOf[k]; len(e) > 0 {
			row("in runs: "+k.String(), e, o.lateOf[k], o.muteOf[k])
			fmt.Fprintf(&b, "%30s   agreement %.4f, tracker %.4f, %d runs, %d wrong announcements\n", "", mean(o.agreeOf[k]), mean(o.liveOf[k]), len(o.agreeOf[k]), o.wrongOf[k])
		}
	}
	row("all", all(o.smooth), allChanges(o.late), total(o.two), total(o.after), total(o.mute))
	fmt.Fprintf(&b, "smoother, all that the readings show: %.1f %% of %d in 2 s\n", 100*o.shown.within(2), len(o.shown))
	fmt.Fprintf(&b, "tracker, of all %d boundaries: %.2f %% in time; of the rest %d were named in time as one of two that look alike; nothing shows %d in time, %d of them were said later; %d were said too late or too early, or never, though they show. In time: %.2f %% of what was said, %.2f %% of what shows\n",
		len(all(o.smooth)), 100*o.ofAll(), total(o.two), total(o.after)+total(o.mute), total(o.after), missed(allChanges(o.late)), 100*o.ofSaid(), 100*inTime(allChanges(o.late)))
	for _, w := range slices.Sorted(maps.Keys(o.wrong)) {
		fmt.Fprintf(&b, "%6d %s\n", o.wrong[w], w)
	}
	fmt.Fprintf(&b, "%6d wrong announcements in %d runs\n", o.wrongs(), len(o.live))
	fmt.Fprintf(&b, "agreement of phase time: smoother %.4f, worst %.4f; tracker %.4f, worst %.4f, with the other of two that look alike %.4f; %d runs\n",
		mean(o.agree), slices.Min(o.agree), mean(o.live), slices.Min(o.live), mean(o.either), len(o.agree))
	return b.String()
}

func total(m map[string]int) (n int) {
	for _, x := range m {
		n += x
	}
	return n
}

// missed is how many were not said in time.
func missed(c []change) (n int) {
	for i := range c {
		if !c[i].inTime() {
			n++
		}
	}
	return n
}

// ofSaid is the share in time of what the tracker says at all, or should have.
func (o *outcome) ofSaid() float64 {
	c := allChanges(o.late)
	return float64(len(c)-missed(c)) / float64(len(c)+total(o.after))
}

// ofAll is the share of all boundaries that the tracker says in time.
func (o *outcome) ofAll() float64 {
	c := allChanges(o.late)
	return float64(len(c)-missed(c)) / float64(len(c)+total(o.two)+total(o.after)+total(o.mute))
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

// The runs by which the prices were set. Not a proof. TIPOFF_TUNE is the first seed and
// how many, as in 1:600.
func TestTune(t *testing.T) {
	var first uint64
	var n int
	if _, err := fmt.Sscanf(os.Getenv("TIPOFF_TUNE"), "%d:%d", &first, &n); err != nil {
		t.Skip("only with TIPOFF_TUNE=first:number")
	}
	o := prove(first, n, kindOf, nil)
	slices.Sort(o.notes)
	for _, n := range o.notes {
		t.Log(n)
	}
	t.Log(o.table())
}

// proofSeed is the first seed of the proof's runs, which were looked at once, when all
// was settled. Tuned on were 1 to 1100; 10001 to 10500, 50001 to 50500, 60001 to
// 60500 and 400001 to 400500 were the proofs of earlier trackers. The last held every
// bar, and showed that a fill let in on the heels of a flush looks like one more flush.
const proofSeed = 500001

// The proof: 500 runs drawn from seeds that nothing was ever set by, any tube,
// any bench within a factor, all styles, hands from 0.5 to 4 s slow, steps
// from half to twice as long, left out and repeated, and nearly half of the
// runs spoiled by a missing channel, a shut gauge, lost power or a slipped
// foot; two thirds of the benches have a diaphragm gauge, a quarter a contact on
// the torch, a sixth one on the main stopcock. The bars for the smoother are those of
// the issue: 95 % of boundaries within 2 s, 97 % of the time in the right phase.
// Boundaries during which no frames were recorded are not counted; those that nothing
// shows are.
//
// The tracker is to be no more than 3 s late. Every boundary is one of these:
//   - it is said in time, not more than 3 s late and not 2 s early;
//   - it is named in time as one of two phases that no channel tells apart (State.Or):
//     nearly all tip-offs on benches without a contact on the torch, and without a
//     thermocouple drying and bombardment, and a fill that follows a flush at once;
//   - nothing shows it within 3 s, as the plant's truth and the gauges' noise say
//     (drawn.shows), and it is said later: leak tests of very tight tubes;
//   - it is missed: said too late or too early, or never.
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
	bar("tracker: of all boundaries in time", o.ofAll(), 0.955)
	bar("tracker: of all boundaries in time, or named as one of two", o.ofAll()+float64(total(o.two))/float64(len(smooth)), 0.99)
	bar("tracker: of what it says in time", o.ofSaid(), 0.995)
	bar("tracker: of what shows in time", inTime(allChanges(o.late)), 0.995)
	for key, c := range o.late {
		if want := 0.98; len(c) >= 20 && !testing.Short() {
			if len(c) < 100 {
				want = 0.95 // two are 4 %
			}
			bar("tracker: "+key+" in time", inTime(c), want)
		}
	}
	bar("tracker: phase time", mean(o.live), 0.945)
	bar("tracker: phase time, with the other of two that look alike", mean(o.either), 0.965)
	bar("tracker: less wrong announcements a run than", 0.25-float64(o.wrongs())/float64(n), 0)
}
