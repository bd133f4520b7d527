package strict

import (
	"math"
	"strconv"
	"strings"
)

// OneOf puts a choice in words: `"a", "b" or "c"`.
func OneOf(options []string) string {
	q := make([]string, len(options))
	for i, o := range options {
		q[i] = strconv.Quote(o)
	}
	if n := len(q); n > 1 {
		return strings.Join(q[:n-1], ", ") + " or " + q[n-1]
	}
	return strings.Join(q, "")
}

// between puts a range in words, "" if there is no bound.
func between(min, max float64, show func(float64) string) string {
	switch {
	case math.IsInf(min, 0) && math.IsInf(max, 0):
		return ""
	case math.IsInf(max, 0):
		return "at least " + show(min)
	case math.IsInf(min, 0):
		return "at most " + show(max)
	}
	return show(min) + " to " + show(max)
}

func numberWords(noun, span string) string {
	if span == "" {
		return noun
	}
	return noun + ", " + span
}

// Nearest is the option that s is a likely misspelling of, or "".
func Nearest(s string, options []string) string {
	best, least := "", len(s)/3+1 // one slip in three letters is still a slip
	for _, o := range options {
		if d := distance(strings.ToLower(s), strings.ToLower(o)); d <= least && (best == "" || d < least) {
			best, least = o, d
		}
	}
	return best
}

// distance counts the letters to add, drop, change or swap with a neighbour to
// make b of a (optimal string alignment).
func distance(a, b string) int {
	const longest = 40 // longer keys are not slips of ours
	if len(a) > longest || len(b) > longest {
		return longest
	}
	var d [longest + 1][longest + 1]int
	for i := range len(a) + 1 {
		d[i][0] = i
	}
	for j := range len(b) + 1 {
		d[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			change := 1
			if a[i-1] == b[j-1] {
				change = 0
			}
			d[i][j] = min(d[i-1][j]+1, d[i][j-1]+1, d[i-1][j-1]+change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d[i][j] = min(d[i][j], d[i-2][j-2]+1)
			}
		}
	}
	return d[len(a)][len(b)]
}
