package observation

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func TestAddAndWithdraw(t *testing.T) {
	dir := t.TempDir()
	if list, err := Load(dir); err != nil || list != nil {
		t.Fatalf("a run without observations: %v, %v", list, err)
	}
	want := []Observation{
		{Kind: Snaking, At: noon, By: "Mo", Note: "left half, first minutes\n\"like a worm\""},
		{Kind: FailedLater, At: noon.Add(time.Hour), Hours: 9000},
	}
	for _, o := range want {
		if err := Add(dir, o); err != nil {
			t.Fatal(err)
		}
	}
	got, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if err := Withdraw(dir, 1, noon.Add(2*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if got, _ = Load(dir); len(got) != 2 || got[0].Stands() || !got[1].Stands() {
		t.Errorf("after taking the first back: %+v", got)
	}
	for _, n := range []int{0, 1, 3} {
		if err := Withdraw(dir, n, noon); !errors.Is(err, ErrNone) {
			t.Errorf("taking back %d: %v, want ErrNone", n, err)
		}
	}
}

// Page and terminal may write at once: nothing is lost.
func TestAddAtOnce(t *testing.T) {
	dir := t.TempDir()
	var wg sync.WaitGroup
	for i := range 20 {
		wg.Go(func() {
			if err := Add(dir, Observation{Kind: Other, At: noon, Note: fmt.Sprint(i)}); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if list, err := Load(dir); err != nil || len(list) != 20 {
		t.Errorf("%d of 20 kept, %v", len(list), err)
	}
}

func TestBadObservations(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		o    Observation
		want string
	}{
		{Observation{Kind: "snakes"}, `kind: found "snakes"; allowed: "good", "snaking"`},
		{Observation{Kind: Other}, "note: found nothing"},
		{Observation{Kind: Stain, Note: strings.Repeat("é", 501)}, "note: found 501 characters; allowed: at most 500"},
		{Observation{Kind: Stain, By: "a\x1b[2J"}, "by: found control characters"},
		{Observation{Kind: FailedLater, Hours: math.NaN()}, "hours: found NaN"},
		{Observation{Kind: FailedLater, Hours: -1}, "hours: found -1"},
	} {
		if err := Add(dir, c.o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.o, err, c.want)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, FileName)); err == nil {
		t.Error("a refused observation left a file")
	}
	for text, want := range map[string]string{
		"[[observation]]\nkind = \"snaking\"\nat = \"today\"\n":                              `o.toml:3: observation.at: found "today"`,
		"[[observation]]\nkind = \"wet\"\nat = \"2026-11-25T12:00:00Z\"\n":                   `o.toml:2: observation.kind: found "wet"`,
		"[[observation]]\nkind = \"stain\"\nat = \"2026-11-25T12:00:00Z\"\nhours = nan\n":    `o.toml:4: observation.hours`,
		"[[observation]]\nkind = \"stain\"\nat = \"2026-11-25T12:00:00Z\"\ncolour = \"x\"\n": `o.toml:4: observation.colour`,
	} {
		if _, err := Parse("o.toml", []byte(text)); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

// Fisher's tea table and two more: scipy.stats.fisher_exact of Debian's
// python3-scipy, [[3,1],[1,3]] 0.48571428571428565, [[8,2],[1,5]]
// 0.034965034965034975, [[12,3],[5,40]] 1.4765667613075594e-06.
func TestFisher(t *testing.T) {
	for _, c := range []struct {
		a, b, c, d int
		want       float64
	}{{3, 1, 1, 3, 0.48571428571428565}, {8, 2, 1, 5, 0.034965034965034975}, {12, 3, 5, 40, 1.4765667613075594e-06}, {0, 0, 3, 4, 1}} {
		if got := Fisher(c.a, c.b, c.c, c.d); math.Abs(got/c.want-1) > 1e-9 {
			t.Errorf("Fisher(%d %d / %d %d) = %.12g, want %.12g", c.a, c.b, c.c, c.d, got, c.want)
		}
	}
}

// Clopper and Pearson from scipy.stats.beta.ppf(.025, k, n-k+1) and
// (.975, k+1, n-k), the same package.
func TestShare(t *testing.T) {
	for _, c := range []struct {
		k, n      int
		low, high float64
	}{{0, 5, 0, 0.5218237501049814}, {3, 10, 0.06673951117773447, 0.6524528500599973}, {10, 10, 0.6915028921812392, 1}, {0, 0, 0, 1}} {
		if s := ShareOf(c.k, c.n); math.Abs(s.Low-c.low) > 1e-9 || math.Abs(s.High-c.high) > 1e-9 {
			t.Errorf("%d of %d: %.12g to %.12g, want %.12g to %.12g", c.k, c.n, s.Low, s.High, c.low, c.high)
		}
	}
}

func invent(n int, seed uint64, linked bool) []Run {
	r := rand.New(rand.NewPCG(seed, 5))
	runs := make([]Run, n)
	for i := range runs {
		runs[i] = Run{ID: fmt.Sprint(i), Checked: true, Limits: map[string]string{}, Titles: map[string]string{}}
		for _, id := range []string{"base-pressure", "gas-temperature", "shell-time", "glass-target"} {
			v := "within"
			if r.Float64() < 0.3 {
				v = "outside"
			}
			runs[i].Limits[id], runs[i].Titles[id] = v, id
		}
		chance := 0.15
		if linked && runs[i].Limits["base-pressure"] == "outside" {
			chance = 0.9
		}
		for _, k := range []Kind{Snaking, Stain, Colour} {
			c := chance
			if k != Snaking {
				c = 0.15
			}
			if r.Float64() < c {
				runs[i].Seen = append(runs[i].Seen, k)
			}
		}
	}
	return runs
}

// With nothing to find, at most about one archive in twenty shows a pattern
// (the family-wise error of Holm's method); with a strong one it is found first.
func TestPatterns(t *testing.T) {
	false1 := 0
	for seed := range uint64(300) {
		for _, p := range Patterns(invent(40, seed, false)) {
			if p.Standing == Likely || p.Standing == Striking {
				false1++
				break
			}
		}
	}
	if false1 > 24 {
		t.Errorf("a pattern in %d of 300 archives that have none", false1)
	}
	found := 0
	for seed := range uint64(100) {
		p := Patterns(invent(40, seed+1000, true))
		if len(p) > 0 && p[0].Seen == Snaking && p[0].Limit == "base-pressure" && p[0].Standing != Chance && p[0].Standing != TooFew {
			found++
		}
	}
	if found < 95 {
		t.Errorf("a strong pattern is found in %d of 100 archives", found)
	}
	t.Logf("false: %d of 300; found: %d of 100", false1, found)
}

func TestPatternsOfFew(t *testing.T) {
	runs := []Run{
		{ID: "a", Checked: true, Seen: []Kind{Snaking}, Limits: map[string]string{"base": "outside"}},
		{ID: "b", Checked: true, Seen: []Kind{Good}, Limits: map[string]string{"base": "within"}},
		{ID: "c", Limits: map[string]string{"base": "within"}}, // nobody looked
	}
	p := Patterns(runs)
	if len(p) != 1 || p[0].Standing != TooFew || p[0].Within.N != 1 || p[0].Outside.K != 1 {
		t.Errorf("of two tubes: %+v", p)
	}
}

func FuzzParse(f *testing.F) {
	text, err := Encode([]Observation{{Kind: Other, At: noon, By: "Mo", Hours: 3, Note: "x"}, {Kind: Good, At: noon, Withdrawn: noon}})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte("observation = []\n"))
	f.Add([]byte("[[observation]]\nkind = 3\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		list, err := Parse("o.toml", data)
		if err != nil {
			return
		}
		text, err := Encode(list)
		if err != nil {
			t.Fatal(err)
		}
		again, err := Parse("o.toml", text)
		if err != nil {
			t.Fatalf("own text refused: %v\n%s", err, text)
		}
		if d := cmp.Diff(list, again); d != "" {
			t.Error(d)
		}
	})
}
