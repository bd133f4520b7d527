package phase

import (
	"fmt"
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
	mu                  sync.Mutex
	smooth, late        map[string]errs // by boundary
	shown, shownLate    errs            // of those that the readings show at all
	smoothOf, lateOf    map[kind]errs
	agree, agreeLive    []float64
	agreeOf, agreeLive1 map[kind][]float64
	notes               []string
}

func newOutcome() *outcome {
	return &outcome{smooth: map[string]errs{}, late: map[string]errs{}, smoothOf: map[kind]errs{}, lateOf: map[kind]errs{}, agreeOf: map[kind][]float64{}, agreeLive1: map[kind][]float64{}}
}

func (o *outcome) add(d drawn) {
	sm, live := Smooth(d.obs, Options{}), d.live()
	truth := d.seen()
	o.mu.Lock()
	defer o.mu.Unlock()
	a, al := Agreement(truth, sm), Agreement(truth, live)
	o.agree, o.agreeLive = append(o.agree, a), append(o.agreeLive, al)
	o.agreeOf[d.kind] = append(o.agreeOf[d.kind], a)
	o.agreeLive1[d.kind] = append(o.agreeLive1[d.kind], al)
	put := func(m map[string]errs, of map[kind]errs, shown *errs, found []Segment, name string, limit float64) {
		for _, b := range Boundaries(truth, found, 30*time.Second) {
			if b.From == b.To || d.unseen(b.At) {
				continue
			}
			e := math.Inf(1)
			if b.Found {
				e = b.Error.Seconds()
			}
			key := b.From.String() + " > " + b.To.String()
			m[key] = append(m[key], e)
			of[d.kind] = append(of[d.kind], e)
			if d.shows(b) {
				*shown = append(*shown, e)
			}
			if math.Abs(e) > limit {
				o.notes = append(o.notes, fmt.Sprintf("%s seed %d %s: %s at %.1f: %+.1f (%s)", name, d.seed, d.kind, key, b.At.Seconds(), e, d.what))
			}
		}
	}
	put(o.smooth, o.smoothOf, &o.shown, sm, "smooth", 2)
	put(o.late, o.lateOf, &o.shownLate, live, "live", 3)
	if a < 0.9 || al < 0.85 {
		o.notes = append(o.notes, fmt.Sprintf("agree seed %d %s: %.3f live %.3f (%s)\n truth %s\n found %s\n live  %s", d.seed, d.kind, a, al, d.what, list(truth), list(sm), list(live)))
	}
}

// shows tells whether any reading changes at a boundary. Without a diaphragm
// gauge nothing does at tip-off (some hundredths of a per cent under half a
// per cent of noise); behind a shut stopcock the pressure lowered for the
// shells is not seen; without glass temperature a fill begins as a flush does.
func (d *drawn) shows(b Boundary) bool {
	blind := d.kind == noGlass || d.kind == glassLost
	switch {
	case b.To == TipOff:
		return d.fine
	case b.To == Shells:
		return d.kind != isolated
	case b.To == Fill || b.From == Cool && b.To == Flush:
		return !blind
	}
	return true
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

// table prints errors by boundary and by kind of run.
func (o *outcome) table() string {
	var b strings.Builder
	keys := make([]string, 0, len(o.smooth))
	for k := range o.smooth {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(x, y string) int { return len(o.smooth[y]) - len(o.smooth[x]) })
	fmt.Fprintf(&b, "\n%-24s %5s | smoother: median  95 %%  in 2 s | tracker: median  95 %%  in 3 s\n", "boundary", "n")
	row := func(name string, s, l errs) {
		fmt.Fprintf(&b, "%-24s %5d | %16.2f %6.2f %6.1f %% | %15.2f %6.2f %6.1f %%\n", name, len(s), s.at(0.5), s.at(0.95), 100*s.within(2), l.at(0.5), l.at(0.95), 100*l.within(3))
	}
	for _, k := range keys {
		row(k, o.smooth[k], o.late[k])
	}
	for k := range kinds {
		if e := o.smoothOf[kind(k)]; len(e) > 0 {
			row("in runs: "+kind(k).String(), e, o.lateOf[kind(k)])
			fmt.Fprintf(&b, "%30s   agreement %.4f, tracker %.4f, %d runs\n", "", mean(o.agreeOf[kind(k)]), mean(o.agreeLive1[kind(k)]), len(o.agreeOf[kind(k)]))
		}
	}
	row("all that the readings show", o.shown, o.shownLate)
	row("all", all(o.smooth), all(o.late))
	fmt.Fprintf(&b, "agreement of phase time: smoother %.4f, worst %.4f; tracker %.4f, worst %.4f; %d runs\n", mean(o.agree), slices.Min(o.agree), mean(o.agreeLive), slices.Min(o.agreeLive), len(o.agree))
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
	o := prove(1, 160, kindOf, nil)
	slices.Sort(o.notes)
	for _, n := range o.notes {
		t.Log(n)
	}
	t.Log(o.table())
}

// The proof: 500 runs drawn from seeds that nothing was ever set by, any tube,
// any bench within a factor, all styles, hands from 0.5 to 4 s slow, steps
// from half to twice as long, left out and repeated, and nearly half of the
// runs spoiled by a missing channel, a shut gauge, lost power or a slipped
// foot. The bars for the smoother are those of the issue: 95 % of boundaries
// within 2 s, 97 % of the time in the right phase. Boundaries during which no
// frames were recorded are not counted; those that nothing shows are.
func TestProof(t *testing.T) {
	n := 500
	if testing.Short() {
		n = 24
	}
	o := prove(10001, n, kindOf, nil)
	t.Log(o.table())
	if os.Getenv("TIPOFF_NOTES") != "" {
		slices.Sort(o.notes)
		for _, n := range o.notes {
			t.Log(n)
		}
	}
	smooth, live := all(o.smooth), all(o.late)
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
	bar("tracker: boundaries within 3 s", live.within(3), 0.92)
	bar("tracker: boundaries that show, within 3 s", o.shownLate.within(3), 0.95)
	bar("tracker: phase time", mean(o.agreeLive), 0.95)
}
