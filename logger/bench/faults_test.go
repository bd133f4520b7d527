package bench_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/logger/status"
)

const faultsPage = "../../deploy/docs/faults.md"

var nan = math.NaN()

// The fault comes at broken and goes when it has lasted; then there is time to
// become right again.
const (
	broken = 5 * time.Second
	usual  = 6 * time.Second
	after  = 5 * time.Second
)

func (f *fault) begins() time.Duration { return max(broken, f.from) }

func (f *fault) mended() time.Duration {
	if f.lasts > 0 {
		return f.begins() + f.lasts
	}
	return f.begins() + usual
}

// seen is what came of a fault.
type seen struct {
	wrongFor, wrongMost time.Duration // a wrong value stood as good: now, at most
	othersBad           int           // frames in which another channel was lost or wrong
	found               time.Duration // first frame without a reading or marked, 0 none
	told                time.Duration // first frame with the text
	text                string        // what was told
	back                time.Duration // since when the reading is right without a break
	lostFrames, frames  int           // while the fault lasts
}

// watch runs one fault on channel ch through the whole bench.
func (f *fault) watch(t *testing.T, ch int, want cell) seen {
	r := newRigged(t, append(f.also, ch)...)
	r.world.under = ch
	broken, mended := f.begins(), f.mended()
	if f.begin != nil {
		f.begin(&r.world)
	}
	var s seen
	r.each = func(at time.Duration) {
		snap := r.bench.Snapshot()
		for i, k := range r.index {
			if k < 0 {
				continue
			}
			v := snap.Frame.Readings[k].Value
			right := math.Abs(v.X-r.world.truth(i, at)) <= subjectsOf[i].within
			marked := v.Q&calib.Suspect != 0
			if i != ch {
				if at > 2*time.Second && (!v.Good() || !right) && !f.moves && ch != contactCh {
					s.othersBad++
				}
				continue
			}
			if v.Good() && !right && !marked && at > 2*time.Second {
				s.wrongFor += 100 * time.Millisecond
				s.wrongMost = max(s.wrongMost, s.wrongFor)
			} else {
				s.wrongFor = 0
			}
			if at > broken && at <= mended {
				s.frames++
				if !v.Good() {
					s.lostFrames++
				}
				if s.found == 0 && (want.lost && !v.Good() || want.marked != 0 && v.Q&want.marked != 0) {
					s.found = at - broken
				}
			}
			if at > mended {
				if v.Good() && right && !marked {
					if s.back == 0 {
						s.back = at - mended
					}
				} else {
					s.back = 0
				}
			}
		}
		if at > broken && at <= mended {
			if text := toldOf(snap, r.device(ch), want.told); text != "" {
				if s.told == 0 {
					s.told = at - broken
				}
				s.text = text
			}
		}
		if at >= broken && at < mended && (at == broken || f.again && at%time.Second == 0 || f.always && ch == contactCh) {
			f.set(r, r.chips[ch], true)
		}
		if at == mended {
			f.set(r, r.chips[ch], false)
		}
	}
	err := r.bench.Run(t.Context(), func(now time.Duration) bool { return now >= mended+after })
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// device is what channel ch reads, as users are told of it.
func (r *rigged) device(ch int) string { return r.parts.Layout.Channels[r.index[ch]].Device }

// toldOf is the trouble shown that holds part, in words. It has to name the device,
// say what to do, and name the guide that says more.
func toldOf(s *status.Snapshot, device, part string) string {
	if part == "" {
		return ""
	}
	for _, x := range s.Troubles {
		if text := x.Cause + ": " + x.Hint; !x.Hidden && strings.Contains(text, part) &&
			strings.Contains(x.Cause, device) && x.Hint != "" && namesPage.MatchString(x.Hint) {
			return text
		}
	}
	return ""
}

// check compares what came of a fault with what has to.
func (f *fault) check(t *testing.T, s seen, want cell) {
	if s.othersBad > 0 {
		t.Errorf("other channels were lost or wrong in %d frames", s.othersBad)
	}
	if most := max(want.blind, 100*time.Millisecond); s.wrongMost > most && want.unseen == "" {
		t.Errorf("a wrong value was shown as good for %v, allowed are %v", s.wrongMost, most)
	}
	if want.unseen != "" && s.wrongMost < f.mended()-f.begins()-time.Second {
		t.Errorf("the page says that the fault goes unseen, but it was seen")
	}
	if (want.lost || want.marked != 0) && s.found == 0 {
		t.Errorf("the fault was not found")
	}
	if !want.lost && float64(s.lostFrames) > want.gaps*float64(s.frames) && want.told == "" {
		t.Errorf("no reading in %d of %d frames", s.lostFrames, s.frames)
	}
	if want.told != "" && s.told == 0 {
		t.Errorf("nothing told with %q", want.told)
	}
	if s.back == 0 || s.back > 2*time.Second {
		t.Errorf("right again %v after the fault's end; 2 s are allowed", s.back)
	}
}

// rounded puts a time into words that noise does not change.
func rounded(d time.Duration) string {
	for _, step := range []float64{0.3, 0.5, 1, 1.5, 2, 3, 4, 5, 6, 8, 10, 15, 22, 30, 45, 60} {
		if d.Seconds() <= step {
			return fmt.Sprintf("%g s", step)
		}
	}
	return d.String()
}

// below is where a test has put the kernel's files.
var below = regexp.MustCompile(`/\S*/sys/`)

var namesPage = regexp.MustCompile(`docs/([a-z0-9-]+)`)

// Each fault on each driver, through the whole bench. The page in the docs is
// made of what is seen here: TIPOFF_WRITE_DOCS=1 writes it. With -short, which is how
// it runs under the race detector, every third cell is tried and the page left alone.
func TestFaultTable(t *testing.T) {
	rows := faultRows()
	lines := make([][]string, subjects)
	t.Run("all", func(t *testing.T) {
		for ch := range lines {
			lines[ch] = make([]string, len(rows))
			for i := range rows {
				f := &rows[i]
				if testing.Short() && (ch+i)%3 != 0 {
					continue
				}
				want, ok := f.cell[ch]
				if !ok {
					lines[ch][i] = f.without(ch)
					continue
				}
				t.Run(f.name+" on "+driverOf(ch), func(t *testing.T) {
					t.Parallel()
					s := f.watch(t, ch, want)
					f.check(t, s, want)
					lines[ch][i] = f.row(s, want)
				})
			}
		}
	})
	if t.Failed() || testing.Short() {
		return
	}
	var page strings.Builder
	page.WriteString(faultsIntro)
	for ch := range lines {
		fmt.Fprintf(&page, "\n## %s\n\n| fault | what is seen | within | what the user is told | right again within |\n|---|---|---|---|---|\n", subjectsOf[ch].title)
		for _, l := range lines[ch] {
			page.WriteString(l)
		}
	}
	page.WriteString(faultsEnd)
	for _, m := range namesPage.FindAllStringSubmatch(page.String(), -1) {
		if _, err := os.Stat(filepath.Join(filepath.Dir(faultsPage), m[1]+".md")); err != nil {
			t.Errorf("a hint points to docs/%s, which is not there", m[1])
		}
	}
	if os.Getenv("TIPOFF_WRITE_DOCS") != "" {
		if err := os.WriteFile(faultsPage, []byte(page.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(faultsPage)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != page.String() {
		t.Error("deploy/docs/faults.md is out of date: TIPOFF_WRITE_DOCS=1 go test ./logger/bench -run TestFaultTable writes it")
	}
}

const faultsIntro = `# Faults and what is seen of them

Written by a test that breaks emulated devices under the whole bench; do not edit. In each row the
other channels went on with right values, and a wrong value was shown as good for at most one frame
(0.1 s) unless the row says otherwise. "Within" counts from the fault's beginning to the first frame
that shows it; troubles are told on the page, in the log and in the metrics when they have lasted a
second. "Right again" counts from the fault's end and is at most 2 s everywhere.

A device that repeats its last code is found without any setting. A channel whose noise has been seen to
be more than about half a code cannot lose it: it is found frozen after some 40 to 90 equal samples, at
rest too, once its noise is known (eight times 64 samples, apart with and without the arc). For a quieter
channel a code that stands still is no news at rest, but cannot be while the arc burns or while a second
sensor of the same kind moves: the finer the codes, the sooner. ` + "`frozen_after`" + ` in bench.toml sets a bound
of your own on top of it.

Not told: a current transformer that is unplugged from its burden looks like no current until the glass
heats or the contactor's contact says that it is on; a quiet sensor that freezes with no arc, until the
next arc; and a thermocouple that opens on a chip without detection while the glass is as cold as its
terminals, which is what the chip then shows.
`

const faultsEnd = `
## Recorded trace

A file has no bus, no chip and no sensor. A place without a number in it is no reading, and a file that cannot be
read is refused at the start, with line and reason. Whether a recorded code stood still was judged when it was
recorded.
`

// without is the row of a driver that has no such fault, or nothing where the
// fault is not of its kind.
func (f *fault) without(ch int) string {
	why := f.cannot[ch]
	if why == "" {
		return ""
	}
	return fmt.Sprintf("| %s | – | – | %s | – |\n", f.name, why)
}

// row is the fault's row of the page.
func (f *fault) row(s seen, want cell) string {
	name := f.name
	if f.note != "" {
		name += " (" + f.note + ")"
	}
	what, found := "the value stays right", "–"
	switch {
	case want.gaps > 0:
		what = fmt.Sprintf("the value stays right; at most %.0f %% of the frames have none", 100*want.gaps)
	case want.unseen != "":
		what = want.unseen
	case want.lost:
		what, found = "no reading", rounded(s.found)
	case want.marked != 0:
		what, found = fmt.Sprintf("the value is marked “%v”", want.marked), rounded(s.found)
	case want.told != "":
		what, found = "written again at once; what came meanwhile is left out", rounded(s.told)
	}
	if want.blind > 0 {
		before := want.before
		if before == "" {
			before = "the last value"
		}
		what += "; before that " + before + " stands as good"
	}
	told := "nothing"
	if s.text != "" {
		told = below.ReplaceAllString(strings.ReplaceAll(s.text, "|", "/"), "/sys/")
	}
	return fmt.Sprintf("| %s | %s | %s | %s | %s |\n", name, what, found, told, rounded(s.back))
}
