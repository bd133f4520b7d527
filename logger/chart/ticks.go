package chart

import (
	"fmt"
	"math"
	"strconv"
)

// tick is one mark on an axis.
type tick struct {
	at    float64
	label string // "" for a minor mark
}

// maxTicks bounds every axis, whatever its range.
const maxTicks = 200

// linearTicks gives about want marks at steps of 1, 2 or 5 times a power of ten.
func linearTicks(lo, hi float64, want int) []tick {
	span := hi - lo
	if !(span > 0) || math.IsInf(span, 0) || want < 1 {
		return nil
	}
	raw := span / float64(want)
	unit := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * unit
	for _, m := range []float64{1, 2, 5} {
		if m*unit >= raw*0.75 {
			step = m * unit
			break
		}
	}
	if !(step > 0) || lo/step > 1e9 || lo/step < -1e9 {
		return nil // the range is narrower than a float can step through
	}
	decimals := max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	var out []tick
	first := math.Ceil(lo/step - 1e-9)
	for i := range maxTicks {
		at := (first + float64(i)) * step
		if at > hi+step*1e-9 {
			break
		}
		out = append(out, tick{at, strconv.FormatFloat(at+0, 'f', decimals, 64)})
	}
	return out
}

// timeSteps are the steps of a time axis in s.
var timeSteps = []float64{1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400,
	2 * 86400, 7 * 86400, 30 * 86400, 90 * 86400}

// timeTicks gives at most want+1 marks, labelled min:s, or h:min:s from the
// first full hour.
func timeTicks(end float64, want int) []tick {
	step := timeSteps[len(timeSteps)-1]
	for _, s := range timeSteps {
		if end/s <= float64(want) {
			step = s
			break
		}
	}
	var out []tick
	for i := range maxTicks {
		at := float64(i) * step
		if at > end*(1+1e-9) {
			break
		}
		out = append(out, tick{at, Clock(at)})
	}
	return out
}

// Clock writes a time from the start of a run as min:s, or h:min:s from the
// first full hour. Not a number is "—".
func Clock(s float64) string {
	if !(math.Abs(s) < 1e12) {
		return "—"
	}
	sign := ""
	n := int64(math.Round(math.Abs(s)))
	if s < 0 && n > 0 {
		sign = "−"
	}
	if n < 3600 {
		return fmt.Sprintf("%s%d:%02d", sign, n/60, n%60)
	}
	return fmt.Sprintf("%s%d:%02d:%02d", sign, n/3600, n/60%60, n%60)
}

// logTicks gives the decades between lo and hi with labels, and 2…9 between
// them; 2 and 5 get labels too if there are fewer than three decades.
func logTicks(lo, hi float64) []tick {
	if !(lo > 0) || !(hi > lo) || math.IsInf(hi, 0) {
		return nil
	}
	a, b := int(math.Floor(math.Log10(lo)+1e-9)), int(math.Ceil(math.Log10(hi)-1e-9))
	few := b-a < 3
	var out []tick
	for e := a; e <= b && len(out) < maxTicks; e++ {
		for m := 1; m <= 9; m++ {
			at := float64(m) * math.Pow(10, float64(e))
			if at < lo*(1-1e-9) || at > hi*(1+1e-9) {
				continue
			}
			label := ""
			if m == 1 || few && (m == 2 || m == 5) {
				label = strconv.FormatFloat(at, 'f', max(0, -e), 64)
			}
			out = append(out, tick{at, label})
		}
	}
	return out
}

// number writes a value with three significant digits and no exponent.
func number(x float64) string {
	a := math.Abs(x)
	switch {
	case math.IsNaN(x) || math.IsInf(x, 0):
		return "—"
	case a >= 100 || a == 0:
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	d := 2 - int(math.Floor(math.Log10(a)))
	s := strconv.FormatFloat(x, 'f', min(d, 9), 64)
	for s[len(s)-1] == '0' {
		s = s[:len(s)-1]
	}
	if s[len(s)-1] == '.' {
		s = s[:len(s)-1]
	}
	return s
}
