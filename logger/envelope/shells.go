package envelope

import (
	"math"
	"time"

	"tipoff/logger/phase"
)

// Constants of an electrode's shell. The fall of air on iron and its normal
// current density are physics.md 5.2; how the fall rises above it, what stays in
// the shell, and the emissivity are from memory.
const (
	normalFall      = 269.0 // V
	normalDensity   = 3.0   // A/m² at 1 Torr
	fallRises       = 0.11  // for each square root of the density over the normal one; as logger/model starts from
	intoShell       = 0.85
	shellEmissive   = 0.6
	shellHeat       = 620.0 // J/(kg K), iron, mean of 500 to 900 °C
	shellPerArea    = 3.0   // kg/m², sheet of 0.4 mm
	shellArea0      = 6e-4  // m², and shellPerAmp m²/A more: 13 cm² at 30 mA, 20 at 60
	shellPerAmp     = 0.0233
	shellBright     = 900.0 // °C, orange: from here the carbonate turns
	measuredDoubt   = 0.25  // of the shell's power, standard, with area from the card
	unmeasuredDoubt = 0.35
	warmUp          = 0.4 // share of the work that is to become bright
)

// shellTrack estimates an electrode's shell from current and pressure: half of
// I·V·intoShell of the cathode fall (each electrode is cathode half of the time),
// less what it radiates to the glass. It runs three shells, with the power one
// standard uncertainty less, as computed, and more. It allocates nothing.
type shellTrack struct {
	area, mass, doubt float64 // area 0: not known
	wanted            float64 // s bright
	last              time.Duration
	begun             bool
	glass             float64
	celsius, bright   [3]float64
}

func newShellTrack(e *Envelope) shellTrack {
	s := shellTrack{wanted: 40, glass: roomGuess, celsius: [3]float64{roomGuess, roomGuess, roomGuess}}
	if l, ok := e.Limit(ShellTime); ok && l.Low > 0 {
		s.wanted = l.Low
	}
	el := &e.Card.Electrode
	switch {
	case !e.Known:
	case el.ShellArea > 0:
		s.area, s.doubt = el.ShellArea, measuredDoubt
	case el.Rating > 0:
		s.area, s.doubt = shellArea0+shellPerAmp*el.Rating, unmeasuredDoubt
	}
	if s.mass = el.ShellMass; s.mass <= 0 {
		s.mass = shellPerArea * s.area
	}
	return s
}

// step takes a frame. Without a current or pressure the shells stay as they are.
func (s *shellTrack) step(o phase.Observation) {
	dt := min((o.At - s.last).Seconds(), 2)
	s.last = o.At
	if !s.begun || s.area == 0 || dt <= 0 {
		s.begun = true
		return
	}
	if o.Glass == o.Glass {
		s.glass = o.Glass
	}
	if o.Current != o.Current || o.Pressure != o.Pressure {
		return
	}
	power := 0.0
	if o.Current > ArcCurrent {
		p := max(0.05, o.Pressure/torr)
		fall := normalFall * (1 + fallRises*math.Sqrt(o.Current/(normalDensity*p*p*s.area)))
		power = 0.5 * o.Current * fall * intoShell
	}
	for i := range s.celsius {
		k, g := s.celsius[i]+zeroC, s.glass+zeroC
		loss := shellEmissive * stefan * s.area * (k*k*k*k - g*g*g*g)
		s.celsius[i] += (power*(1+float64(i-1)*s.doubt) - loss) * dt / (s.mass * shellHeat)
		if s.celsius[i] >= shellBright {
			s.bright[i] += dt
		}
	}
}

// done is the share of the shells' work that is done, %, and its standard
// uncertainty; NaN if the card says neither the shell's area nor the rating.
func (s *shellTrack) done() (percent, u float64) {
	if s.area == 0 {
		return math.NaN(), math.NaN()
	}
	low, mid, high := s.share(0), s.share(1), s.share(2)
	return mid, max(2, (high-low)/2)
}

func (s *shellTrack) share(i int) float64 {
	if s.bright[i] > 0 {
		return 100 * (warmUp + (1-warmUp)*min(1, s.bright[i]/s.wanted))
	}
	return 100 * warmUp * min(1, max(0, (s.celsius[i]-roomGuess)/(shellBright-roomGuess)))
}
