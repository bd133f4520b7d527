package chart

import (
	"image/color"
	"math"
	"testing"

	"tipoff/logger/phase"
)

// Simulation matrices on linear RGB for complete protanopia and deuteranopia
// (severity 1.0): Machado, Oliveira and Fernandes, "A physiologically-based
// model for simulation of color vision deficiency", IEEE TVCG 15 (2009),
// supplementary table. From memory. Each row sums to 1, so that grey stays
// grey, which is checked below.
var sights = map[string][3][3]float64{
	"normal": {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	"protanopia": {
		{0.152286, 1.052583, -0.204868},
		{0.114503, 0.786281, 0.099216},
		{-0.003882, -0.048116, 1.051998}},
	"deuteranopia": {
		{0.367322, 0.860646, -0.227968},
		{0.280085, 0.672501, 0.047413},
		{-0.011820, 0.042940, 0.968881}},
}

// lab is CIE 1976 L*a*b* for the D65 white of sRGB.
func lab(rgb [3]float64) [3]float64 {
	m := [3][3]float64{{0.4124564, 0.3575761, 0.1804375}, {0.2126729, 0.7151522, 0.0721750}, {0.0193339, 0.1191920, 0.9503041}}
	white := [3]float64{0.95047, 1, 1.08883}
	var f [3]float64
	for i, row := range m {
		t := (row[0]*rgb[0] + row[1]*rgb[1] + row[2]*rgb[2]) / white[i]
		if t > 216.0/24389 {
			f[i] = math.Cbrt(t)
		} else {
			f[i] = (24389.0/27*t + 16) / 116
		}
	}
	return [3]float64{116*f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])}
}

func seen(m [3][3]float64, c color.NRGBA) [3]float64 {
	l := linear(c)
	var out [3]float64
	for i, row := range m {
		out[i] = min(1, max(0, row[0]*l[0]+row[1]*l[1]+row[2]*l[2]))
	}
	return lab(out)
}

func distance(a, b [3]float64) float64 {
	return math.Hypot(math.Hypot(a[0]-b[0], a[1]-b[1]), a[2]-b[2])
}

// Every two phases can be told apart by every eye: ΔE*ab of 25 at least; 2.3 is
// just noticeable (common practice).
func TestPhaseColoursForEveryEye(t *testing.T) {
	const least = 25
	for name, m := range sights {
		for _, row := range m {
			if sum := row[0] + row[1] + row[2]; math.Abs(sum-1) > 2e-6 {
				t.Errorf("%s: a row sums to %v", name, sum)
			}
		}
		closest := math.Inf(1)
		for a := range phase.Count {
			for b := range a {
				d := distance(seen(m, phaseColours[a]), seen(m, phaseColours[b]))
				closest = min(closest, d)
				if d < least {
					t.Errorf("%s: %s and %s are %.1f apart", name, phase.ID(a), phase.ID(b), d)
				}
			}
		}
		for a := range quantities {
			for b := range a {
				if d := distance(seen(m, traceInk[a]), seen(m, traceInk[b])); d < 20 {
					t.Errorf("%s: the lines of two quantities are %.1f apart", name, d)
				}
			}
		}
		t.Logf("%s: closest pair of phases %.1f apart", name, closest)
	}
}

// WCAG 2 wants 4.5 for text; lines this thick can do with 2.3.
func TestContrast(t *testing.T) {
	for id, c := range phaseColours {
		if k := contrast(c, paper); k < 2.3 {
			t.Errorf("%s on paper: %.2f", phase.ID(id), k)
		}
		if k := contrast(on(c), c); k < 4.5 {
			t.Errorf("text on %s: %.2f", phase.ID(id), k)
		}
		under := tint(c, 0.085)
		for _, text := range []color.NRGBA{ink, pale, limitInk, traceInk[0], traceInk[1], traceInk[2]} {
			if k := contrast(text, under); k < 4.5 {
				t.Errorf("%v on the tint of %s: %.2f", text, phase.ID(id), k)
			}
		}
	}
}

func TestPhaseColour(t *testing.T) {
	if got := PhaseColour(phase.Dry); got != "#ed7d09" {
		t.Errorf("%q", got)
	}
	if PhaseColour(200) == "" {
		t.Error("no colour for an unknown phase")
	}
}
