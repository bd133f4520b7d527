package chart

import (
	"fmt"
	"image/color"
	"math"

	"tipoff/logger/phase"
)

// phaseColours was found by a search that holds every pair of phases at least
// 25 apart (CIE 1976 ΔE*ab) for normal vision and under full protanopia and
// deuteranopia, and every colour dark enough to be read as a line on paper; the
// search started from hues that say something: blue for pumping, warm for the
// arc, violet for fill gas. The test repeats the measurement.
var phaseColours = [phase.Count]color.NRGBA{
	phase.Idle:      hex(0x4FAA98),
	phase.Evacuate:  hex(0x3B5499),
	phase.LeakTest:  hex(0x1C9BB8),
	phase.AdmitAir:  hex(0x279CED),
	phase.Dry:       hex(0xED7D09),
	phase.PumpOut:   hex(0x0818BA),
	phase.Bombard:   hex(0xB73D08),
	phase.Shells:    hex(0x780808),
	phase.FinalPump: hex(0x34184D),
	phase.Cool:      hex(0x67674B),
	phase.Flush:     hex(0x1E6CED),
	phase.Fill:      hex(0x270877),
	phase.TipOff:    hex(0x4D0E23),
	phase.Vent:      hex(0x9B9D5D),
	phase.Age:       hex(0x684E69),
}

var (
	paper    = hex(0xFFFDF7)
	ink      = hex(0x1B2333)
	pale     = hex(0x5A6372) // secondary text; 6:1 on paper
	rule     = hex(0xDDD8C9)
	hairline = hex(0xECE8DC)
	limitInk = hex(0x9B1B30)
	traceInk = [quantities]color.NRGBA{hex(0x12508C), hex(0xA63C06), hex(0x2F1638)}
)

func hex(rgb uint32) color.NRGBA {
	return color.NRGBA{R: uint8(rgb >> 16), G: uint8(rgb >> 8), B: uint8(rgb), A: 255}
}

// PhaseColour is the colour of a phase as "#rrggbb", the same on every chart
// and page.
func PhaseColour(id phase.ID) string {
	return web(colourOf(id))
}

func web(c color.NRGBA) string { return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B) }

func colourOf(id phase.ID) color.NRGBA {
	if int(id) >= phase.Count {
		return pale
	}
	return phaseColours[id]
}

// tint mixes c with paper; share 1 is c itself. A mix instead of a transparent
// colour looks the same in every viewer.
func tint(c color.NRGBA, share float64) color.NRGBA {
	mix := func(a, b uint8) uint8 {
		return uint8(math.Round(share*float64(a) + (1-share)*float64(b)))
	}
	return color.NRGBA{R: mix(c.R, paper.R), G: mix(c.G, paper.G), B: mix(c.B, paper.B), A: 255}
}

// on is the text colour that can be read on c.
func on(c color.NRGBA) color.NRGBA {
	if contrast(c, ink) > contrast(c, paper) {
		return ink
	}
	return paper
}

// PhaseText is the colour of text on a phase's colour, as "#rrggbb".
func PhaseText(id phase.ID) string { return web(on(colourOf(id))) }

// contrast is the contrast ratio of two colours after WCAG 2 (from memory):
// 1 to 21, of which 4.5 is wanted for text.
func contrast(a, b color.NRGBA) float64 {
	y := func(c color.NRGBA) float64 {
		l := linear(c)
		return 0.2126*l[0] + 0.7152*l[1] + 0.0722*l[2] + 0.05
	}
	return max(y(a), y(b)) / min(y(a), y(b))
}

// linear is the linear light of an sRGB colour (IEC 61966-2-1).
func linear(c color.NRGBA) [3]float64 {
	f := func(b uint8) float64 {
		x := float64(b) / 255
		if x <= 0.04045 {
			return x / 12.92
		}
		return math.Pow((x+0.055)/1.055, 2.4)
	}
	return [3]float64{f(c.R), f(c.G), f(c.B)}
}
