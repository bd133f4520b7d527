package observation

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// Run is what one run did and what was seen of its tube.
type Run struct {
	ID      string
	Seen    []Kind            // observations that stand
	Limits  map[string]string // limit's ID to its verdict: within, marginal, outside, not known
	Titles  map[string]string // limit's ID to its title
	Checked bool              // somebody looked: there is an observation of any kind
	// Of an ageing run: Ageing is true and Of is the run that processed the tube, ""
	// if that was not said.
	Ageing bool
	Of     string
}

// Join puts ageing runs to the runs that processed their tubes: what was seen of
// either was seen of the tube, and what the ageing did stands beside what the
// processing did. Of several ageing runs of one tube the first in the list counts, the
// newest as an archive lists them. One whose processing run is not there stays by itself.
func Join(runs []Run) []Run {
	at := map[string]int{}
	var out []Run
	for _, r := range runs {
		if r.Ageing {
			continue
		}
		r.Seen, r.Limits, r.Titles = slices.Clone(r.Seen), maps.Clone(r.Limits), maps.Clone(r.Titles)
		at[r.ID] = len(out)
		out = append(out, r)
	}
	for _, r := range runs {
		if !r.Ageing {
			continue
		}
		i, ok := at[r.Of]
		if !ok {
			out = append(out, r)
			continue
		}
		o := &out[i]
		for _, k := range r.Seen {
			if !slices.Contains(o.Seen, k) {
				o.Seen = append(o.Seen, k)
			}
		}
		o.Checked = o.Checked || r.Checked
		if o.Limits == nil {
			o.Limits, o.Titles = map[string]string{}, map[string]string{}
		}
		for id, v := range r.Limits {
			if _, there := o.Limits[id]; !there {
				o.Limits[id], o.Titles[id] = v, r.Titles[id]
			}
		}
	}
	return out
}

// Share is how many of some, with the bounds that hold the true share in 95
// of 100 cases (Clopper and Pearson: never too narrow, also for a handful).
type Share struct {
	K, N      int
	Low, High float64
}

// ShareOf is k of n.
func ShareOf(k, n int) Share {
	s := Share{K: k, N: n, Low: 0, High: 1}
	if n == 0 {
		return s
	}
	if k > 0 {
		s.Low = mathext.InvRegIncBeta(float64(k), float64(n-k+1), 0.025)
	}
	if k < n {
		s.High = mathext.InvRegIncBeta(float64(k+1), float64(n-k), 0.975)
	}
	return s
}

// Standing is how far a pattern is to be believed.
type Standing string

// The standings.
const (
	TooFew   Standing = "too few to say"
	Chance   Standing = "may be chance"
	Likely   Standing = "likely more than chance"
	Striking Standing = "hardly chance"
)

// Pattern sets one observation against one limit: of the tubes that were
// looked at, how many showed it where the limit was outside, and how many where
// it was within.
type Pattern struct {
	Seen    Kind
	Limit   string
	Title   string
	Outside Share // showed it, of the runs with the limit outside
	Within  Share // showed it, of the runs with the limit within or marginal
	// P is the probability of so uneven a table by chance alone (Fisher's exact
	// test, two-sided); Adjusted counts that all pairs were looked at (Holm).
	P, Adjusted float64
	Standing    Standing
}

// leastEach is how many runs both sides must have for a pattern to be judged
// at all.
const leastEach = 3

// Patterns are all pairs of a fault that was seen and a limit that was
// outside in some run, the most telling first. Only runs whose tube somebody looked at
// count: no word is not a good word.
func Patterns(runs []Run) []Pattern {
	type pair struct {
		kind  Kind
		limit string
	}
	type table struct{ outYes, outNo, inYes, inNo int }
	tables := map[pair]*table{}
	titles := map[string]string{}
	kinds := map[Kind]bool{}
	limits := map[string]bool{}
	for _, r := range runs {
		if !r.Checked {
			continue
		}
		for _, k := range r.Seen {
			if k.Fault() {
				kinds[k] = true
			}
		}
		for id, v := range r.Limits {
			if v == "outside" {
				limits[id] = true
				titles[id] = r.Titles[id]
			}
		}
	}
	for _, r := range runs {
		if !r.Checked {
			continue
		}
		for k := range kinds {
			seen := slices.Contains(r.Seen, k)
			for id := range limits {
				t := tables[pair{k, id}]
				if t == nil {
					t = new(table)
					tables[pair{k, id}] = t
				}
				switch v := r.Limits[id]; {
				case v == "outside" && seen:
					t.outYes++
				case v == "outside":
					t.outNo++
				case (v == "within" || v == "marginal") && seen:
					t.inYes++
				case v == "within" || v == "marginal":
					t.inNo++
				}
			}
		}
	}
	list := make([]Pattern, 0, len(tables))
	for p, t := range tables {
		list = append(list, Pattern{
			Seen: p.kind, Limit: p.limit, Title: titles[p.limit],
			Outside: ShareOf(t.outYes, t.outYes+t.outNo), Within: ShareOf(t.inYes, t.inYes+t.inNo),
			P: Fisher(t.outYes, t.outNo, t.inYes, t.inNo),
		})
	}
	slices.SortFunc(list, func(a, b Pattern) int {
		return cmp.Or(cmp.Compare(a.P, b.P), cmp.Compare(a.Seen, b.Seen), cmp.Compare(a.Limit, b.Limit))
	})
	highest := 0.0
	for i := range list {
		p := &list[i]
		highest = max(highest, min(1, p.P*float64(len(list)-i)))
		p.Adjusted = highest
		switch {
		case p.Outside.N < leastEach || p.Within.N < leastEach:
			p.Standing = TooFew
		case p.Adjusted < 0.01:
			p.Standing = Striking
		case p.Adjusted < 0.05:
			p.Standing = Likely
		default:
			p.Standing = Chance
		}
	}
	return list
}

// Fisher is the two-sided probability of the table a, b / c, d or one as
// improbable, with its margins given (Fisher's exact test).
func Fisher(a, b, c, d int) float64 {
	n := a + b + c + d
	row, col := a+b, a+c
	if row == 0 || row == n || col == 0 || col == n {
		return 1
	}
	logP := func(x int) float64 {
		return choose(row, x) + choose(n-row, col-x) - choose(n, col)
	}
	seen := logP(a)
	sum := 0.0
	for x := max(0, col-(n-row)); x <= min(row, col); x++ {
		if l := logP(x); l <= seen+1e-7 {
			sum += math.Exp(l)
		}
	}
	return min(1, sum)
}

// choose is ln of the number of ways to choose k of n.
func choose(n, k int) float64 {
	if k < 0 || k > n {
		return math.Inf(-1)
	}
	return lnFactorial(n) - lnFactorial(k) - lnFactorial(n-k)
}

func lnFactorial(n int) float64 {
	l, _ := math.Lgamma(float64(n) + 1)
	return l
}

// String is "3 of 10 (7 to 65 %)".
func (s Share) String() string {
	if s.N == 0 {
		return "none"
	}
	return fmt.Sprintf("%d of %d (%.0f to %.0f %%)", s.K, s.N, 100*s.Low, 100*s.High)
}
