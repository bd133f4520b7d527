package main

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"sort"
	"strconv"
	"strings"
)

const torr = 101325.0 / 760 // Pa

// event is a line of the shop's diary.
type event struct {
	at   float64 // s, the guest's clock
	text string
}

func readEvents(path string) ([]event, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var out []event
	for in := bufio.NewScanner(f); in.Scan(); {
		at, text, _ := strings.Cut(in.Text(), " ")
		s, err := strconv.ParseFloat(at, 64)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		out = append(out, event{s, text})
	}
	return out, nil
}

// after is when text first was written after from.
func after(es []event, from float64, text string) (float64, error) {
	for _, e := range es {
		if e.at >= from && e.text == text {
			return e.at, nil
		}
	}
	return 0, fmt.Errorf("the guest's diary has no %q after %.1f s", text, from)
}

// row is what the page showed, or what was true, at a time. NaN: nothing shown.
type row struct{ at, torr, celsius, milliamps float64 }

func readTruth(path string) ([]row, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	in := csv.NewReader(f)
	in.FieldsPerRecord = -1 // the last line may be cut off
	all, err := in.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	var out []row
	for _, rec := range all[1:] {
		if len(rec) != 5 {
			break
		}
		var v [4]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(rec[i], 64); err != nil {
				return nil, fmt.Errorf("%s: %w", path, err)
			}
		}
		out = append(out, row{v[0], v[1] / torr, v[2], v[3] * 1e3})
	}
	return out, nil
}

// readHistory reads the answer of /api/history.
func readHistory(path string) ([]row, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var points [][6]*float64
	if err := json.Unmarshal(text, &points); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	num := func(x *float64) float64 {
		if x == nil {
			return math.NaN()
		}
		return *x
	}
	out := make([]row, len(points))
	for i, p := range points {
		out[i] = row{num(p[1]), num(p[2]), num(p[3]), num(p[4])}
	}
	return out, nil
}

// at interpolates the truth; ok is false outside it.
func at(truth []row, t float64) (r row, ok bool) {
	i := sort.Search(len(truth), func(i int) bool { return truth[i].at > t })
	if i == 0 || i == len(truth) {
		return row{}, false
	}
	a, b := truth[i-1], truth[i]
	w := (t - a.at) / (b.at - a.at)
	mix := func(x, y float64) float64 { return x + w*(y-x) }
	return row{t, mix(a.torr, b.torr), mix(a.celsius, b.celsius), mix(a.milliamps, b.milliamps)}, true
}

// What is asked of the values. The emulated processor is held up again and again,
// so not every moment has a reading, the current least of all, whose waveform
// bears no hold-up; but what is shown as good must be true.
const (
	mostCelsius = 2.5  // °C, nine of ten; the thermocouple's lag is 3 s
	mostTorr    = 0.06 // share, nine of ten while the pressure is steady
	mostAmps    = 0.04 // share, nine of ten while the arc burns
	mostOff     = 6.0  // mA, nine of ten while it does not
	leastShown  = 40   // moments of each
	fewest      = 10   // below, one wild moment would be more than one of ten
)

// tally is the errors of one quantity.
type tally struct {
	errs []float64
	all  int
}

func (t *tally) add(err float64) {
	t.all++
	if !math.IsNaN(err) {
		t.errs = append(t.errs, math.Abs(err))
	}
}

// nineOfTen is the error that nine of ten keep below.
func (t *tally) nineOfTen() float64 {
	if len(t.errs) == 0 {
		return math.Inf(1)
	}
	slices.Sort(t.errs)
	return t.errs[len(t.errs)*9/10]
}

func (t *tally) judge(name, unit string, factor, most float64, seldom func(string, ...any) error) error {
	e := t.nineOfTen()
	fmt.Printf("  %-34s %5d of %5d moments shown, nine of ten within %.3g %s (asked: %.3g)\n",
		name, len(t.errs), t.all, factor*e, unit, factor*most)
	switch {
	case len(t.errs) < fewest:
		return seldom("%s: shown at %d moments only, asked are %d", name, len(t.errs), leastShown)
	case e > most:
		return fmt.Errorf("%s: nine of ten within %.3g %s, asked are %.3g", name, factor*e, unit, factor*most)
	case len(t.errs) < leastShown:
		return seldom("%s: shown at %d moments only, asked are %d", name, len(t.errs), leastShown)
	}
	return nil
}

// judgeValues compares what the daemon showed with what was true.
func judgeValues(shown, truth []row) error {
	var glass, pressure, lit, dark tally
	for _, p := range shown {
		r, ok := at(truth, p.at)
		// The sensors see what was; the readings of a second are compared
		// where it did not change by much.
		early, ok1 := at(truth, p.at-1)
		late, ok2 := at(truth, p.at+0.3)
		if !ok || !ok1 || !ok2 {
			continue
		}
		glass.add(p.celsius - r.celsius)
		if math.Abs(early.torr-late.torr) < 0.03*r.torr && r.torr < 500 {
			pressure.add(p.torr/r.torr - 1)
		}
		if early.milliamps > 100 && late.milliamps > 100 && math.Abs(early.milliamps-late.milliamps) < 0.1*r.milliamps {
			lit.add(p.milliamps/r.milliamps - 1)
		}
		if early.milliamps == 0 && r.milliamps == 0 && late.milliamps == 0 {
			dark.add(p.milliamps)
		}
	}
	fmt.Printf("values: %d moments of the daemon's page against the truth\n", len(shown))
	// Only the current's waveform bears no hold-up.
	return errors.Join(
		glass.judge("glass", "°C", 1, mostCelsius, fmt.Errorf),
		pressure.judge("steady pressure", "%", 100, mostTorr, fmt.Errorf),
		lit.judge("current while the arc burns", "%", 100, mostAmps, lately),
		dark.judge("current without arc", "mA", 1, mostOff, lately),
	)
}
